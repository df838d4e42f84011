// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/distance_field.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "tests/support/tube.h"

using namespace withy;
using Catch::Matchers::WithinAbs;

namespace {

constexpr double kHalf_mm = 5.0;
constexpr double kLength_mm = 30.0;

/// A square channel |x|, |y| < 5, 0 < z < 30, its mouth at z = 0 the opening.
std::shared_ptr<const Channel> square_channel() {
  auto channel = std::make_shared<Channel>();
  TriangleMesh& mesh = channel->mesh_E;
  for (const double z : {0.0, kLength_mm})
    for (const auto& [x, y] : {std::pair{-1.0, -1.0}, {1.0, -1.0}, {1.0, 1.0}, {-1.0, 1.0}})
      mesh.vertices.emplace_back(kHalf_mm * x, kHalf_mm * y, z);
  const auto face = [&](std::array<int, 4> v, FaceRole role) {
    mesh.triangles.push_back({v[0], v[1], v[2]});
    mesh.triangles.push_back({v[0], v[2], v[3]});
    channel->role.insert(channel->role.end(), 2, role);
  };
  face({3, 2, 1, 0}, FaceRole::entry_opening);
  face({4, 5, 6, 7}, FaceRole::wall);
  for (int i = 0; i < 4; ++i) face({i, (i + 1) % 4, (i + 1) % 4 + 4, i + 4}, FaceRole::wall);
  Opening mouth;
  mouth.centre_E = Eigen::Vector3d::Zero();
  mouth.radius_mm = 20.0 / EIGEN_PI;
  mouth.boundary_edges = 4;
  mouth.is_entry = true;
  channel->openings.push_back(mouth);
  channel->entry.opening_radius_mm = 8.0;
  return channel;
}

/// D inside the square channel, in closed form: the nearest of five planes.
double square_distance(const Eigen::Vector3d& p) {
  return std::min({kHalf_mm - std::abs(p.x()), kHalf_mm - std::abs(p.y()), kLength_mm - p.z()});
}

std::shared_ptr<const DistanceField> field_of(std::shared_ptr<const Channel> channel, double spacing_mm,
                                              double band_mm = kDefaultBand_mm) {
  return DistanceField::make(std::make_shared<const WallDistance>(std::move(channel)), spacing_mm, band_mm);
}

}  // namespace

TEST_CASE("In a square channel the field brackets the closed form, and closely") {
  const double h = 0.25;
  const auto field = field_of(square_channel(), h);
  const std::uint32_t seed = 20;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> across(-kHalf_mm, kHalf_mm);
  std::uniform_real_distribution<double> along(0.0, kLength_mm);
  for (int i = 0; i < 10000; ++i) {
    const Eigen::Vector3d p(across(random), across(random), along(random));
    const double exact = square_distance(p);
    const DistanceField::Bracket found = field->at(p);
    CAPTURE(p.transpose(), exact);
    REQUIRE(found.lower <= exact);
    REQUIRE(found.upper >= exact);
    // The corners' faces are the true nearest ones: the channel has only five planes.
    REQUIRE_THAT(found.upper, WithinAbs(exact, 0.25 * h));
    // d is linear about p unless two planes are within a cell's diagonal of being equally near; then the
    // lower bound loses (d^2 of the corners being exact) at most s^2 <= 3 h^2 / 4 of the square.
    std::array<double, 3> planes = {kHalf_mm - std::abs(p.x()), kHalf_mm - std::abs(p.y()),
                                    kLength_mm - p.z()};
    std::sort(planes.begin(), planes.end());
    if (planes[1] - planes[0] < 2.0 * h || exact < h) continue;
    REQUIRE(found.lower >= std::sqrt(exact * exact - 0.75 * h * h - 0.01));
  }
}

TEST_CASE("On a node inside the field is exact but for its rounding to steps") {
  const auto field = field_of(square_channel(), 0.5);
  const FieldView& view = field->view();
  for (int k = 1; k < 40; k += 3)
    for (int i = 20; i < 34; i += 3) {
      const Eigen::Vector3d p(static_cast<double>(view.origin[0]) + 0.5 * i,
                              static_cast<double>(view.origin[1]) + 0.5 * 25, 0.5 * k);
      const double exact = square_distance(p);
      if (exact < 0.1) continue;
      CAPTURE(p.transpose(), exact);
      // One step of the square is view.square_step, so of the distance step / (2 d).
      REQUIRE_THAT(field->lower(p), WithinAbs(exact, static_cast<double>(view.square_step) / exact));
    }
}

TEST_CASE("A point behind the entry plane is answered for its projection") {
  const auto field = field_of(square_channel(), 0.25);
  const Eigen::Vector3d behind(1.0, 2.0, -3.0);
  const Eigen::Vector3d on(1.0, 2.0, 0.0);
  CHECK(field->at(behind).lower == field->at(on).lower);
  CHECK(field->at(behind).upper == field->at(on).upper);
  CHECK(field->lower(on) <= 3.0);
  CHECK(field->lower(on) >= 2.9);
}

