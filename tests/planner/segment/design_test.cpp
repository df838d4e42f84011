// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/design.h"

#include <cmath>
#include <limits>
#include <random>

#include <catch2/catch.hpp>

using namespace withy;
using Catch::Matchers::WithinAbs;

namespace {

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

/// A segment of 100 mm with two locks of 4 mm and a tip of 3 mm, and everything else a design can have.
DesignParts sound_parts() {
  DesignParts parts;
  parts.segment = {100.0, 1.5, 3.0, 0.04, 900.0};
  parts.lock = LockHardware{4.0, 1.8, 0.004, 0.0, 1.5, 0.01, 0.004, 60.0};
  parts.layout = {{33.0, 67.0}, {0.0, 1.0}};
  parts.latch = LatchHardware{0.5, 1.2, {0.7, 2.3, 3.9, 5.5}, 0.02, 0.02};
  parts.tendons = TendonHardware{1.2, {0.0, 1.6, 3.1, 4.7}, 0.0, 8.0, 0.2, 15.0, 0.1, Motors::ride};
  parts.carriage = {CarriageKind::free, 160.0};
  parts.field = FieldHardware{10.0, Eigen::Vector3d::Constant(1.8), Eigen::Matrix3d::Identity()};
  return parts;
}

struct BrokenCase {
  const char* what;
  DesignFault fault;
  const char* part;
  void (*break_it)(DesignParts&);
};

const BrokenCase kBroken[] = {
    {"a segment of no length", DesignFault::length, "segment.length_mm",
     [](DesignParts& p) { p.segment.length_mm = 0.0; }},
    {"a radius that is no number", DesignFault::length, "segment.radius_mm",
     [](DesignParts& p) { p.segment.radius_mm = kNaN; }},
    {"a tip as long as the segment", DesignFault::length, "segment.tip_rigid_mm",
     [](DesignParts& p) { p.segment.tip_rigid_mm = 100.0; }},
    {"a tip of negative length", DesignFault::length, "segment.tip_rigid_mm",
     [](DesignParts& p) { p.segment.tip_rigid_mm = -1.0; }},
    {"no curvature", DesignFault::length, "segment.curvature_max_per_mm",
     [](DesignParts& p) { p.segment.curvature_max_per_mm = 0.0; }},
    {"a bend tighter than the body is thick", DesignFault::length, "segment.curvature_max_per_mm",
     [](DesignParts& p) { p.segment.curvature_max_per_mm = 0.7; }},
    {"no rigidity", DesignFault::length, "segment.flexural_rigidity_Nmm2",
     [](DesignParts& p) { p.segment.flexural_rigidity_Nmm2 = 0.0; }},
    {"locks without hardware", DesignFault::lock_missing, "lock", [](DesignParts& p) { p.lock.reset(); }},
    {"nine locks", DesignFault::too_many_locks, "layout.station_mm",
     [](DesignParts& p) {
       p.layout.station_mm = {10, 20, 30, 40, 50, 60, 70, 80, 90};
       p.layout.clock_rad.assign(9, 0.0);
     }},
    {"a station on the base", DesignFault::station_order, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[0] = 0.0; }},
    {"a station on the tip", DesignFault::station_order, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[1] = 100.0; }},
    {"stations out of order", DesignFault::station_order, "layout.station_mm",
     [](DesignParts& p) {
       p.layout.station_mm = {67.0, 33.0};
     }},
    {"two locks in one place", DesignFault::station_order, "layout.station_mm",
     [](DesignParts& p) {
       p.layout.station_mm = {50.0, 50.0};
     }},
    {"a station that is no number", DesignFault::station_order, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[1] = kNaN; }},
    {"a lock body over the base", DesignFault::spans_overlap, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[0] = 1.9; }},
    {"lock bodies over each other", DesignFault::spans_overlap, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[1] = 36.9; }},
    {"a lock body over the tip span", DesignFault::spans_overlap, "layout.station_mm",
     [](DesignParts& p) { p.layout.station_mm[1] = 95.1; }},
    {"a clocking too few", DesignFault::clock_count, "layout.clock_deg",
     [](DesignParts& p) { p.layout.clock_rad.pop_back(); }},
    {"nothing that bends", DesignFault::no_flexible_length, "segment.length_mm",
     [](DesignParts& p) {
       p.lock->body_length_mm = 48.5;
       p.layout.station_mm = {24.25, 72.75};
     }},
    {"a lock without a magnet", DesignFault::hardware, "lock.magnet_Am2",
     [](DesignParts& p) { p.lock->magnet_Am2 = 0.0; }},
    {"a lock thinner than the segment", DesignFault::hardware, "lock.body_radius_mm",
     [](DesignParts& p) { p.lock->body_radius_mm = 1.4; }},
    {"a lock without a stroke", DesignFault::hardware, "lock.angle_latched_deg",
     [](DesignParts& p) { p.lock->angle_latched_rad = p.lock->angle_free_rad; }},
    {"notches without backbones", DesignFault::hardware, "latch.backbone_angles_deg",
     [](DesignParts& p) { p.latch->backbone_angle_rad.clear(); }},
    {"a window wider than the notches are apart", DesignFault::hardware, "latch.engage_window_mm",
     [](DesignParts& p) { p.latch->engage_window_mm = 0.26; }},
    {"a window wider than the play", DesignFault::hardware, "latch.engage_window_mm",
     [](DesignParts& p) { p.latch->backlash_mm = 0.019; }},
    {"a hunt that reaches the next notch", DesignFault::hardware, "latch.hunt_mm",
     [](DesignParts& p) { p.latch->hunt_mm = 0.23; }},
    {"a hunt of too many turns", DesignFault::hardware, "latch.hunt_mm",
     [](DesignParts& p) {
       p.latch->hunt_mm = 0.2;
       p.latch->engage_window_mm = 5e-4;
     }},
    {"a hunt without a notch", DesignFault::hardware, "latch.hunt_mm",
     [](DesignParts& p) {
       p.latch->hunt_mm = 0.1;
       p.latch->notch_pitch_mm = 0.0;
     }},
    {"a negative hunt", DesignFault::hardware, "latch.hunt_mm",
     [](DesignParts& p) { p.latch->hunt_mm = -0.1; }},
    {"one tendon", DesignFault::hardware, "tendons.angles_deg",
     [](DesignParts& p) { p.tendons->angle_rad = {0.0}; }},
    {"more pretension than the limit", DesignFault::hardware, "tendons.tension_max_N",
     [](DesignParts& p) { p.tendons->tension_max_N = 0.2; }},
    {"negative friction", DesignFault::hardware, "tendons.friction_coefficient",
     [](DesignParts& p) { p.tendons->friction_coefficient = -0.1; }},
    {"a carriage that goes nowhere", DesignFault::hardware, "carriage.insertion_max_mm",
     [](DesignParts& p) { p.carriage.insertion_max_mm = 0.0; }},
    {"a dead coil", DesignFault::hardware, "field.coil_mT_per_A",
     [](DesignParts& p) { p.field->coil_mT_per_A.y() = 0.0; }},
    {"skew coils", DesignFault::hardware, "field.coil_axes",
     [](DesignParts& p) { p.field->R_SC(0, 1) = 1e-3; }},
};

