// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of all states of a box against states drawn from it, with the plain implementation's pulls.
#include "planner/segment/disk_bounds.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "planner/segment/tendons.h"
#include "tests/support/plain_segment.h"
#include "tests/support/random_states.h"

namespace {

using namespace withy;

struct Trial {
  Design design;
  withy_plain::Robot robot;
  std::vector<RegionCurvature> regions;
  Interval insertion_mm;
};

class Trials : public withy_test::RandomNumbers {
 public:
  using RandomNumbers::RandomNumbers;

  Trial next(double size) {
    DesignParts parts;
    const bool guide = one_in(2);
    parts.segment = {100, 1.5, one_in(2) ? 0.0 : between(0, 8), 0.04, 900};
    parts.lock = LockHardware{between(1, 12), 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
    parts.layout.station_mm = {between(15, 35), between(50, 75)};
    parts.layout.clock_rad = {0, 0};
    TendonHardware tendons;
    // Some so far out that a bend folds the tendon back on itself.
    tendons.radius_mm = one_in(8) ? between(10, 60) : between(0.5, 3);
    tendons.angle_rad = {between(0, 6), 1.0};
    tendons.disk_spacing_mm = one_in(4) ? between(30, 120) : between(2, 20);
    tendons.stroke_max_mm = 8;
    tendons.tension_max_N = 15;
    tendons.tension_min_N = 0.2;
    parts.tendons = tendons;
    parts.carriage = {guide ? CarriageKind::guide : CarriageKind::free, 160};
    std::vector<RegionCurvature> regions;
    double from = 0;
    for (const double to : {parts.layout.station_mm[0], parts.layout.station_mm[1], 100.0}) {
      const double off = between(0, 0.03 * size);
      regions.push_back({from, to, off + between(0, 0.05), off});
      from = to;
    }
    const double insertion = between(5, 140);
    const Design design = Design::make(parts).value();
    return {design, withy_test::plain_robot(design), regions, {insertion, insertion + between(0, 20 * size)}};
  }

  /// A curvature within a region's bounds, given that of the state to compare with.
  Eigen::Vector2d near(const RegionCurvature& region, const Eigen::Vector2d& middle) {
    // On the edge as often as not.
    return middle + on_circle(region.off_per_mm * (one_in(2) ? 1.0 : between(0, 1)));
  }
};

}  // namespace

TEST_CASE("no state of a box draws a tendon through disks by more or less than the bounds of the box say") {
  const unsigned seed = 174;
  CAPTURE(seed);
  Trials trials(seed);
  int sharp = 0;
  for (int i = 0; i < 3000; ++i) {
    const Trial t = trials.next(std::pow(10.0, trials.between(-4, 0)));
    const double length = 100.0;
    const auto exposed = [&](double d) { return t.robot.scene.guide ? std::max(0.0, length - d) : 0.0; };
    const auto disks = disk_stations(length, t.design.tendons()->disk_spacing_mm);
    const DiskBounds bounds =
        disk_bounds(t.design, disks, t.regions, {exposed(t.insertion_mm.hi), exposed(t.insertion_mm.lo)});
    withy_plain::State middle{0.5 * (t.insertion_mm.lo + t.insertion_mm.hi), {true, true}, {}};
    for (const RegionCurvature& r : t.regions)
      middle.regions.push_back({r.from_mm, r.to_mm, trials.on_circle(r.largest_per_mm - r.off_per_mm)});
    const double at_middle = withy_plain::pulls(t.robot, middle)[0];
    withy_plain::Robot continuous = t.robot;
    continuous.scene.tendons->disk_spacing_mm = 0;
    for (int sample = 0; sample < 8; ++sample) {
      withy_plain::State state = middle;
      const double part = sample % 3 == 0 ? 0.0 : sample % 3 == 1 ? 1.0 : trials.between(0, 1);
      state.insertion_mm = t.insertion_mm.lo + part * (t.insertion_mm.hi - t.insertion_mm.lo);
      for (std::size_t r = 0; r < state.regions.size(); ++r)
        state.regions[r].u = trials.near(t.regions[r], middle.regions[r].u);
      const double pull = withy_plain::pulls(t.robot, state)[0];
      const double beyond = pull - withy_plain::pulls(continuous, state)[0];
      CAPTURE(i, sample, t.design.tendons()->disk_spacing_mm, t.design.tendons()->radius_mm);
      CHECK(beyond >= bounds.beyond_continuous.lo - 1e-10);
      CHECK(beyond <= bounds.beyond_continuous.hi + 1e-10);
      CHECK(std::abs(pull - at_middle) <= bounds.off + 1e-10);
      // Neither bound is empty talk.
      if (beyond > 0.3 * bounds.beyond_continuous.hi && std::abs(pull - at_middle) > 0.1 * bounds.off)
        ++sharp;
    }
  }
  CHECK(sharp > 200);
}

TEST_CASE(
    "the bounds about a state are nothing for a box of one state, those about continuous routing a chord's") {
  DesignParts parts;
  parts.segment = {100, 1.5, 0, 0.04, 900};
  parts.tendons = TendonHardware{1.2, {0.0, M_PI}, 10, 8, 0.2, 15, 0.1, Motors::ride};
  parts.carriage = {CarriageKind::free, 160};
  const Design design = Design::make(parts).value();
  const DiskBounds bounds = disk_bounds(design, disk_stations(100, 10), {{0, 100, 0.02, 0.0}}, {0, 0});
  CHECK(bounds.off == 0.0);
  CHECK(bounds.beyond_continuous.lo == 0.0);
  // Ten gaps, each (1 + r kappa) (h - 2 sin(kappa h / 2) / kappa).
  const double one = 1.024 * (10 - 100 * std::sin(0.1));
  CHECK_THAT(bounds.beyond_continuous.hi, Catch::Matchers::WithinAbs(10 * one, 1e-12));
}
