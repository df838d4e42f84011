// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 24: the tip's ball, held against tubes whose throat is known, and against walks of a ball on a fine
// grid by the exact distance (CGAL).
#include "planner/proof/relaxations/tip_passage.h"

#include <array>
#include <cmath>
#include <deque>
#include <memory>
#include <random>
#include <set>

#include <catch2/catch.hpp>

#include "tests/support/tube.h"

using namespace withy;
using withy::testing::TubeShape;

namespace {

constexpr std::int64_t kManyCubes = 200000;

std::shared_ptr<const DistanceField> field_of(const TubeShape& shape, int triangles) {
  return DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, triangles)), 0.25);
}

/// Does a ball get from the entry plane into the target's ball over nodes `step` apart with so much room that
/// all between them has room too? (D changes no faster than the place: half a step each way along a straight
/// line inside.)
bool walks_there(const WallDistance& wall, const TipBall& ball, double step) {
  const double need = ball.radius_mm + ball.clearance_mm + 0.5 * step * std::sqrt(3.0);
  using Node = std::array<int, 3>;
  const auto place = [&](const Node& n) -> Eigen::Vector3d {
    return {n[0] * step, n[1] * step, n[2] * step};
  };
  std::set<Node> met;
  std::deque<Node> open;
  const auto meet = [&](const Node& n) {
    if (n[2] < 0 || !met.insert(n).second) return;
    if (wall.signed_distance(place(n)) >= need) open.push_back(n);
  };
  for (int x = -20; x <= 20; ++x)
    for (int y = -20; y <= 20; ++y) meet({x, y, 0});
  while (!open.empty()) {
    const Node at = open.front();
    open.pop_front();
    if ((place(at) - ball.target_E).norm() <= ball.tolerance_mm) return true;
    for (int k = 0; k < 3; ++k)
      for (const int by : {-1, 1}) {
        Node next = at;
        next[static_cast<std::size_t>(k)] += by;
        meet(next);
      }
  }
  return false;
}

}  // namespace

TEST_CASE("A straight tube as wide as the tip lets it through, a narrower one does not") {
  // The middle line of a tube of radius a has room a, and nothing has more.
  for (const double offset : {-0.3, -0.1, 0.1, 0.3}) {
    const double a = 2.0;
    const auto field = field_of({.length_mm = 30.0, .radius_mm = a, .bend_rad = 0.0}, 6000);
    const TipBall ball{a - offset - 0.2, 0.2, {0.0, 0.0, 20.0}, 1.0};
    CAPTURE(offset);
    const TipPassage passage = tip_passage(field, ball, kManyCubes);
    CHECK(passage.sealed == (offset < 0.0));
    CHECK(passage.no_room == (offset < 0.0));
  }
}

TEST_CASE("Nothing is proved of a target that may be on the entry plane, or within too few cubes") {
  const auto field = field_of({.length_mm = 30.0, .radius_mm = 2.0, .bend_rad = 0.0}, 2000);
  CHECK_FALSE(tip_passage(field, {3.0, 0.2, {0.0, 0.0, 0.9}, 1.0}, kManyCubes).sealed);
  CHECK(tip_passage(field, {3.0, 0.2, {0.0, 0.0, 2.0}, 1.0}, kManyCubes).sealed);
  const TipPassage few = tip_passage(field, {3.0, 0.2, {0.0, 0.0, 1e3}, 900.0}, 1000);
  CHECK_FALSE(few.sealed);
  CHECK_FALSE(few.no_room);
  CHECK(few.cubes <= 1001);
}

