// SPDX-License-Identifier: GPL-3.0-or-later
// The nearest of many triangles against numbers of 50 digits (Boost.Multiprecision), and against going
// through all of them.
#include "geometry/channel/face_tree.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

#include <boost/multiprecision/cpp_bin_float.hpp>
#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Long = boost::multiprecision::cpp_bin_float_50;
using LongPoint = std::array<Long, 3>;

LongPoint exactly(const Eigen::Vector3d& p) {
  return {Long(p.x()), Long(p.y()), Long(p.z())};
}
LongPoint less(const LongPoint& a, const LongPoint& b) {
  return {a[0] - b[0], a[1] - b[1], a[2] - b[2]};
}
Long dot(const LongPoint& a, const LongPoint& b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

Long squared_to_side(const LongPoint& p, const LongPoint& a, const LongPoint& b) {
  const LongPoint ab = less(b, a);
  const LongPoint ap = less(p, a);
  const Long length2 = dot(ab, ab);
  const Long share = length2 == 0 ? Long(0) : std::clamp(Long(dot(ab, ap) / length2), Long(0), Long(1));
  const LongPoint off = {ap[0] - share * ab[0], ap[1] - share * ab[1], ap[2] - share * ab[2]};
  return dot(off, off);
}

/// By barycentric coordinates (Gram's determinant) inside, by the sides elsewhere: another way than the
/// code's.
double reference(const Eigen::Vector3d& p_mm, const FaceTree::Corners& t) {
  const LongPoint p = exactly(p_mm);
  const LongPoint a = exactly(t[0]);
  const LongPoint b = exactly(t[1]);
  const LongPoint c = exactly(t[2]);
  Long least = std::min({squared_to_side(p, a, b), squared_to_side(p, b, c), squared_to_side(p, c, a)});
  const LongPoint ab = less(b, a);
  const LongPoint ac = less(c, a);
  const LongPoint ap = less(p, a);
  const Long gram = dot(ab, ab) * dot(ac, ac) - dot(ab, ac) * dot(ab, ac);
  if (gram > 0) {
    const Long v = (dot(ac, ac) * dot(ab, ap) - dot(ab, ac) * dot(ac, ap)) / gram;
    const Long w = (dot(ab, ab) * dot(ac, ap) - dot(ab, ac) * dot(ab, ap)) / gram;
    if (v >= 0 && w >= 0 && v + w <= 1) {
      const LongPoint off = {ap[0] - v * ab[0] - w * ac[0], ap[1] - v * ab[1] - w * ac[1],
                             ap[2] - v * ab[2] - w * ac[2]};
      least = std::min(least, dot(off, off));
    }
  }
  return static_cast<double>(sqrt(least));
}

class Points {
 public:
  explicit Points(std::uint32_t seed) : random_(seed) {}
  Eigen::Vector3d operator()(double size) {
    return size * Eigen::Vector3d(any_(random_), any_(random_), any_(random_));
  }
  double share() { return 0.5 * (any_(random_) + 1.0); }

 private:
  std::mt19937 random_;
  std::uniform_real_distribution<double> any_{-1.0, 1.0};
};

}  // namespace

TEST_CASE(
    "The way from a triangle is exact for common triangles, needles, slivers, points and doubled corners") {
  Points points(11);
  // Height of a needle over its length. 0: the three corners on one line.
  for (const double height : {1.0, 1e-3, 1e-6, 1e-8, 1e-11, 0.0}) {
    for (int i = 0; i < 400; ++i) {
      const Eigen::Vector3d a = points(5.0);
      const Eigen::Vector3d b = a + points(2.0);
      const Eigen::Vector3d c = a + points.share() * (b - a) + height * points(1.0);
      const Eigen::Vector3d p = a + points(4.0);
      // Rounding turns a needle's plane by 2^-52 over its height; lower than kNeedle its sides are measured.
      const double off = std::max(1e-12, 1e-14 / std::max(height, kNeedle));
      INFO("height " << height << ", case " << i);
      const double exact = reference(p, {a, b, c});
      CHECK(std::abs(from_triangle(p, a, b, c).norm() - exact) <= std::min(off, 1e-4));
      CHECK(std::abs(from_triangle(p, c, a, b).norm() - exact) <= std::min(off, 1e-4));
      CHECK(std::abs(from_triangle(p, b, a, c).norm() - exact) <= std::min(off, 1e-4));
    }
  }
  const Eigen::Vector3d a(1.0, 2.0, 3.0);
  CHECK(from_triangle({1.0, 2.0, 7.0}, a, a, a).norm() == 4.0);
  const Eigen::Vector3d b(1.0, 2.0, 5.0);
  CHECK(from_triangle({1.0, 2.0, 7.0}, a, b, b).norm() == 2.0);
  CHECK(from_triangle({1.0, 3.0, 4.0}, a, b, a).norm() == 1.0);
}

TEST_CASE(
    "The tree finds what going through all triangles finds, however many there are and however they lie") {
  Points points(12);
  for (const int count : {1, 2, 4, 5, 9, 100, 3000}) {
    std::vector<FaceTree::Corners> triangles;
    for (int i = 0; i < count; ++i) {
      // All in one place, on one line, and all over.
      const Eigen::Vector3d at = i % 3 == 0   ? Eigen::Vector3d::Zero()
                                 : i % 3 == 1 ? Eigen::Vector3d(i % 50, 0, 0)
                                              : points(30.0);
      triangles.push_back({at + points(1.0), at + points(1.0), at + points(1.0)});
    }
    const FaceTree tree(triangles);
    for (int i = 0; i < 200; ++i) {
      const Eigen::Vector3d p = points(i % 2 == 0 ? 40.0 : 2.0);
      double least = kInfinity;
      for (const auto& t : triangles) least = std::min(least, from_triangle(p, t[0], t[1], t[2]).norm());
      const FaceTree::Nearest found = tree.nearest(p);
      CHECK(found.distance == least);
      const auto& t = triangles.at(found.triangle);
      CHECK(from_triangle(p, t[0], t[1], t[2]).norm() == least);
      CHECK((p - found.point).norm() == Approx(least).margin(1e-12));
      CHECK(from_triangle(found.point, t[0], t[1], t[2]).norm() < 1e-12);
    }
  }
  CHECK(FaceTree().empty());
}

}  // namespace withy