/// Is this station inside a rigid span? Straight from the parts.
bool is_rigid(const DesignParts& parts, double s) {
  for (const double station : parts.layout.station_mm)
    if (std::abs(s - station) <= parts.lock->body_length_mm / 2.0) return true;
  return s >= parts.segment.length_mm - parts.segment.tip_rigid_mm;
}

}  // namespace

TEST_CASE("sound parts make a design") {
  const auto design = Design::make(sound_parts());
  REQUIRE(design);
  CHECK(design_faults(sound_parts()).empty());
  CHECK(design->lock_count() == 2);
  // Spans by hand: 33 -+ 2, 67 -+ 2, the last 3 of 100.
  REQUIRE(design->rigid_spans().size() == 3);
  CHECK(design->rigid_spans()[0].from_mm == 31.0);
  CHECK(design->rigid_spans()[0].to_mm == 35.0);
  CHECK(design->rigid_spans()[2].from_mm == 97.0);
  CHECK(design->largest_radius() == 1.8);
}

TEST_CASE("every broken part is named") {
  for (const BrokenCase& broken : kBroken) {
    INFO(broken.what);
    DesignParts parts = sound_parts();
    broken.break_it(parts);
    const auto design = Design::make(parts);
    REQUIRE_FALSE(design);
    CHECK(design.error().fault == broken.fault);
    CHECK(design.error().part == broken.part);
    CHECK_FALSE(design.error().problem.empty());
    CHECK_FALSE(design.error().remedy.empty());
  }
}

