// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/switching/switch_scaling.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include "geometry/numbers/numbers.h"
#include "planner/segment/backbone_buckling.h"
#include "planner/segment/hardware.h"

namespace withy {
namespace {

/// Directions of the tightest bend in which tension and pull are taken.
constexpr int kDirections = 360;

void scale_lengths(DesignParts& parts, double k) {
  for (double* length :
       {&parts.segment.length_mm, &parts.segment.radius_mm, &parts.segment.tip_rigid_mm,
        &parts.lock->body_length_mm, &parts.lock->body_radius_mm, &parts.carriage.insertion_max_mm})
    *length *= k;
  for (double& station : parts.layout.station_mm) station *= k;
  parts.segment.curvature_max_per_mm /= k;
  if (parts.latch) {
    parts.latch->notch_pitch_mm *= k;
    parts.latch->backbone_radius_mm *= k;
  }
  if (parts.tendons) {
    parts.tendons->radius_mm *= k;
    parts.tendons->disk_spacing_mm *= k;
  }
}

/// Over the tightest bends of the released segment, in every direction that the tendons can bend it to.
struct TightestBends {
  double tension_N = 0.0;
  double pull_mm = 0.0;
};

TightestBends tightest_bends(const Design& design) {
  const Hardware hardware(design);
  TightestBends worst;
  for (int i = 0; i < kDirections; ++i) {
    const double phi = 2.0 * std::numbers::pi * i / kDirections;
    State state;
    state.insertion_mm = design.carriage().insertion_max_mm;
    state.u_free = design.segment().curvature_max_per_mm * Eigen::Vector2d(std::cos(phi), std::sin(phi));
    const HardwareUse use = hardware.use(state);
    if (use.tension_N.size() == 0) continue;
    worst.tension_N = std::max(worst.tension_N, use.tension_N.maxCoeff());
    worst.pull_mm = std::max(worst.pull_mm, use.pull_mm.cwiseAbs().maxCoeff());
  }
  return worst;
}

double worst_field_mT(const Design& design, const BendGrid& grid, const Effort& effort) {
  double worst = 0.0;
  bool any = false;
  for (const BendPose& pose : bend_poses(design, grid)) {
    if (effort.cut_short()) break;
    const double strength = proximal_first_mT(design, pose);
    if (std::isinf(strength)) continue;
    any = true;
    worst = std::max(worst, strength);
  }
  return any ? worst : kNoField_mT;
}

/// Over the bends in which it works at all; 0 when it works in none.
double least_reserve(const Design& design, const BendGrid& grid, const Effort& effort) {
  double least = 0.0;
  for (const BendPose& pose : bend_poses(design, grid)) {
    if (effort.cut_short()) break;
    const double reserve = proximal_first_reserve(design, pose);
    if (reserve > 0.0) least = least > 0.0 ? std::min(least, reserve) : reserve;
  }
  return least;
}

double with_torques_of(const Design& scaled_design, const LockHardware& original, const BendGrid& grid,
                       const Effort& effort) {
  DesignParts parts = scaled_design.parts();
  parts.lock->switch_torque_Nmm = original.switch_torque_Nmm;
  parts.lock->hold_torque_Nmm = original.hold_torque_Nmm;
  return worst_field_mT(Design::make(std::move(parts)).value(), grid, effort);
}

void scale_elastic(ElasticHardware& elastic, double k) {
  const double square = k * k;
  elastic.mass_g_per_mm *= square;
  elastic.lock_mass_g *= square * k;
  elastic.tendon_EA_N *= square;
  elastic.backbone_EA_N *= square;
  elastic.torsional_rigidity_Nmm2 *= square * square;
  if (elastic.segment_EA_N) *elastic.segment_EA_N *= square;
  if (elastic.backbone_EI_Nmm2) *elastic.backbone_EI_Nmm2 *= square * square;
}

std::vector<ScaledNeed> needs_of(const Design& design, const std::optional<LatchHardware>& latch,
                                 const BendGrid& grid, const Effort& effort) {
  std::vector<ScaledNeed> needs;
  const double limit = design.field() ? design.field()->strength_max_mT : 0.0;
  needs.push_back({"field", "mT", worst_field_mT(design, grid, effort), limit});
  if (design.tendons()) {
    const TightestBends worst = tightest_bends(design);
    needs.push_back({"tension", "N", worst.tension_N, design.tendons()->tension_max_N});
    needs.push_back({"pull", "mm", worst.pull_mm, design.tendons()->stroke_max_mm});
    const Segment& segment = design.segment();
    needs.push_back({"lock load", "N mm", segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm,
                     design.lock().hold_moment_Nmm});
    DesignParts latched = design.parts();
    latched.latch = latch;
    if (const auto moment = buckling_moment_Nmm(latched))
      needs.push_back(
          {"buckling", "N mm", segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm, *moment});
  }
  if (latch && latch->notch_pitch_mm > 0.0)
    needs.push_back(
        {"latch", "mm", latch->engage_window_mm + latch->backlash_mm, 0.5 * latch->notch_pitch_mm});
  return needs;
}

}  // namespace

DesignParts scaled(const DesignParts& parts, double factor) {
  assert(factor > 0.0 && parts.lock);
  DesignParts result = parts;
  scale_lengths(result, factor);
  const double cube = factor * factor * factor;
  result.segment.flexural_rigidity_Nmm2 *= cube * factor;
  result.lock->magnet_Am2 *= cube;
  result.lock->switch_torque_Nmm *= cube;
  result.lock->hold_torque_Nmm *= cube;
  result.lock->hold_moment_Nmm *= cube;
  if (result.tendons) result.tendons->tension_min_N *= factor * factor;
  if (result.elastic) scale_elastic(*result.elastic, factor);
  return result;
}

bool ScaledNeed::broken() const {
  return reserve() < 1.0;
}

double ScaledNeed::reserve() const {
  if (limit <= 0.0 || need <= 0.0) return kInfinity;
  return limit / need;
}

int ScaledDesign::first_to_break() const {
  const auto least =
      std::min_element(needs.begin(), needs.end(),
                       [](const ScaledNeed& a, const ScaledNeed& b) { return a.reserve() < b.reserve(); });
  return least == needs.end() ? -1 : static_cast<int>(least - needs.begin());
}

std::vector<ScaledDesign> scale_designs(const Design& design, const BendGrid& grid,
                                        const std::vector<double>& factors, const Effort& effort) {
  std::vector<ScaledDesign> results;
  for (const double factor : factors) {
    if (effort.cut_short()) break;
    DesignParts parts = scaled(design.parts(), factor);
    const std::optional<LatchHardware> latch = parts.latch;
    // A window wider than half a pitch, or a pretension above the motors' limit, is no design; it is just
    // what the figures are there to show, so both limits are kept out of the design and compared below.
    parts.latch.reset();
    if (parts.tendons) parts.tendons->tension_max_N = std::numeric_limits<double>::max();
    const Design at_size = Design::make(std::move(parts)).value();
    ScaledDesign result;
    result.factor = factor;
    result.magnet_Am2 = at_size.lock().magnet_Am2;
    result.switch_torque_Nmm = at_size.lock().switch_torque_Nmm;
    if (latch) {
      result.notch_angle_rad = latch->notch_pitch_mm / latch->backbone_radius_mm;
      result.backlash_angle_rad = latch->backlash_mm / latch->backbone_radius_mm;
    }
    result.needs = needs_of(at_size, latch, grid, effort);
    for (ScaledNeed& need : result.needs)
      if (need.name == "tension") need.limit = design.tendons()->tension_max_N;
    result.switch_reserve = least_reserve(at_size, grid, effort);
    result.field_same_torque_mT = with_torques_of(at_size, design.lock(), grid, effort);
    results.push_back(std::move(result));
  }
  return results;
}

}  // namespace withy