TEST_CASE("The opening is no wall: on the axis the sides are nearest at the mouth") {
  const auto field = field_of(square_channel(), 0.25);
  const double lower = field->lower({0.0, 0.0, 0.1});
  CHECK(lower <= 5.0);
  CHECK(lower >= 4.9);
}

TEST_CASE("Outside nothing is ever said to be inside") {
  const auto field = field_of(square_channel(), 0.25);
  for (const Eigen::Vector3d& p :
       {Eigen::Vector3d(5.1, 0.0, 10.0), Eigen::Vector3d(6.0, 6.0, 10.0), Eigen::Vector3d(0.0, 0.0, 30.5),
        Eigen::Vector3d(0.0, 0.0, 500.0), Eigen::Vector3d(-900.0, 0.0, 5.0)}) {
    CAPTURE(p.transpose());
    CHECK(field->lower(p) < 0.0);
    CHECK(field->at(p).upper < 0.25);
  }
  // Half a mm outside, with every corner of its cell outside: the sign is proved.
  CHECK(field->at({5.6, 0.3, 10.1}).upper < 0.0);
}

TEST_CASE("Distances past the band are cut off from below and unbounded from above") {
  const auto field = field_of(square_channel(), 0.25, 3.0);
  const DistanceField::Bracket middle = field->at({0.0, 0.0, 15.0});
  CHECK(middle.lower <= 3.0);
  CHECK(middle.lower >= 2.95);
  CHECK(middle.upper >= 5.0);
}

TEST_CASE("Memory follows the lumen and the spacing, not the triangles") {
  testing::TubeShape shape;
  shape.length_mm = 40.0;
  const auto coarse = field_of(make_tube(shape, 2000), 0.5);
  const auto fine = field_of(make_tube(shape, 50000), 0.5);
  const double ratio = static_cast<double>(fine->bytes()) / static_cast<double>(coarse->bytes());
  CHECK(ratio > 0.9);
  CHECK(ratio < 1.1);
  const auto halved = field_of(make_tube(shape, 2000), 0.25);
  // Blocks at the wall are partly outside, so that the count grows by somewhat less than 8.
  CHECK(static_cast<double>(halved->blocks()) > 4.0 * static_cast<double>(coarse->blocks()));
  CHECK(static_cast<double>(halved->blocks()) < 8.5 * static_cast<double>(coarse->blocks()));
}

TEST_CASE("A lumen narrower than a block is found all the same") {
  testing::TubeShape shape;
  shape.length_mm = 30.0;
  shape.radius_mm = 0.7;
  const auto field = field_of(make_tube(shape, 3000), 0.25);
  const auto& wall = field->exact();
  for (double s = 0.5; s < 29.0; s += 0.5) {
    const Eigen::Vector3d p = tube_middle(shape, s);
    CAPTURE(s);
    const double exact = wall.signed_distance(p);
    REQUIRE(exact > 0.6);
    CHECK(field->lower(p) <= exact);
    CHECK(field->lower(p) > 0.4);
  }
}

TEST_CASE("Next to an open outlet the field says that it does not know") {
  testing::TubeShape shape;
  shape.length_mm = 30.0;
  shape.bend_rad = 0.0;
  shape.far_end = Outlets::open;
  const auto field = field_of(make_tube(shape, 2000), 0.25);
  REQUIRE(field->has_passages());
  CHECK(field->lower({0.0, 0.0, 29.8}) == -kInfinity);
  CHECK(field->lower({0.0, 0.0, 30.2}) == -kInfinity);
  CHECK(field->lower({0.0, 0.0, 28.0}) > 5.0);
  CHECK_THAT(field->passage_distance({0.0, 0.0, 28.0}, 10.0), WithinAbs(2.0, 1e-3));
  CHECK(field->passage_distance({0.0, 0.0, 28.0}, 10.0) <= 2.0);
  CHECK(field->passage_distance({0.0, 0.0, 10.0}, 5.0) == 5.0);
}

TEST_CASE("Distance to a triangle agrees with a search over its points") {
  // Brute force: the least over a fine net of barycentric coordinates, plus corners and edges.
  const std::uint32_t seed = 7;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> any(-2.0, 2.0);
  const auto point = [&] { return Eigen::Vector3d(any(random), any(random), any(random)); };
  for (int i = 0; i < 200; ++i) {
    const Eigen::Vector3d p = point();
    const Eigen::Vector3d a = point();
    const Eigen::Vector3d b = point();
    const Eigen::Vector3d c = point();
    double least2 = kInfinity;
    constexpr int kNet = 200;
    for (int u = 0; u <= kNet; ++u)
      for (int v = 0; u + v <= kNet; ++v)
        least2 = std::min(least2, (a + (b - a) * u / kNet + (c - a) * v / kNet - p).squaredNorm());
    const double found = std::sqrt(squared_distance_to_triangle(p, a, b, c));
    CHECK(found <= std::sqrt(least2) + 1e-12);
    // The net's points are at most an edge's 1/200 apart.
    CHECK(found >= std::sqrt(least2) - 7.0 / kNet);
  }
}
