// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/designs.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "geometry/numbers/numbers.h"

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;

// Lock bodies, mm.
constexpr double kShortestLock_mm = 0.5;
constexpr double kLongestLock_mm = 25.0;

void draw_segment(Chance& chance, const RandomChannel& channel, Segment& segment) {
  // Short ones have their base far in.
  segment.length_mm =
      channel.body_length_mm * (chance.one_in(0.4) ? chance.uniform(0.3, 0.6) : chance.uniform(0.8, 1.2));
  segment.radius_mm = channel.body_radius_mm;
  segment.tip_rigid_mm = chance.one_in(0.35) ? 0.0 : chance.uniform(0.01, 0.2) * segment.length_mm;
  const double most = 0.45 / segment.radius_mm;
  segment.curvature_max_per_mm = std::min(most, chance.uniform(0.6, 3.2) / segment.length_mm);
  // As a rod's: with the fourth power of the radius.
  segment.flexural_rigidity_Nmm2 = 900.0 * std::pow(segment.radius_mm / 1.5, 4);
}

/// Locks one behind the other: apart at random, or each touching the one before, the first as often the base.
void draw_stations(Chance& chance, int count, LocksLie lie, DesignParts& parts) {
  const double room = parts.segment.length_mm - parts.segment.tip_rigid_mm;
  const double length = parts.lock->body_length_mm;
  std::vector<double> gaps;
  double sum = 0.0;
  for (int i = 0; i <= count; ++i) {
    const double gap = chance.uniform(0.02, 1.0);
    const bool none =
        (i == 0 && lie == LocksLie::at_the_base) || (i > 0 && i < count && lie == LocksLie::touching);
    sum += gaps.emplace_back(none ? 0.0 : gap);
  }
  const double spare = room - count * length;
  double from = 0.0;
  for (int i = 0; i < count; ++i) {
    from += gaps[static_cast<std::size_t>(i)] / sum * spare;
    parts.layout.station_mm.push_back(from + 0.5 * length);
    parts.layout.clock_rad.push_back(chance.one_in(0.3) ? 0.0 : chance.uniform(-kPi, kPi));
    from += length;
  }
}

void draw_locks(Chance& chance, int count, LocksLie lie, DesignParts& parts) {
  const Segment& segment = parts.segment;
  const double room = segment.length_mm - segment.tip_rigid_mm;
  LockHardware lock;
  const double share = chance.uniform(0.3, 0.75) * room / count;
  lock.body_length_mm = std::min(
      chance.one_in(0.3) ? kLongestLock_mm : chance.scaled(kShortestLock_mm, kLongestLock_mm), share);
  lock.body_radius_mm = segment.radius_mm * (chance.one_in(0.4) ? 1.0 : chance.uniform(1.0, 1.5));
  // Stations shrink with the body: with its third power the magnets push one another as before.
  const double scale = std::pow(segment.radius_mm / 1.5, 3);
  lock.magnet_Am2 = 0.004 * scale;
  lock.angle_free_rad = 0.0;
  lock.angle_latched_rad = chance.uniform(40.0, 100.0) * kRadiansPerDegree;
  lock.switch_torque_Nmm = 0.01 * scale;
  lock.hold_torque_Nmm = chance.uniform(0.001, 0.008) * scale;
  lock.hold_moment_Nmm = segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm *
                         (chance.one_in(0.5) ? 1e3 : chance.uniform(0.5, 2.0));
  parts.lock = lock;
  draw_stations(chance, count, lie, parts);
}

std::vector<double> angles(int count, double first) {
  std::vector<double> out;
  for (int i = 0; i < count; ++i) out.push_back(first + 2.0 * kPi * i / count);
  return out;
}

void draw_latch(Chance& chance, int locks, bool planar, DesignParts& parts) {
  // Continuous frozen bends are two more dimensions for each lock: few of them keep questions small.
  const double friction = planar ? 0.5 : locks == 1 ? 0.12 : 0.02;
  if (chance.one_in(0.03)) return;
  LatchHardware latch;
  latch.backbone_radius_mm = 0.8 * parts.segment.radius_mm;
  const bool notched = !chance.one_in(friction);
  const double step = planar ? chance.uniform(0.1, 0.5) : chance.uniform(locks == 1 ? 0.2 : 0.35, 0.9);
  latch.notch_pitch_mm = notched ? step * latch.backbone_radius_mm : 0.0;
  const int backbones = chance.whole(2, 4);
  latch.backbone_angle_rad =
      backbones == 2 ? std::vector{0.0, 0.5 * kPi} : angles(backbones, chance.one_in(0.5) ? 0.0 : 0.25 * kPi);
  latch.backlash_mm = 0.02 * latch.backbone_radius_mm;
  latch.engage_window_mm = std::min(0.05 * latch.notch_pitch_mm, latch.backlash_mm);
  parts.latch = latch;
}

