// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/field.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <Eigen/Geometry>
#include <Eigen/LU>

#include "planner/segment/shape.h"

namespace withy {
namespace {

/// A half-space counts as met when it is missed by no more than this share of the fields at hand: rounding of
/// the small solves is some 1e-15 over their determinant, a coil is set to 1e-4 at best.
constexpr double kFieldRounding = 1e-10;

/// Normals whose Gram determinant is below this are taken as dependent; a smaller set then describes the same
/// point.
constexpr double kDependent = 1e-13;

/// Share by which a stroke may come up to half a turn.
constexpr double kHalfTurnRounding = 1e-12;

/// |B| may be above the limit by this share: rounding only.
constexpr double kLimitRounding = 1e-9;

double tolerance(std::span<const HalfSpace> half_spaces, const Eigen::Vector3d& B) {
  double scale = B.norm();
  for (const HalfSpace& h : half_spaces) scale = std::max(scale, std::abs(h.at_least));
  return kFieldRounding * scale;
}

bool in_all(std::span<const HalfSpace> half_spaces, const Eigen::Vector3d& B) {
  const double slack = tolerance(half_spaces, B);
  return std::all_of(half_spaces.begin(), half_spaces.end(),
                     [&](const HalfSpace& h) { return h.normal.dot(B) >= h.at_least - slack; });
}

std::optional<Eigen::Vector3d> active_pair(const HalfSpace& a, const HalfSpace& b) {
  const double g = a.normal.dot(b.normal);
  const double det = 1.0 - g * g;
  if (det < kDependent) return std::nullopt;
  const double la = (a.at_least - g * b.at_least) / det;
  const double lb = (b.at_least - g * a.at_least) / det;
  if (la < 0.0 || lb < 0.0) return std::nullopt;
  return la * a.normal + lb * b.normal;
}

std::optional<Eigen::Vector3d> active_triple(const HalfSpace& a, const HalfSpace& b, const HalfSpace& c) {
  Eigen::Matrix3d N;
  N << a.normal.transpose(), b.normal.transpose(), c.normal.transpose();
  const double det = N.determinant();
  if (det * det < kDependent) return std::nullopt;
  const Eigen::Matrix3d inverse = N.inverse();
  const Eigen::Vector3d B = inverse * Eigen::Vector3d(a.at_least, b.at_least, c.at_least);
  if ((inverse.transpose() * B).minCoeff() < 0.0) return std::nullopt;
  return B;
}

/// +1 when the stroke runs to larger angles.
double sense_of_stroke(const LockHardware& lock) {
  return lock.angle_latched_rad > lock.angle_free_rad ? 1.0 : -1.0;
}

Eigen::Vector3d torque_direction(const Eigen::Matrix3d& R, double angle_rad) {
  return R * Eigen::Vector3d(-std::sin(angle_rad), std::cos(angle_rad), 0.0);
}

/// Two half-spaces for each switching lock, one for each other.
class HalfSpaces {
 public:
  void add(const Eigen::Vector3d& normal, double at_least) {
    items_[static_cast<std::size_t>(count_++)] = {normal, at_least};
  }
  std::span<const HalfSpace> view() const { return {items_.data(), static_cast<std::size_t>(count_)}; }

 private:
  std::array<HalfSpace, 2 * kMaxLocks> items_;
  int count_ = 0;
};

HalfSpaces half_spaces_of(const Design& design, const LockRotations& rotation_E, const LockSet& engaged,
                          const LockSet& switching, const FieldSlack& slack_mT) {
  const LockHardware& hardware = design.lock();
  const double switch_mT = hardware.switch_torque_Nmm / hardware.magnet_Am2;
  const double hold_mT = hardware.hold_torque_Nmm / hardware.magnet_Am2;
  HalfSpaces result;
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    const Eigen::Matrix3d& R = rotation_E[index];
    const double clock = design.layout().clock_rad[index];
    const double free_rad = hardware.angle_free_rad + clock;
    const double latched_rad = hardware.angle_latched_rad + clock;
    const double towards_other = (engaged.test(index) ? -1.0 : 1.0) * sense_of_stroke(hardware);
    if (switching.test(index)) {
      result.add(towards_other * torque_direction(R, free_rad), switch_mT + slack_mT[index]);
      result.add(towards_other * torque_direction(R, latched_rad), switch_mT + slack_mT[index]);
    } else {
      const double now_rad = engaged.test(index) ? latched_rad : free_rad;
      result.add(-towards_other * torque_direction(R, now_rad), -hold_mT + slack_mT[index]);
    }
  }
  return result;
}

bool within_limit(const Design& design, const std::optional<Eigen::Vector3d>& B) {
  if (!B) return false;
  return !design.field() || B->norm() <= design.field()->strength_max_mT * (1.0 + kLimitRounding);
}

/// Rotations as if `dropped` were not there are the same; only its half-space goes.
int lock_in_the_way(const Design& design, const LockRotations& rotation_E, const LockSet& engaged, int lock) {
  // Far more than any field at hand: the half-space of a lock moved out by this asks for nothing.
  constexpr double kNoDemand_mT = -1e6;
  LockSet switching;
  switching.set(static_cast<std::size_t>(lock));
  int found = -1;
  for (int j = 0; j < design.lock_count(); ++j) {
    if (j == lock) continue;
    FieldSlack slack{};
    slack[static_cast<std::size_t>(j)] = kNoDemand_mT;
    if (!within_limit(design, weakest_field_E(design, rotation_E, engaged, switching, slack))) continue;
    if (found >= 0) return -1;
    found = j;
  }
  return found;
}

}  // namespace