TEST_CASE("all faults of a design are found, not the first alone") {
  DesignParts parts = sound_parts();
  parts.segment.radius_mm = -1.0;
  parts.tendons->radius_mm = 0.0;
  parts.carriage.insertion_max_mm = kNaN;
  CHECK(design_faults(parts).size() == 3);
}

TEST_CASE("lock bodies may touch one another, the base and the tip span") {
  DesignParts parts = sound_parts();
  parts.layout.station_mm = {2.0, 6.0};
  CHECK(Design::make(parts));
  parts.layout.station_mm = {91.0, 95.0};
  CHECK(Design::make(parts));
}

TEST_CASE("flexible length is what a fine ruler measures between the rigid spans") {
  const DesignParts parts = sound_parts();
  const auto design = Design::make(parts);
  REQUIRE(design);
  CHECK_THAT(design->flexible_length(0.0, 100.0), WithinAbs(89.0, 1e-12));  // 100 - 2 x 4 - 3
  CHECK_THAT(design->flexible_length(0.0, 33.0), WithinAbs(31.0, 1e-12));
  CHECK_THAT(design->flexible_length(33.0, 67.0), WithinAbs(30.0, 1e-12));

  constexpr unsigned kSeed = 20240501;
  CAPTURE(kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> station(0.0, parts.segment.length_mm);
  constexpr double kTick = 0.001;  // mm; a span's two ends may each be off by one
  for (int trial = 0; trial < 200; ++trial) {
    double from = station(random), to = station(random);
    if (from > to) std::swap(from, to);
    CAPTURE(from, to);
    double ruler = 0.0;
    for (double s = from + kTick / 2.0; s < to; s += kTick)
      if (!is_rigid(parts, s)) ruler += kTick;
    CHECK_THAT(design->flexible_length(from, to), WithinAbs(ruler, 8.0 * kTick));
  }
}

TEST_CASE("the body is as thick as the lock over a lock's body and as the segment elsewhere") {
  const DesignParts parts = sound_parts();
  const auto design = Design::make(parts);
  REQUIRE(design);
  for (const double s : {31.0, 33.0, 35.0, 65.0, 69.0}) CHECK(design->body_radius(s) == 1.8);
  for (const double s : {-20.0, 0.0, 30.9, 35.1, 64.9, 98.0, 100.0}) CHECK(design->body_radius(s) == 1.5);

  DesignParts bare = parts;
  bare.layout = {};
  const auto without_locks = Design::make(bare);
  REQUIRE(without_locks);
  CHECK(without_locks->largest_radius() == 1.5);
  CHECK(without_locks->body_radius(33.0) == 1.5);
}

TEST_CASE("a count without a layout gets even spacing between base and tip span, and clocking 0") {
  const Segment segment = {100.0, 1.5, 4.0, 0.04, 900.0};
  const LockLayout layout = assumed_layout(segment, 3);
  CHECK(layout.assumed);
  // Quarters of 96 mm, by hand.
  CHECK(layout.station_mm == std::vector<double>{24.0, 48.0, 72.0});
  CHECK(layout.clock_rad == std::vector<double>{0.0, 0.0, 0.0});
  CHECK(assumed_layout(segment, 0).count() == 0);
}
