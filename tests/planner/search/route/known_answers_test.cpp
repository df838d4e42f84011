// SPDX-License-Identifier: GPL-3.0-or-later
// Channels whose answer is known by construction: the verdict flips where the lumen is as wide as what has to
// pass, and nowhere is it wrong.
//
// Each route has a stretch of lumen of radius a that a ball of radius rho (the body's, or the lock's where a
// lock has to pass) has to go through with clearance c. For a < rho + c no state there is legal, since no
// point of the lumen is farther than a from its wall; the target beyond is unreachable. For a >= rho + c the
// route stated beside each case is legal: its centreline is the lumen's own. A mesh's facets cut into the
// lumen and leave it by what the channel maker measures, so a is known to that.
#include <algorithm>
#include <cmath>

#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

// A bound on the work, so that a search that gets worse fails and does not hang.
constexpr std::int64_t kMostWork = 20000000;
constexpr double kEdge = 0.3;

/// The verdict for a lumen whose radius is the critical one and `offset`.
void check_verdict(const SearchProblem& asked, double offset, const Tube& channel) {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(kMostWork);
  RouteSearch search(asked, settings);
  const SearchOutcome outcome = search.run(asked.goal);
  CAPTURE(offset, search.work(), channel.facets_inside_mm, channel.facets_outside_mm);
  REQUIRE(std::abs(offset) > std::max(channel.facets_inside_mm, channel.facets_outside_mm));
  CHECK(outcome == (offset < 0.0 ? SearchOutcome::proved_none : SearchOutcome::found));
}

}  // namespace

TEST_CASE("A straight tube lets the body through from its own radius and clearance on") {
  // Route: advance.
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide})
    for (const double offset : {-0.40, -0.20, -0.10, -0.05, 0.05, 0.10, 0.20, 0.40}) {
      CAPTURE(carriage == CarriageKind::guide);
      const Tube channel =
          tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, kRadius + kRequired + offset}}, kEdge);
      check_verdict(question(segment({carriage}), channel, {0.0, 0.0, 40.0}), offset, channel);
    }
}

TEST_CASE("A tube along a circle lets a guided body of the same curvature through from its own radius on") {
  // Route: bend to the circle's curvature at insertion 0, where nothing is out; advance along it.
  const double kappa = 0.02;
  const double s = 30.0;
  const Eigen::Vector3d target((1.0 - std::cos(kappa * s)) / kappa, 0.0, std::sin(kappa * s) / kappa);
  SegmentMakeup makeup{CarriageKind::guide};
  makeup.tip_rigid = 0.0;
  for (const double offset : {-0.40, -0.20, -0.10, -0.05, 0.05, 0.10, 0.20, 0.40}) {
    const Tube channel =
        tube({{40.0, Eigen::Vector2d(kappa, 0.0)}}, {{0.0, kRadius + kRequired + offset}}, kEdge);
    check_verdict(question(segment(makeup), channel, target, 0.5), offset, channel);
  }
}

TEST_CASE("A narrow tube before a chamber lets a lock through from the lock's radius on") {
  // The target stands 11 mm beside the axis in a chamber behind a straight tube of 20 mm. Only what is past
  // the tube can bend, so the free region has to start there: the lock at 30 mm goes through. Route: lock
  // straight, advance to 54 mm, bend: 26 mm of arc at 0.03 per mm and the rigid tip's 2 mm.
  const double lock_radius = 1.8;
  const double kappa = 0.03;
  const double turn = kappa * 26.0;
  const Eigen::Vector3d target((1.0 - std::cos(turn)) / kappa + 2.0 * std::sin(turn), 0.0,
                               54.0 - 30.0 + 2.0 + std::sin(turn) / kappa + 2.0 * std::cos(turn));
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide})
    for (const double pitch : {0.5, 0.0})
      for (const double offset : {-0.40, -0.20, -0.05, 0.05, 0.10, 0.20, 0.40}) {
        // A proof over every friction bend takes half a minute: two of them are enough.
        if (pitch == 0.0 && (offset == -0.40 || (offset == -0.20 && carriage == CarriageKind::free)))
          continue;
        CAPTURE(carriage == CarriageKind::guide, pitch);
        const double a = lock_radius + kRequired + offset;
        const Tube channel =
            tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, a}, {20.0, a}, {24.0, 15.0}, {70.0, 15.0}}, kEdge);
        SegmentMakeup makeup{carriage, {30.0}, pitch};
        makeup.lock_radius = lock_radius;
        check_verdict(question(segment(makeup), channel, target), offset, channel);
      }
}
