// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/replay_checks.h"

#include <algorithm>
#include <cmath>
#include <iterator>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/friction_load.h"
#include "planner/segment/hardware_bounds.h"

namespace withy {
namespace {

// Share of a limit that the arithmetic itself may be off by: what is chosen to a limit may pass it by 1e-9
// (least_currents.h), and is worked out again here.
constexpr double kArithmetic = 2e-9;

// What rounding of pulls to the script's step moves a lock by (mm), at the most: a free region of a hundred
// times its tendons' radius makes it a hundred times larger at its end; ten times that.
constexpr double kPoseRounding_mm = 1e3 * kScriptStep;

// Field that counts as none (mT): rounding to the script's step, in three components and in the pose, with
// room to spare, and a thousandth of what a laboratory current source resolves.
constexpr double kFieldRounding_mT = 1e-4;

// Currents are written to a millionth of an ampere, from a field that is rounded too.
constexpr double kCurrentRounding_A = 1e-5;

bool above(double value, double limit, double leniency) {
  return !(value <= limit * (1.0 + kArithmetic) + leniency);
}

std::optional<ReplayFinding> check_curvature(const Design& design, const State& state,
                                             double leniency_per_mm) {
  const double limit = design.segment().curvature_max_per_mm;
  for (const Region& region : regions_of(design, state)) {
    // A free region inside the guide is straight whatever the tendons are set for.
    if (!region.frozen() && region.flexible_mm <= kNoLength_mm) continue;
    if (above(region.u.norm(), limit, leniency_per_mm))
      return ReplayFinding{
          ReplayCause::curvature,
          fmt::format("the segment bends with {:.6f} per mm from station {} to {} mm, the limit is {}",
                      region.u.norm(), region.from_mm, region.to_mm, limit),
          "draw the tendons less"};
  }
  return std::nullopt;
}

std::optional<ReplayFinding> check_stroke(const TendonHardware& tendons, const HardwareUse& use,
                                          double leniency_mm) {
  for (Eigen::Index k = 0; k < use.pull_mm.size(); ++k)
    if (above(std::abs(use.pull_mm(k)), tendons.stroke_max_mm, leniency_mm))
      return ReplayFinding{ReplayCause::stroke,
                           fmt::format("tendon {} is drawn by {:.6f} mm", k + 1, use.pull_mm(k)),
                           fmt::format("keep it within {} mm either way", tendons.stroke_max_mm)};
  return std::nullopt;
}

std::optional<ReplayFinding> check_tension(const Design& design, const State& state, const HardwareUse& use,
                                           double leniency_per_mm) {
  const TendonHardware& tendons = *design.tendons();
  if (use.tension_N.size() == 0)
    return ReplayFinding{ReplayCause::tendon_plane,
                         "no tensions of these tendons hold the free region's bend",
                         "bend it where the tendons can"};
  const TendonStatics statics(tendons);
  const double leniency_N =
      leniency_per_mm * design.segment().flexural_rigidity_Nmm2 * statics.lipschitz_N_per_Nmm() *
      capstan_factor(tendons.friction_coefficient, wrapped_angle(regions_of(design, state)));
  for (Eigen::Index k = 0; k < use.tension_N.size(); ++k)
    if (above(use.tension_N(k), tendons.tension_max_N, leniency_N))
      return ReplayFinding{ReplayCause::tension,
                           fmt::format("tendon {} pulls with {:.6f} N", k + 1, use.tension_N(k)),
                           fmt::format("keep it to {} N", tendons.tension_max_N)};
  return std::nullopt;
}

std::optional<ReplayFinding> check_lock_load(const Design& design, const State& state, const HardwareUse& use,
                                             double leniency_per_mm) {
  // With nothing of the free region exposed the pulls say nothing of its curvature, and any load is within
  // them.
  if (!std::isfinite(leniency_per_mm)) return std::nullopt;
  const TendonHardware& tendons = *design.tendons();
  const double EI = design.segment().flexural_rigidity_Nmm2;
  const TendonStatics statics(tendons);
  const double exponent = tendons.friction_coefficient * wrapped_angle(regions_of(design, state));
  const double leniency = friction_load_change(statics, EI, state.u_free, {}, exponent,
                                               {leniency_per_mm, 0.0, exponent, exponent});
  for (std::size_t i = 0; i < use.lock_moment_Nmm.size(); ++i)
    if (above(use.lock_moment_Nmm[i], design.lock().hold_moment_Nmm, leniency))
      return ReplayFinding{ReplayCause::lock_load,
                           fmt::format("lock {} carries {:.6f} N mm", i + 1, use.lock_moment_Nmm[i]),
                           fmt::format("keep it to {} N mm", design.lock().hold_moment_Nmm)};
  return std::nullopt;
}

/// What a script's steps may add to the strength (mT) that currents make at a place: a step in each coil, and
/// what the field changes by over what the pulls' steps move the lock.
double script_rounding_mT(const Design& design, const Eigen::Vector3d& p_E, const Currents& current_A) {
  const CoilGains gains = coil_gains_E(design, p_E);
  double rounding = kScriptStep * gains.colwise().norm().sum();
  if (design.field()->coils.empty()) return rounding;
  const double strength = (gains * current_A).norm();
  for (Eigen::Index axis = 0; axis < 3; ++axis) {
    const Eigen::Vector3d beside = p_E + kPoseRounding_mm * Eigen::Vector3d::Unit(axis);
    rounding += std::abs((coil_gains_E(design, beside) * current_A).norm() - strength);
  }
  return rounding;
}

std::optional<ReplayFinding> too_strong(double strength_mT, const std::string& where, double limit_mT) {
  return ReplayFinding{ReplayCause::field, fmt::format("the field is {:.6f} mT {}", strength_mT, where),
                       fmt::format("keep it to {} mT", limit_mT)};
}

std::optional<ReplayFinding> check_coil_limits(const Design& design, const LockPoses& poses,
                                               const Waypoint& row, FieldNumbers numbers) {
  const FieldHardware& field = *design.field();
  const Currents current_A = currents_of(design, row);
  const bool exact = numbers == FieldNumbers::exact;
  for (int i = 0; i < design.lock_count(); ++i) {
    const double strength = field_at_lock_S(design, poses, i, current_A).norm();
    const double rounding =
        exact ? 0.0 : script_rounding_mT(design, poses.p_E[static_cast<std::size_t>(i)], current_A);
    if (above(strength, field.strength_max_mT, rounding))
      return too_strong(strength, fmt::format("at lock {}", i + 1), field.strength_max_mT);
  }
  constexpr double kComponents = 3.0;
  if (above(row.field_S.norm(), field.strength_max_mT, exact ? 0.0 : kComponents * kScriptStep))
    return too_strong(row.field_S.norm(), "in this row", field.strength_max_mT);
  for (std::size_t c = 0; c < field.coils.size(); ++c) {
    const double I = std::abs(current_A(static_cast<Eigen::Index>(c)));
    const auto most = field.coils[c].current_max_A;
    if (most && above(I, *most, exact ? 0.0 : kScriptStep))
      return ReplayFinding{ReplayCause::currents, fmt::format("coil {} carries {:.6f} A", c + 1, I),
                           fmt::format("keep it to {} A", *most)};
  }
  return std::nullopt;
}

bool energised(const Waypoint& row) {
  return !row.field_S.isZero(0.0) ||
         std::any_of(row.current_A.begin(), row.current_A.end(), [](double I) { return I != 0.0; });
}

}  // namespace

bool at_zero(const Waypoint& row) {
  const auto zero = [](double v) { return std::abs(v) <= kAtZero_mm; };
  return row.engaged.none() && zero(row.insertion_mm) &&
         std::all_of(row.pull_mm.begin(), row.pull_mm.end(), zero);
}

std::optional<ReplayFinding> check_axes(const Design& design, const Script& script) {
  if (script.tendons != static_cast<int>(design.tendons()->angle_rad.size()))
    return ReplayFinding{ReplayCause::axes, fmt::format("the script draws {} tendons", script.tendons),
                         fmt::format("the scene has {}", design.tendons()->angle_rad.size())};
  if (script.coils != 0 && !design.field())
    return ReplayFinding{ReplayCause::axes, "the script drives coils", "the scene has no [field]"};
  return std::nullopt;
}

std::optional<ReplayFinding> check_field_off(const Waypoint& before, const Waypoint& row) {
  if (!energised(before) || !energised(row)) return std::nullopt;
  return ReplayFinding{ReplayCause::field_while_moving, "the axes move with the field on",
                       "take the field off first"};
}

std::optional<ReplayFinding> check_one_switch(const LockSet& changed) {
  if (changed.count() == 1) return std::nullopt;
  return ReplayFinding{ReplayCause::several_switches,
                       fmt::format("{} locks switch in one row", changed.count()), "switch one at a time"};
}

std::optional<ReplayFinding> check_insertion(const Design& design, double insertion_mm, double leniency_mm) {
  const double limit = design.carriage().insertion_max_mm;
  if (insertion_mm >= -leniency_mm && insertion_mm <= limit + leniency_mm) return std::nullopt;
  return ReplayFinding{ReplayCause::insertion, fmt::format("the insertion is {:.6f} mm", insertion_mm),
                       fmt::format("keep it from 0 to {} mm", limit)};
}

Leniency Leniency::of_pull(const Design& design, const State& state, double pull_mm) {
  const double flexible = regions_of(design, state).back().flexible_mm;
  const double per_curvature = design.tendons()->radius_mm * flexible;
  return {pull_mm, per_curvature > 0.0 ? pull_mm / per_curvature : kInfinity};
}

std::optional<ReplayFinding> check_limits(const Design& design, const State& state, const HardwareUse& use,
                                          const Leniency& leniency) {
  if (auto fault = check_insertion(design, state.insertion_mm, leniency.pull_mm)) return fault;
  if (auto fault = check_curvature(design, state, leniency.curvature_per_mm)) return fault;
  if (auto fault = check_stroke(*design.tendons(), use, leniency.pull_mm)) return fault;
  if (auto fault = check_tension(design, state, use, leniency.curvature_per_mm)) return fault;
  return check_lock_load(design, state, use, leniency.curvature_per_mm);
}

std::optional<ReplayFinding> check_field(const Design& design, const State& state, int lock,
                                         const Waypoint& row, FieldNumbers numbers) {
  return check_field(design, lock_poses_E(design, state), state.engaged, lock, row, numbers);
}

std::optional<ReplayFinding> check_field(const Design& design, const LockPoses& poses, const LockSet& engaged,
                                         int lock, const Waypoint& row, FieldNumbers numbers) {
  if (auto finding = check_coil_limits(design, poses, row, numbers)) return finding;
  return check_torques(design, poses, engaged, lock, row);
}

Currents currents_of(const Design& design, const Waypoint& row) {
  const FieldHardware& field = *design.field();
  if (std::ssize(row.current_A) == field.coil_count())
    return Eigen::Map<const Eigen::VectorXd>(row.current_A.data(), std::ssize(row.current_A));
  if (field.coils.empty()) return coil_currents_A(field, row.field_S);
  return Currents::Zero(field.coil_count());
}

std::optional<ReplayFinding> check_field_way(const Design& design, const SweptWay& way, const Waypoint& row) {
  for (const State* state : {&way.from, &way.to})
    if (auto finding =
            check_coil_limits(design, lock_poses_E(design, *state), row, FieldNumbers::on_script_steps))
      return finding;
  if (currents_serve_way(design, way.from, way.to, way.engaged, way.lock, currents_of(design, row),
                         kFieldRounding_mT, way.aside_per_mm))
    return std::nullopt;
  for (const State* state : {&way.from, &way.to})
    if (auto finding = check_torques(design, lock_poses_E(design, *state), way.engaged, way.lock, row))
      return finding;
  return ReplayFinding{
      ReplayCause::field,
      fmt::format("on the way here the field can't be shown to turn lock {} all along and to leave "
                  "the others",
                  way.lock + 1),
      "give it more reserve"};
}

std::optional<ReplayFinding> check_torques(const Design& design, const LockPoses& poses,
                                           const LockSet& engaged, int lock, const Waypoint& row) {
  const Currents current_A = currents_of(design, row);
  const LockHardware& hardware = design.lock();
  const double rounding_Nmm = kFieldRounding_mT * hardware.magnet_Am2;
  const LockSet switching = only(lock);
  // The two ends of the stroke imply the angles between (field.h).
  for (const TorqueDemand& t : torque_demands(design, poses, engaged, switching)) {
    const Eigen::Vector3d B = coil_gains_E(design, poses.p_E[static_cast<std::size_t>(t.lock)]) * current_A;
    const double torque = hardware.magnet_Am2 * (t.normal_E.dot(B) - t.base_mT);
    if (t.drives && torque < hardware.switch_torque_Nmm - rounding_Nmm)
      return ReplayFinding{
          ReplayCause::field,
          fmt::format("the field turns lock {} with {:.6f} N mm at the worst angle of its stroke", t.lock + 1,
                      torque),
          fmt::format("it takes {} N mm", hardware.switch_torque_Nmm)};
    if (!t.drives && -torque > hardware.hold_torque_Nmm + rounding_Nmm)
      return ReplayFinding{ReplayCause::field,
                           fmt::format("the field turns lock {} too, with {:.6f} N mm away from its stop",
                                       t.lock + 1, -torque),
                           fmt::format("it stays up to {} N mm", hardware.hold_torque_Nmm)};
  }
  return std::nullopt;
}

double field_reserve(const Design& design, const State& state, int lock, const Waypoint& row) {
  return reserve_of(design, lock_poses_E(design, state), state.engaged, lock, currents_of(design, row));
}

std::optional<ReplayFinding> check_currents(const Design& design, const State& state, int lock,
                                            const Waypoint& row) {
  const FieldHardware& field = *design.field();
  if (std::ssize(row.current_A) != field.coil_count()) return std::nullopt;
  if (!field.coils.empty()) {
    const LockPoses poses = lock_poses_E(design, state);
    const Eigen::Vector3d made = field_at_lock_S(design, poses, lock, currents_of(design, row));
    if ((made - row.field_S).norm() <= kFieldRounding_mT) return std::nullopt;
    return ReplayFinding{ReplayCause::currents,
                         fmt::format("the currents make {:.6f} mT at lock {} that are not the row's field",
                                     made.norm(), lock + 1),
                         "make currents and field agree"};
  }
  const Eigen::Vector3d wanted = coil_currents_A(field, row.field_S);
  for (std::size_t k = 0; k < row.current_A.size(); ++k)
    if (std::abs(row.current_A[k] - wanted(static_cast<Eigen::Index>(k))) > kCurrentRounding_A)
      return ReplayFinding{ReplayCause::currents,
                           fmt::format("coil {} gets {:.6f} A, the row's field takes {:.6f} A", k + 1,
                                       row.current_A[k], wanted(static_cast<Eigen::Index>(k))),
                           "make currents and field agree"};
  return std::nullopt;
}

std::optional<ReplayFinding> check_coupling(const Hardware& hardware, const State& state) {
  const auto breach = hardware.coupling_breach(state);
  // Script and plan round their states apart: a push of a thousandth more than the plan's own counts as that.
  constexpr double kShareOfLimit = 1e-3;
  if (!breach || breach->value <= breach->allowed * (1.0 + kShareOfLimit)) return std::nullopt;
  return ReplayFinding{ReplayCause::field, breach->sentence(), "place the locks farther apart"};
}

}  // namespace withy