void draw_tendons(Chance& chance, bool planar, DesignParts& parts) {
  if (!planar && !chance.one_in(0.3)) return;
  const Segment& segment = parts.segment;
  TendonHardware tendons;
  tendons.radius_mm = 0.8 * segment.radius_mm;
  tendons.angle_rad = planar ? std::vector{0.0, kPi} : angles(chance.whole(3, 4), chance.uniform(0.0, 1.0));
  tendons.disk_spacing_mm = chance.one_in(0.3) ? segment.length_mm * chance.uniform(0.05, 0.2) : 0.0;
  tendons.motors = chance.one_in(0.25) ? Motors::stand : Motors::ride;
  const double bend = segment.curvature_max_per_mm * segment.length_mm;
  tendons.stroke_max_mm = tendons.radius_mm * bend * chance.uniform(0.4, 1.5);
  if (tendons.motors == Motors::stand)
    tendons.stroke_max_mm += segment.length_mm * (chance.one_in(0.3) ? chance.uniform(0.3, 1.0) : 10.0);
  const double moment = segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm;
  tendons.tension_min_N = 0.02 * moment / tendons.radius_mm;
  tendons.tension_max_N = chance.uniform(0.6, 4.0) * moment / tendons.radius_mm;
  tendons.friction_coefficient = chance.uniform(0.0, 0.15);
  parts.tendons = tendons;
}

void draw_field(Chance& chance, DesignParts& parts) {
  if (parts.layout.count() == 0 || !chance.one_in(0.35)) return;
  FieldHardware field;
  field.strength_max_mT = chance.uniform(2.6, 12.0);
  field.coil_mT_per_A = {1.8, 1.5, 2.1};
  parts.field = field;
}

/// Any that is a design, or is none.
RandomDesign try_design(Chance& chance, const RandomChannel& channel) {
  RandomDesign made;
  DesignParts& parts = made.parts;
  draw_segment(chance, channel, parts.segment);
  const double which = chance.uniform(0.0, 1.0);
  const int locks = which < 0.3 ? 0 : which < 0.75 ? 1 : 2;
  const bool planar = chance.one_in(0.25);
  if (locks > 0) {
    made.lie = static_cast<LocksLie>(std::max(0, chance.whole(-1, 2)));
    draw_locks(chance, locks, made.lie, parts);
    draw_latch(chance, locks, planar, parts);
  }
  draw_tendons(chance, planar, parts);
  draw_field(chance, parts);
  parts.carriage.kind = chance.one_in(0.5) ? CarriageKind::free : CarriageKind::guide;
  return made;
}

/// Far beyond what any target needs, or so that some are only just in reach.
double random_limit(Chance& chance, const RandomChannel& channel, const Segment& segment) {
  const double deepest = channel.tubes.front().path.length_mm();
  if (chance.one_in(0.3)) return segment.length_mm + 2.0 * deepest;
  // Past the far end by what no body may use: limits and cells then lie across an open outlet.
  if (channel.outlets == Outlets::open && chance.one_in(0.5)) return chance.uniform(1.0, 1.8) * deepest;
  return chance.uniform(0.5, 1.15) * std::max(deepest, segment.length_mm);
}

}  // namespace

RandomDesign random_design(Chance& chance, const RandomChannel& channel) {
  for (;;) {
    RandomDesign made = try_design(chance, channel);
    made.parts.carriage.insertion_max_mm = random_limit(chance, channel, made.parts.segment);
    if (design_faults(made.parts).empty()) return made;
  }
}

const char* name_of(LocksLie lie) {
  constexpr const char* kNames[] = {"apart", "touching one another", "touching the base"};
  return kNames[static_cast<int>(lie)];
}

}  // namespace withy::consistency
