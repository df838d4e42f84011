// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 7, 12 and 13, of what distances say of points that move, against exact distances (CGAL) of points
// drawn within the reach: near open outlets, branches, an entry rim past the plane, and far outside.
#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/moved_distance.h"
#include "planner/proof/lemmas/outside_bound.h"
#include "planner/proof/lemmas/room_bound.h"
#include "tests/support/lemma_cases.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCases = 10000;
/// Of two exact distances.
constexpr double kRounding_mm = 1e-10;

/// A point of the channel's neighbourhood that moves by a hair, or by more than the lumen is wide.
MovedPoint random_moved_point(const LemmaChannel& channel, Random& random) {
  return {random_point(channel, random), 2.0 * channel.lumen_mm * std::exp2(-random.between(0.0, 12.0))};
}

/// Within the reach and past the entry plane; at the reach's rim half of the time.
Eigen::Vector3d place_of(const MovedPoint& p, Random& random) {
  for (;;) {
    const double share = random.below(2) == 0 ? 1.0 - 1e-12 : random.between(0.0, 1.0);
    const Eigen::Vector3d y = p.centre_E + share * p.reach_mm * random.direction();
    if (y.z() > 1e-9) return y;
  }
}

const LemmaChannel& any_channel(Random& random) {
  const auto& channels = lemma_channels();
  return channels[static_cast<std::size_t>(random.below(static_cast<int>(channels.size())))];
}

}  // namespace

TEST_CASE("lemma 7: the signed distance of a point that moves stays within its bounds") {
  const std::uint32_t seed = 611;
  INFO("seed " << seed);
  Random random(seed);
  int one_side = 0;
  int any_side = 0;
  int beyond = 0;
  double closest = kInfinity;
  for (int i = 0; i < kCases; ++i) {
    const LemmaChannel& channel = any_channel(random);
    MovedPoint p = random_moved_point(channel, random);
    // Half of the points of channels with passages next to one.
    while (i % 2 == 0 && channel.wall().has_passages() &&
           channel.wall().passage_distance(p.centre_E) > p.reach_mm)
      p = random_moved_point(channel, random);
    if (random.below(4) == 0) p.centre_E.z() = -random.between(0.0, 0.5) * p.reach_mm;  // behind the plane
    const DistanceField& field = *channel.distance->field();
    const auto side = OneSide::of(field, p);
    const Eigen::Vector3d projected(p.centre_E.x(), p.centre_E.y(), std::max(0.0, p.centre_E.z()));
    // Next to a passage the field may know nothing; the exact distance always does.
    const double at_centre = exact_distance(channel.wall(), projected);
    const double upper = upper_over(field, p, -kInfinity).value;
    const double upper_exact = upper_over(*channel.exact, p).value;
    ++(side ? one_side : any_side);
    for (int n = 0; n < 6; ++n) {
      const Eigen::Vector3d y = place_of(p, random);
      const double d = exact_distance(channel.wall(), y);
      CAPTURE(i, n, channel.name, p.centre_E.transpose(), p.reach_mm, y.transpose());
      if (side) {
        const double lower = side->lower({at_centre}).value;
        REQUIRE(d >= lower - kRounding_mm);
        if (p.reach_mm > 1e-3) closest = std::min(closest, (d - lower) / p.reach_mm);
      } else if (d < at_centre - p.reach_mm - kRounding_mm || d > at_centre + p.reach_mm + kRounding_mm) {
        ++beyond;
      }
      REQUIRE(d <= upper);
      if (p.surely_past_entry()) REQUIRE(d <= upper_exact);
    }
  }
  CHECK(one_side > 3000);
  CHECK(any_side > 2000);
  CHECK(beyond > 1000);  // what a passage may do to a signed distance that is taken for 1-Lipschitz
  CHECK(closest < 1e-3);
}

TEST_CASE("lemma 12: what lies outside is bounded from above wherever it moves") {
  const std::uint32_t seed = 612;
  INFO("seed " << seed);
  Random random(seed);
  int outside = 0;
  for (const LemmaChannel& channel : lemma_channels()) {
    OutsideBound bound(channel.distance->field_pointer());
    for (int i = 0; i < kCases / static_cast<int>(lemma_channels().size()); ++i) {
      MovedPoint p = random_moved_point(channel, random);
      p.reach_mm = std::min(p.reach_mm, 0.999 * p.centre_E.z());
      // Asked at the middle of a cube the bound has no allowance to hide rounding in.
      if (random.below(3) == 0)
        p.centre_E = p.centre_E.array().floor().matrix() + Eigen::Vector3d::Constant(0.5);
      const double upper = bound.upper_over(p).value;
      outside += upper < 0.0 ? 1 : 0;
      for (int n = 0; n < 6; ++n) {
        const Eigen::Vector3d y = place_of(p, random);
        CAPTURE(i, n, channel.name, p.centre_E.transpose(), p.reach_mm, y.transpose());
        REQUIRE(exact_distance(channel.wall(), y) <= upper);
      }
    }
  }
  CHECK(outside > 500);
}

TEST_CASE("lemma 13: no place that a point may move to has more room than is said") {
  const std::uint32_t seed = 613;
  INFO("seed " << seed);
  Random random(seed);
  int bounded = 0;
  for (const LemmaChannel& channel : lemma_channels()) {
    const double r = channel.lumen_mm;
    RoomBound bound(channel.distance->field_pointer(), {0.4 * r, 0.8 * r, 1.02 * r});
    for (int i = 0; i < kCases / static_cast<int>(lemma_channels().size()); ++i) {
      MovedPoint p = random_moved_point(channel, random);
      if (r > 10.0) p.reach_mm = std::min(p.reach_mm, 4.0);
      const double most = bound.most_within(p).value;
      bounded += most < kInfinity ? 1 : 0;
      for (int n = 0; n < 6; ++n) {
        const Eigen::Vector3d y = place_of(p, random);
        CAPTURE(i, n, channel.name, p.centre_E.transpose(), p.reach_mm, y.transpose());
        REQUIRE(exact_distance(channel.wall(), y) <= most);
      }
    }
  }
  CHECK(bounded > 5000);
}