std::optional<Eigen::Vector3d> least_norm_point(std::span<const HalfSpace> half_spaces) {
  const Eigen::Vector3d origin = Eigen::Vector3d::Zero();
  if (in_all(half_spaces, origin)) return origin;
  const std::size_t n = half_spaces.size();
  for (const HalfSpace& h : half_spaces) {
    const Eigen::Vector3d B = h.at_least * h.normal;
    if (h.at_least > 0.0 && in_all(half_spaces, B)) return B;
  }
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = i + 1; j < n; ++j) {
      const auto B = active_pair(half_spaces[i], half_spaces[j]);
      if (B && in_all(half_spaces, *B)) return B;
    }
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = i + 1; j < n; ++j)
      for (std::size_t k = j + 1; k < n; ++k) {
        const auto B = active_triple(half_spaces[i], half_spaces[j], half_spaces[k]);
        if (B && in_all(half_spaces, *B)) return B;
      }
  return std::nullopt;
}

LockRotations lock_rotations_E(const Design& design, const State& state) {
  LockRotations rotation;
  const Shape shape(design, state);
  for (int i = 0; i < design.lock_count(); ++i)
    rotation[static_cast<std::size_t>(i)] = shape.pose_E(design.station_mm(i)).linear();
  return rotation;
}

bool stroke_too_wide(const LockHardware& lock) {
  const double stroke = std::abs(lock.angle_latched_rad - lock.angle_free_rad);
  return stroke >= M_PI * (1.0 - kHalfTurnRounding);
}

std::optional<Eigen::Vector3d> weakest_field_E(const Design& design, const LockRotations& rotation_E,
                                               const LockSet& engaged, const LockSet& switching,
                                               const FieldSlack& slack_mT) {
  assert(design.lock_count() > 0 && switching.any());
  if (stroke_too_wide(design.lock())) return std::nullopt;
  const HalfSpaces demands = half_spaces_of(design, rotation_E, engaged, switching, slack_mT);
  return least_norm_point(demands.view());
}

FieldNeed least_field(const Design& design, const State& state, int lock) {
  FieldNeed need;
  if (stroke_too_wide(design.lock())) {
    need.refusal = FieldRefusal::stroke_too_wide;
    return need;
  }
  LockSet switching;
  switching.set(static_cast<std::size_t>(lock));
  const LockRotations rotation_E = lock_rotations_E(design, state);
  const auto B_E = weakest_field_E(design, rotation_E, state.engaged, switching);
  if (B_E) need.field_S = design.R_SE() * *B_E;
  if (within_limit(design, B_E)) return need;
  need.refusal = B_E ? FieldRefusal::too_strong : FieldRefusal::inseparable;
  need.lock_in_the_way = lock_in_the_way(design, rotation_E, state.engaged, lock);
  return need;
}

Eigen::Vector3d coil_currents_A(const FieldHardware& field, const Eigen::Vector3d& field_S_mT) {
  return (field.R_SC.transpose() * field_S_mT).cwiseQuotient(field.coil_mT_per_A);
}

double helmholtz_mT_per_A(double turns, double radius_mm) {
  constexpr double kMilliteslaPerTesla = 1e3;
  constexpr double kMillimetresPerMetre = 1e3;
  return std::pow(0.8, 1.5) * kMu0 * turns / radius_mm * kMillimetresPerMetre * kMilliteslaPerTesla;
}

double magnet_moment_Am2(double remanence_T, double volume_mm3) {
  constexpr double kCubicMetresPerCubicMillimetre = 1e-9;
  return remanence_T * volume_mm3 * kCubicMetresPerCubicMillimetre / kMu0;
}

}  // namespace withy
