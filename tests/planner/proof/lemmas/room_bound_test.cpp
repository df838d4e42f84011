// SPDX-License-Identifier: GPL-3.0-or-later
// The most room near a point, against the exact distance (CGAL) of points drawn there, and in a round tube,
// whose middle line has the most room: its radius.
#include "planner/proof/lemmas/room_bound.h"

#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "tests/support/tube.h"

using namespace withy;
using testing::TubeShape;

namespace {

std::shared_ptr<const DistanceField> field_of(const TubeShape& shape, int triangles) {
  return DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, triangles)), 0.25);
}

}  // namespace

TEST_CASE(
    "No point near has more room than the bound says, be the wall rough, the end open or the point outside") {
  const std::uint32_t seed = 71;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  for (const TubeShape& shape :
       {TubeShape{.length_mm = 30.0, .radius_mm = 2.0, .bend_rad = 0.6, .roughness_mm = 0.2},
        TubeShape{.length_mm = 20.0, .radius_mm = 1.5, .bend_rad = 0.2, .far_end = Outlets::open}}) {
    const auto field = field_of(shape, 1500);
    RoomBound room(field, {1.0, 1.7, 2.1, 5.0});
    int bounded = 0;
    for (int i = 0; i < 1000; ++i) {
      const double s = shape.length_mm * std::abs(uniform(random));
      const Eigen::Vector3d p =
          tube_middle(shape, s) + 3.0 * Eigen::Vector3d(uniform(random), uniform(random), uniform(random));
      if (p.z() <= 0.0) continue;
      const double reach = std::pow(10.0, uniform(random)) * 0.6;
      const double most = room.most_within({p, reach}).value;
      bounded += most < kInfinity ? 1 : 0;
      for (int k = 0; k < 20; ++k) {
        Eigen::Vector3d off(uniform(random), uniform(random), uniform(random));
        if (off.norm() > 1.0) off.normalize();
        const Eigen::Vector3d y = p + reach * off;
        if (y.z() <= 0.0) continue;
        CAPTURE(i, p.transpose(), reach, y.transpose());
        REQUIRE(field->exact().signed_distance(y) <= most);
      }
    }
    CHECK(bounded > 500);
  }
}

TEST_CASE("In a round tube the most room near any point of it is the tube's radius, however far near is") {
  const TubeShape shape{.length_mm = 40.0, .radius_mm = 2.0, .bend_rad = 0.0};
  RoomBound room(field_of(shape, 20000), {1.0, 1.97, 2.03, 5.0});
  for (const double reach : {0.1, 0.7, 1.5, 3.0, 6.0, 12.0}) {
    const double most = room.most_within({{0.3, -0.8, 20.0}, reach + 1.0}).value;
    CAPTURE(reach, most);
    CHECK(most >= 1.98);  // what 20,000 facets cut off, and more
    CHECK(most < 2.03);
  }
  CHECK(room.most_within({{0.0, 0.0, 20.0}, 40.0}).value == kInfinity);  // too far to tell
}

TEST_CASE("Room of more than enough is not told apart") {
  const TubeShape shape{.length_mm = 40.0, .radius_mm = 2.0, .bend_rad = 0.0};
  RoomBound room(field_of(shape, 2000), {1.5});
  CHECK(room.most_within({{0.0, 0.0, 20.0}, 1.0}).value == kInfinity);
  CHECK(room.most_within({{4.5, 0.0, 20.0}, 0.5}).value < 1.5);
}
