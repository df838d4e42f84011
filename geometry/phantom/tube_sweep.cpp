// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/tube_sweep.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace withy {
namespace {

using Eigen::Vector3d;

/// Below this a cross-section says more about the number of sides than about the tube.
constexpr int kLeastSidesOfTube = 8;
constexpr int kLeastSidesInCap = 6;

/// Vertices of one cross-section, counter-clockwise about the tangent; a single one in the middle of a cap.
struct Ring {
  int first = 0;
  int count = 0;
  double turned_rad = 0.0;
};

class Sweep {
 public:
  Sweep(const TubeTree::Tube& tube, double edge_mm, int sides)
      : tube_(tube), edge_mm_(edge_mm), sides_(sides) {}

  TriangleMesh make() {
    const double length = tube_.path.length_mm();
    cap(0.0, true);
    for (const double s : stations()) add_ring(s, tube_.radius.at(s), kLeastSidesOfTube);
    cap(length, false);
    return std::move(mesh_);
  }

 private:
  int sides_for(double radius_mm, int least) const {
    if (sides_ > 0) return sides_;
    return std::max(least, static_cast<int>(std::lround(2.0 * std::numbers::pi * radius_mm / edge_mm_)));
  }

  /// Rings of the tube's wall: at every joint and profile station, evenly between.
  std::vector<double> stations() const {
    const double length = tube_.path.length_mm();
    std::vector<double> fixed = tube_.path.joints_mm();
    for (const auto& knot : tube_.radius.knots) fixed.push_back(std::clamp(knot.station_mm, 0.0, length));
    std::sort(fixed.begin(), fixed.end());
    std::vector<double> all{0.0};
    for (const double to : fixed) {
      const double from = all.back();
      if (to - from < 1e-3 * edge_mm_) continue;
      const int steps = std::max(1, static_cast<int>(std::ceil(wall_length(from, to) / edge_mm_ - 1e-9)));
      for (int i = 1; i <= steps; ++i) all.push_back(from + (to - from) * i / steps);
    }
    all.back() = length;
    return all;
  }

  /// Length of the wall's longest line between two stations: on the outside of the bend, along the slope of
  /// the radius.
  double wall_length(double from, double to) const {
    const int steps = std::max(8, static_cast<int>(std::ceil((to - from) / edge_mm_)));
    double sum = 0.0;
    for (int i = 0; i < steps; ++i) {
      const double a = from + (to - from) * i / steps;
      const double b = from + (to - from) * (i + 1) / steps;
      const double middle = 0.5 * (a + b);
      const double along = (b - a) * (1.0 + tube_.radius.at(middle) * tube_.path.curvature(middle));
      sum += std::hypot(along, tube_.radius.at(b) - tube_.radius.at(a));
    }
    return sum;
  }

  void cap(double station, bool growing) {
    const double radius = tube_.radius.at(station);
    const int steps = std::max(1, static_cast<int>(std::lround(radius / edge_mm_)));
    for (int i = 0; i < steps; ++i) {
      const double share = static_cast<double>(growing ? i : steps - 1 - i) / steps;
      add_ring(station, radius * share, kLeastSidesInCap);
    }
  }

  void add_ring(double station, double radius, int least_sides) {
    Ring ring;
    ring.first = static_cast<int>(mesh_.vertices.size());
    ring.count = radius > 0.0 ? sides_for(radius, least_sides) : 1;
    ring.turned_rad = ring_number_++ % 2 == 0 ? 0.0 : std::numbers::pi / ring.count;
    const Eigen::Isometry3d X = tube_.path.pose(station);
    for (int k = 0; k < ring.count; ++k) {
      const double a = angle(ring, k);
      mesh_.vertices.push_back(X * Vector3d(radius * std::cos(a), radius * std::sin(a), 0.0));
    }
    if (ring.first > 0) zip(last_, ring);
    last_ = ring;
  }

  static double angle(const Ring& ring, int k) {
    return ring.turned_rad + 2.0 * std::numbers::pi * k / ring.count;
  }
  static int vertex(const Ring& ring, int k) { return ring.first + k % ring.count; }

  /// Triangles between ring a and the next ring b: always step on the ring whose next side's middle comes
  /// first.
  void zip(const Ring& a, const Ring& b) {
    const int steps_a = a.count > 1 ? a.count : 0;
    const int steps_b = b.count > 1 ? b.count : 0;
    int i = 0;
    int j = 0;
    while (i < steps_a || j < steps_b) {
      const double middle_a = angle(a, i) + angle(a, i + 1);
      const double middle_b = angle(b, j) + angle(b, j + 1);
      if (j == steps_b || (i < steps_a && middle_a <= middle_b)) {
        mesh_.triangles.push_back({vertex(a, i), vertex(a, i + 1), vertex(b, j)});
        ++i;
      } else {
        mesh_.triangles.push_back({vertex(a, i), vertex(b, j + 1), vertex(b, j)});
        ++j;
      }
    }
  }

  const TubeTree::Tube& tube_;
  double edge_mm_;
  int sides_;
  int ring_number_ = 0;
  Ring last_;
  TriangleMesh mesh_;
};

}  // namespace

TriangleMesh sweep_tube(const TubeTree::Tube& tube, double edge_length_mm, int sides) {
  return Sweep(tube, edge_length_mm, sides).make();
}

}  // namespace withy
