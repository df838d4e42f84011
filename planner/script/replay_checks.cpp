// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/replay_checks.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include <fmt/format.h>

namespace withy {
namespace {

// Share of a limit that the arithmetic itself may be off by.
constexpr double kArithmetic = 1e-9;

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

std::optional<ReplayFinding> check_insertion(const Design& design, const State& state, double leniency_mm) {
  const double limit = design.carriage().insertion_max_mm;
  if (state.insertion_mm >= -leniency_mm && state.insertion_mm <= limit + leniency_mm) return std::nullopt;
  return ReplayFinding{ReplayCause::insertion, fmt::format("the insertion is {:.6f} mm", state.insertion_mm),
                       fmt::format("keep it from 0 to {} mm", limit)};
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

std::optional<ReplayFinding> check_lock_load(const Design& design, const HardwareUse& use,
                                             double leniency_per_mm) {
  const double leniency = leniency_per_mm * design.segment().flexural_rigidity_Nmm2;
  for (std::size_t i = 0; i < use.lock_moment_Nmm.size(); ++i)
    if (above(use.lock_moment_Nmm[i], design.lock().hold_moment_Nmm, leniency))
      return ReplayFinding{ReplayCause::lock_load,
                           fmt::format("lock {} carries {:.6f} N mm", i + 1, use.lock_moment_Nmm[i]),
                           fmt::format("keep it to {} N mm", design.lock().hold_moment_Nmm)};
  return std::nullopt;
}

/// The torque about the tangent, per unit of moment, over angles from `a0` to `a1`: its least value (mT).
double least_torque_mT(const Eigen::Vector2d& b, double a0, double a1) {
  const auto torque = [&](double a) { return b.y() * std::cos(a) - b.x() * std::sin(a); };
  const double low = std::min(a0, a1);
  const double high = std::max(a0, a1);
  double least = std::min(torque(low), torque(high));
  // b_y cos a - b_x sin a = |b| cos(a + atan2(b_x, b_y)), least where that angle is half a turn.
  constexpr double kTurn = 2.0 * std::numbers::pi;
  double trough = std::numbers::pi - std::atan2(b.x(), b.y());
  trough += kTurn * std::ceil((low - trough) / kTurn);
  if (trough < high) least = std::min(least, torque(trough));
  return least;
}

/// A lock's magnet in a field: torques count positive towards "latched".
class Magnet {
 public:
  Magnet(const Design& design, int lock, const Eigen::Vector3d& field_in_section)
      : hardware_(design.lock()), field_(field_in_section.head<2>()) {
    const double clock = design.layout().clock_rad[static_cast<std::size_t>(lock)];
    free_rad_ = clock + hardware_.angle_free_rad;
    latched_rad_ = clock + hardware_.angle_latched_rad;
    if (latched_rad_ < free_rad_) sense_ = -1.0;
  }

  /// Least torque towards the state `engage` asks for, over the whole stroke (N mm).
  double driving_Nmm(bool engage) const { return least(engage, free_rad_, latched_rad_); }

  /// Torque away from the stop that the magnet rests at (N mm).
  double leaving_Nmm(bool engaged) const {
    const double stop = engaged ? latched_rad_ : free_rad_;
    return least(!engaged, stop, stop);
  }

 private:
  double least(bool towards_latched, double from, double to) const {
    const double sense = towards_latched ? sense_ : -sense_;
    return hardware_.magnet_Am2 * least_torque_mT(sense * field_, from, to);
  }

  const LockHardware& hardware_;
  Eigen::Vector2d field_;
  double free_rad_ = 0.0;
  double latched_rad_ = 0.0;
  double sense_ = 1.0;  // of the turn from free to latched
};

}  // namespace

Leniency Leniency::of_pull(const Design& design, const State& state, double pull_mm) {
  const double flexible = regions_of(design, state).back().flexible_mm;
  const double per_curvature = design.tendons()->radius_mm * flexible;
  return {pull_mm, per_curvature > 0.0 ? pull_mm / per_curvature : std::numeric_limits<double>::infinity()};
}

std::optional<ReplayFinding> check_limits(const Design& design, const State& state, const HardwareUse& use,
                                          const Leniency& leniency) {
  if (auto fault = check_insertion(design, state, leniency.pull_mm)) return fault;
  if (auto fault = check_curvature(design, state, leniency.curvature_per_mm)) return fault;
  if (auto fault = check_stroke(*design.tendons(), use, leniency.pull_mm)) return fault;
  if (auto fault = check_tension(design, state, use, leniency.curvature_per_mm)) return fault;
  return check_lock_load(design, use, leniency.curvature_per_mm);
}

std::optional<ReplayFinding> check_field(const Design& design, const State& state, int lock,
                                         const Eigen::Vector3d& field_S) {
  const double limit = design.field()->strength_max_mT;
  if (above(field_S.norm(), limit, kFieldRounding_mT))
    return ReplayFinding{ReplayCause::field, fmt::format("the field is {:.6f} mT", field_S.norm()),
                         fmt::format("keep it to {} mT", limit)};
  const Eigen::Vector3d field_E = design.R_SE().transpose() * field_S;
  const LockRotations rotation_E = lock_rotations_E(design, state);
  const double rounding_Nmm = kFieldRounding_mT * design.lock().magnet_Am2;
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    const bool engaged = state.engaged.test(index);
    const Magnet magnet(design, i, rotation_E[index].transpose() * field_E);
    if (i == lock && magnet.driving_Nmm(!engaged) < design.lock().switch_torque_Nmm - rounding_Nmm)
      return ReplayFinding{
          ReplayCause::field,
          fmt::format("the field turns lock {} with {:.6f} N mm at the worst angle of its stroke", i + 1,
                      magnet.driving_Nmm(!engaged)),
          fmt::format("it takes {} N mm", design.lock().switch_torque_Nmm)};
    if (i != lock && magnet.leaving_Nmm(engaged) > design.lock().hold_torque_Nmm + rounding_Nmm)
      return ReplayFinding{ReplayCause::field,
                           fmt::format("the field turns lock {} too, with {:.6f} N mm away from its stop",
                                       i + 1, magnet.leaving_Nmm(engaged)),
                           fmt::format("it stays up to {} N mm", design.lock().hold_torque_Nmm)};
  }
  return std::nullopt;
}

std::optional<ReplayFinding> check_currents(const Design& design, const Waypoint& row) {
  const Eigen::Vector3d wanted = coil_currents_A(*design.field(), row.field_S);
  for (std::size_t k = 0; k < row.current_A.size(); ++k)
    if (std::abs(row.current_A[k] - wanted(static_cast<Eigen::Index>(k))) > kCurrentRounding_A)
      return ReplayFinding{ReplayCause::currents,
                           fmt::format("coil {} gets {:.6f} A, the row's field takes {:.6f} A", k + 1,
                                       row.current_A[k], wanted(static_cast<Eigen::Index>(k))),
                           "make currents and field agree"};
  return std::nullopt;
}

}  // namespace withy