TEST_CASE(
    "Where a ball walks to the target it is not sealed off, however the lumen narrows, closed or open at the "
    "end") {
  const std::uint32_t seed = 2311;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  int sealed = 0;
  int walked = 0;
  for (int i = 0; i < 24; ++i) {
    TubeShape shape{.length_mm = 36.0, .radius_mm = 2.0 + uniform(random), .bend_rad = 1.2 * uniform(random)};
    shape.waist_mm = 1.2 * uniform(random);
    shape.roughness_mm = 0.3 * uniform(random);
    shape.seed = static_cast<std::uint32_t>(i);
    shape.far_end = i % 3 == 0 ? Outlets::open : Outlets::closed;
    const auto field = field_of(shape, 2500);
    const double s = 10.0 + 22.0 * uniform(random);
    const TipBall ball{0.8 + 1.4 * uniform(random), 0.2, tube_middle(shape, s), 0.5 + uniform(random)};
    const TipPassage passage = tip_passage(field, ball, kManyCubes);
    const bool walks = walks_there(field->exact(), ball, 0.25);
    CAPTURE(i, ball.radius_mm, s, shape.waist_mm);
    CHECK_FALSE((passage.sealed && walks));
    sealed += passage.sealed ? 1 : 0;
    walked += walks ? 1 : 0;
  }
  CAPTURE(sealed, walked);
  CHECK(sealed >= 3);
  CHECK(walked >= 3);
}

TEST_CASE("Every place that a ball walks to lies in one of the cubes that hold the tip's places") {
  const std::uint32_t seed = 24;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  for (int k = 0; k < 6; ++k) {
    const TubeShape shape{.length_mm = 40.0,
                          .radius_mm = 4.0,
                          .bend_rad = 0.8 * share(random),
                          .waist_mm = 1.5 * share(random),
                          .roughness_mm = 0.3 * share(random),
                          .seed = seed + static_cast<std::uint32_t>(k)};
    const auto tube = make_tube(shape, 3000);
    const auto wall = std::make_shared<const WallDistance>(tube);
    const auto field = DistanceField::make(wall, 0.25);
    const TipBall ball{1.0 + share(random), 0.2, {}, 0.0};
    Eigen::AlignedBox3d box;
    for (const Eigen::Vector3d& p : tube->mesh_E.vertices) box.extend(p);
    const TipBounds bounds{10.0 + 10.0 * share(random), 15.0 + 20.0 * share(random)};
    const auto places = tip_places(field, ball, bounds, box, kManyCubes);
    REQUIRE(places);
    CHECK_FALSE(tip_places(field, ball, bounds, box, 3));
    std::set<std::array<long, 3>> held;
    for (const Eigen::Vector3d& middle : *places)
      held.insert(
          {std::lround(middle.x() - 0.5), std::lround(middle.y() - 0.5), std::lround(middle.z() - 0.5)});
    // A walk over nodes half a millimetre apart, as above, within the bounds.
    const double step = 0.5, need = ball.radius_mm + ball.clearance_mm;
    std::set<std::array<int, 3>> met;
    std::deque<std::array<int, 3>> open;
    const auto meet = [&](const std::array<int, 3>& n) {
      const Eigen::Vector3d p(n[0] * step, n[1] * step, n[2] * step);
      if (n[2] < 0 || p.head<2>().norm() > bounds.off_axis_mm || p.z() > bounds.deep_mm ||
          !met.insert(n).second)
        return;
      if (wall->signed_distance(p) < need + 0.5 * step * std::sqrt(3.0)) return;
      open.push_back(n);
      CHECK(held.count({static_cast<long>(std::floor(p.x())), static_cast<long>(std::floor(p.y())),
                        static_cast<long>(std::floor(p.z()))}) == 1);
    };
    for (int x = -12; x <= 12; ++x)
      for (int y = -12; y <= 12; ++y) meet({x, y, 0});
    while (!open.empty()) {
      const auto at = open.front();
      open.pop_front();
      for (int axis = 0; axis < 3; ++axis)
        for (const int by : {-1, 1}) {
          auto next = at;
          next[static_cast<std::size_t>(axis)] += by;
          meet(next);
        }
    }
    CHECK(met.size() > 10);
  }
}

TEST_CASE("No room at the target is told by its distance from the wall and the tolerance alone") {
  const WallDistance wall(
      withy::testing::make_tube({.length_mm = 30.0, .radius_mm = 2.0, .bend_rad = 0.0}, 2000));
  CHECK(no_room_at_target(wall, {3.5, 0.2, {0.0, 0.0, 15.0}, 1.0}));
  CHECK_FALSE(no_room_at_target(wall, {1.5, 0.2, {0.0, 0.0, 15.0}, 1.0}));
  CHECK_FALSE(
      no_room_at_target(wall, {3.5, 0.2, {0.0, 0.0, 0.5}, 1.0}));  // the tip may be before the entry plane
}
