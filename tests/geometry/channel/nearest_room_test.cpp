// SPDX-License-Identifier: GPL-3.0-or-later
// The nearest place with room against closed forms of a straight tube and of a ball, brute force over a grid,
// and where there is no such place.
#include "geometry/channel/nearest_room.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "tests/support/tube.h"

namespace withy {
namespace {

using Eigen::Vector3d;

TEST_CASE("a point however far is answered with the nearest place that has the room") {
  testing::TubeShape shape;
  shape.bend_rad = 0.0;  // 150 mm along z, radius 6
  const auto channel = testing::make_tube(shape, 20000);
  const WallDistance wall(channel);
  for (const double far : {7.0, 95.0, 5000.0}) {
    CAPTURE(far);
    const auto near = nearest_room(wall, Vector3d(far, 0.0, 75.0), 1.7);
    REQUIRE(near);
    CHECK(near->kind == RoomyPlace::Kind::nearest);
    CHECK(near->room_mm >= 1.7);
    CHECK(wall.inside(near->place_E));
    // Less than the radius by the chords' height, and a step.
    CHECK(near->place_E.x() == Approx(4.3).margin(kNearestStep_mm + 0.05));
  }
}

TEST_CASE("a place so deep at least is the nearest of those") {
  testing::TubeShape shape;
  shape.bend_rad = 0.0;
  const WallDistance wall(testing::make_tube(shape, 20000));
  // Straight ahead there is room.
  const auto ahead = nearest_room(wall, Vector3d(1.0, 2.0, -3.0), 1.7, 2.5);
  REQUIRE(ahead);
  CHECK(ahead->kind == RoomyPlace::Kind::nearest);
  CHECK((ahead->place_E - Vector3d(1.0, 2.0, 2.5)).norm() < 1e-12);
  // Straight ahead is outside: 4.3 mm from the middle, less the chords' height, at that depth.
  const auto beside = nearest_room(wall, Vector3d(9.0, 0.0, 0.0), 1.7, 2.5);
  REQUIRE(beside);
  CHECK(beside->place_E.z() >= 2.5);
  CHECK((beside->place_E - Vector3d(4.3, 0.0, 2.5)).norm() < 0.9);
  CHECK_FALSE(nearest_room(wall, Vector3d(0.0, 0.0, 0.0), 1.7, 200.0));
}

TEST_CASE("no place on a grid over a bent tube is nearer by more than a step") {
  testing::TubeShape shape;
  shape.waist_mm = 2.0;
  const auto channel = testing::make_tube(shape, 20000);
  const WallDistance wall(channel);
  const unsigned seed = 20250;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> anywhere(-80.0, 160.0);
  for (int n = 0; n < 6; ++n) {
    const Vector3d p(anywhere(random), 0.5 * anywhere(random), anywhere(random));
    const double room = 1.0 + 0.5 * n;
    const auto near = nearest_room(wall, p, room);
    REQUIRE(near);
    CAPTURE(p.transpose(), room, near->room_mm);
    REQUIRE(near->kind == RoomyPlace::Kind::nearest);
    CHECK(near->room_mm >= room);
    double least = 1e9;
    for (double x = -10.0; x <= 100.0; x += 2.0)
      for (double y = -8.0; y <= 8.0; y += 2.0)
        for (double z = 0.0; z <= 140.0; z += 2.0) {
          const Vector3d q(x, y, z);
          if ((q - p).norm() < least && wall.distance(q) >= room && wall.inside(q)) least = (q - p).norm();
        }
    CHECK((near->place_E - p).norm() <= least + kNearestStep_mm);
  }
}

TEST_CASE("where no place has the room, or hardly one, the search ends with an answer") {
  testing::TubeShape shape;
  shape.bend_rad = 0.7;
  const auto channel = testing::make_tube(shape, 20000);
  const WallDistance wall(channel);
  const auto none = nearest_room(wall, Vector3d(900.0, -700.0, 400.0), 6.5);
  REQUIRE(none);
  CHECK(none->kind == RoomyPlace::Kind::widest);
  CHECK(none->room_mm == Approx(6.0).margin(0.06));
  CHECK(wall.inside(none->place_E));
  // As much room as there is on the middle line only, less a little for chords.
  const auto hardly = nearest_room(wall, Vector3d(900.0, -700.0, 400.0), none->room_mm - 1e-4);
  REQUIRE(hardly);
  CHECK(hardly->room_mm >= none->room_mm - 1e-4 - kRoomiestStep_mm);
  // With too few cubes to get to the nearest one, a place with the room is found all the same.
  const auto cut_short = nearest_room(wall, Vector3d(900.0, -700.0, 400.0), 4.0, 0.0, 5);
  REQUIRE(cut_short);
  CHECK(cut_short->kind == RoomyPlace::Kind::fits);
  CHECK(cut_short->room_mm >= 4.0);
  CHECK(wall.inside(cut_short->place_E));
}

}  // namespace
}  // namespace withy
