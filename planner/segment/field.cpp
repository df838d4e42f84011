// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/field.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include <Eigen/Geometry>
#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/greatest_reserve.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Share by which a stroke may come up to half a turn.
constexpr double kHalfTurnRounding = 1e-12;

/// "Any strength" ends here (mT): ten times the most that a scene may allow. Beyond it stand fields whose
/// direction the coils don't make at all but for rounding.
constexpr double kAnyStrength_mT = 1e5;

/// The greatest reserve within the limits is found to this.
constexpr double kReserveStep = 1e-7;

/// +1 when the stroke runs to larger angles.
double sense_of_stroke(const LockHardware& lock) {
  return lock.angle_latched_rad > lock.angle_free_rad ? 1.0 : -1.0;
}

/// Angles of one lock's magnet, clocking included.
struct Stroke {
  double free_rad = 0.0;
  double latched_rad = 0.0;
  double now_rad = 0.0;   ///< at its present stop
  double to_other = 1.0;  ///< sense of the way to the other stop
};

Stroke stroke_of(const Design& design, const LockSet& engaged, int lock) {
  const auto index = static_cast<std::size_t>(lock);
  const LockHardware& hardware = design.lock();
  const double clock = design.layout().clock_rad[index];
  Stroke stroke;
  stroke.free_rad = hardware.angle_free_rad + clock;
  stroke.latched_rad = hardware.angle_latched_rad + clock;
  stroke.now_rad = engaged.test(index) ? stroke.latched_rad : stroke.free_rad;
  stroke.to_other = (engaged.test(index) ? -1.0 : 1.0) * sense_of_stroke(hardware);
  return stroke;
}

Eigen::Vector3d moment_direction(const Eigen::Matrix3d& R, double angle_rad) {
  return R * Eigen::Vector3d(std::cos(angle_rad), std::sin(angle_rad), 0.0);
}

Eigen::Vector3d torque_direction(const Eigen::Matrix3d& R, double angle_rad) {
  return R * Eigen::Vector3d(-std::sin(angle_rad), std::cos(angle_rad), 0.0);
}

/// Most of w_x cos a + w_y sin a over angles from `a0` to `a1`: that of least_torque_mT with its sign turned.
double most_along(const Eigen::Vector2d& w, double a0_rad, double a1_rad) {
  return -least_torque_mT({w.y(), -w.x()}, a0_rad, a1_rad);
}

/// Field (mT, in E) of the magnets that rest, at lock `lock`.
Eigen::Vector3d resting_field_E(const Design& design, const LockPoses& poses, const LockSet& engaged,
                                const LockSet& switching, int lock) {
  const auto at = static_cast<std::size_t>(lock);
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (int j = 0; j < design.lock_count(); ++j) {
    const auto other = static_cast<std::size_t>(j);
    if (j == lock || switching.test(other)) continue;
    const double now = stroke_of(design, engaged, j).now_rad;
    B += dipole_field_mT(design.lock().magnet_Am2 * moment_direction(poses.R_E[other], now),
                         poses.p_E[at] - poses.p_E[other]);
  }
  return B;
}

/// Most (mT) that the magnets of `switching` other than `lock`, each anywhere on its stroke, make against
/// `normal_E` at lock `lock`.
double moving_against_mT(const Design& design, const LockPoses& poses, const LockSet& engaged,
                         const LockSet& switching, int lock, const Eigen::Vector3d& normal_E) {
  double against = 0.0;
  for (int j = 0; j < design.lock_count(); ++j) {
    const auto other = static_cast<std::size_t>(j);
    if (j == lock || !switching.test(other)) continue;
    const Stroke stroke = stroke_of(design, engaged, j);
    // D is symmetric: normal . D u = u . D normal.
    const Eigen::Vector3d w = poses.R_E[other].transpose() *
                              dipole_field_mT(-design.lock().magnet_Am2 * normal_E,
                                              poses.p_E[static_cast<std::size_t>(lock)] - poses.p_E[other]);
    against += most_along(w.head<2>(), stroke.free_rad, stroke.latched_rad);
  }
  return against;
}

Eigen::Vector3d known_ambient_E(const Design& design) {
  if (!design.field()) return Eigen::Vector3d::Zero();
  return design.R_SE().transpose() * design.field()->ambient_S;
}

double unknown_ambient_mT(const Design& design) {
  return design.field() ? design.field()->ambient_mT : 0.0;
}

std::vector<CurrentDemand> current_demands(const Design& design, const std::vector<TorqueDemand>& torques,
                                           const CurrentLimits& limits, double reserve) {
  std::vector<CurrentDemand> demands;
  demands.reserve(torques.size());
  for (const TorqueDemand& t : torques)
    demands.push_back({limits.gains[static_cast<std::size_t>(t.lock)].transpose() * t.normal_E,
                       demanded_mT(design.lock(), t, reserve)});
  return demands;
}

double largest_strength_mT(const CurrentLimits& limits, const Currents& I) {
  double most = 0.0;
  for (const CoilGains& G : limits.gains) most = std::max(most, (G * I).norm());
  return most;
}

CurrentLimits without_limits(const CurrentLimits& limits) {
  CurrentLimits none;
  none.gains = limits.gains;
  none.most_mT.assign(limits.gains.size(), kInfinity);
  return none;
}

/// One switch in one pose, with everything that doesn't depend on the reserve at hand.
class SwitchQuestion {
 public:
  SwitchQuestion(const Design& design, const LockPoses& poses, const LockSet& engaged,
                 const LockSet& switching, std::span<const LockPoses> also = {})
      : design_(design),
        poses_(poses),
        engaged_(engaged),
        switching_(switching),
        torques_(torque_demands(design, poses, engaged, switching)),
        limits_(current_limits(design, poses)) {
    for (const LockPoses& other : also) add_beside(other);
  }

  const CurrentLimits& limits() const { return limits_; }

  /// Of least sum of squares, but where the cuts of least_currents come to no end: there whatever an ascent
  /// from less reserve comes to.
  std::optional<Currents> within_limits(double reserve) const {
    const LeastCurrents least = solution(limits_, torques_, reserve);
    if (least.verdict == CurrentsVerdict::found) return least.current_A;
    if (least.verdict == CurrentsVerdict::none) return std::nullopt;
    return by_ascent(reserve);
  }
  std::optional<Currents> at_any_strength(double reserve) const {
    auto I = solved(without_limits(limits_), torques_, reserve);
    if (I && !(largest_strength_mT(limits_, *I) <= kAnyStrength_mT)) I.reset();
    return I;
  }

  /// `I`, or better within the limits.
  Currents improved(const Currents& I, double wanted) const {
    return greatest_reserve(reserve_demands(), limits_, I, wanted);
  }

  /// Would it be allowed if lock `other` needed not be heeded?
  bool allowed_without(int other) const {
    std::vector<TorqueDemand> rest;
    for (const TorqueDemand& t : torques_)
      if (t.lock != other) rest.push_back(t);
    return solved(limits_, rest, 1.0).has_value();
  }

  SwitchCurrents described(const Currents& I, double chosen_for) const {
    SwitchCurrents out;
    out.current_A = I;
    out.strength_mT = largest_strength_mT(limits_, I);
    out.reserve = chosen_for;
    if (switching_.count() == 1) {
      int lock = 0;
      while (!switching_.test(static_cast<std::size_t>(lock))) ++lock;
      out.reserve = reserve_of(design_, poses_, engaged_, lock, I);
    }
    return out;
  }

 private:
  void add_beside(const LockPoses& poses) {
    const CurrentLimits limits = current_limits(design_, poses);
    for (const CurrentDemand& demand : current_demands(
             design_, torque_demands(design_, poses, engaged_, switching_), limits, kReserveBeside))
      beside_.push_back(demand);
    if (!design_.field() || design_.field()->coils.empty()) return;  // one field everywhere
    limits_.gains.insert(limits_.gains.end(), limits.gains.begin(), limits.gains.end());
    limits_.most_mT.insert(limits_.most_mT.end(), limits.most_mT.begin(), limits.most_mT.end());
  }

  std::optional<Currents> by_ascent(double reserve) const {
    for (const double share : {0.9, 0.7, 0.5}) {
      const LeastCurrents start = solution(limits_, torques_, share * reserve);
      if (start.verdict != CurrentsVerdict::found) continue;
      const Currents I = improved(start.current_A, reserve);
      if (reserve_by_demands(reserve_demands(), I) >= reserve * (1.0 - kCurrentRounding)) return I;
    }
    return std::nullopt;
  }

  std::vector<ReserveDemand> reserve_demands() const {
    std::vector<ReserveDemand> demands;
    const LockHardware& lock = design_.lock();
    for (const TorqueDemand& t : torques_)
      demands.push_back({limits_.gains[static_cast<std::size_t>(t.lock)].transpose() * t.normal_E, t.base_mT,
                         (t.drives ? lock.switch_torque_Nmm : lock.hold_torque_Nmm) / lock.magnet_Am2,
                         t.drives});
    for (const CurrentDemand& d : beside_) demands.push_back({d.row, d.at_least, 0.0, false});
    return demands;
  }

  std::optional<Currents> solved(const CurrentLimits& limits, const std::vector<TorqueDemand>& torques,
                                 double reserve) const {
    const LeastCurrents least = solution(limits, torques, reserve);
    if (least.verdict != CurrentsVerdict::found) return std::nullopt;
    return least.current_A;
  }

  LeastCurrents solution(const CurrentLimits& limits, const std::vector<TorqueDemand>& torques,
                         double reserve) const {
    std::vector<CurrentDemand> demands = current_demands(design_, torques, limits_, reserve);
    demands.insert(demands.end(), beside_.begin(), beside_.end());
    return least_currents(demands, limits);
  }

  const Design& design_;
  const LockPoses& poses_;
  LockSet engaged_;
  LockSet switching_;
  std::vector<TorqueDemand> torques_;
  CurrentLimits limits_;
  std::vector<CurrentDemand> beside_;  // of the other poses
};

/// Why the currents of a reserve of 1 are not allowed.
void refuse(const Design& design, const SwitchQuestion& question, const Currents& I, FieldNeed& need) {
  need.refusal = FieldRefusal::too_strong;
  if (need.largest_mT > design.field()->strength_max_mT * (1.0 + kCurrentRounding)) return;
  const Currents& most = question.limits().most_A;
  double worst = 1.0 + kCurrentRounding;
  for (Eigen::Index c = 0; c < most.size(); ++c) {
    if (!(std::abs(I(c)) > worst * most(c))) continue;
    worst = std::abs(I(c)) / most(c);
    need.refusal = FieldRefusal::too_much_current;
    need.coil = static_cast<int>(c);
    need.current_A = std::abs(I(c));
  }
}

int lock_in_the_way(const Design& design, const SwitchQuestion& question, int lock) {
  int found = -1;
  for (int j = 0; j < design.lock_count(); ++j) {
    if (j == lock || !question.allowed_without(j)) continue;
    if (found >= 0) return -1;
    found = j;
  }
  return found;
}

}  // namespace

LockPoses lock_poses_E(const Design& design, const State& state) {
  LockPoses poses;
  const Shape shape(design, state);
  for (int i = 0; i < design.lock_count(); ++i) {
    const Eigen::Isometry3d X = shape.pose_E(design.station_mm(i));
    poses.R_E[static_cast<std::size_t>(i)] = X.linear();
    poses.p_E[static_cast<std::size_t>(i)] = X.translation();
  }
  return poses;
}

LockSet only(int lock) {
  LockSet set;
  set.set(static_cast<std::size_t>(lock));
  return set;
}

bool stroke_too_wide(const LockHardware& lock) {
  const double stroke = std::abs(lock.angle_latched_rad - lock.angle_free_rad);
  return stroke >= M_PI * (1.0 - kHalfTurnRounding);
}

Eigen::Vector3d dipole_field_mT(const Eigen::Vector3d& m_Am2, const Eigen::Vector3d& r_mm) {
  const double r = r_mm.norm();
  const Eigen::Vector3d along = r_mm / r;
  return kDipole / (r * r * r) * (3.0 * along.dot(m_Am2) * along - m_Am2);
}

double coupling_push_Nmm(const Design& design, const LockPoses& poses, const LockSet& engaged, int lock) {
  const Stroke stroke = stroke_of(design, engaged, lock);
  const Eigen::Vector3d B = resting_field_E(design, poses, engaged, LockSet{}, lock);
  const Eigen::Matrix3d& R = poses.R_E[static_cast<std::size_t>(lock)];
  return design.lock().magnet_Am2 * stroke.to_other * torque_direction(R, stroke.now_rad).dot(B);
}

std::vector<TorqueDemand> torque_demands(const Design& design, const LockPoses& poses, const LockSet& engaged,
                                         const LockSet& switching) {
  assert(design.lock_count() > 0 && switching.any());
  const Eigen::Vector3d ambient_E = known_ambient_E(design);
  std::vector<TorqueDemand> demands;
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    const Stroke stroke = stroke_of(design, engaged, i);
    const Eigen::Vector3d B = resting_field_E(design, poses, engaged, switching, i) + ambient_E;
    const auto add = [&](double sense, double angle_rad, bool drives) {
      TorqueDemand demand;
      demand.lock = i;
      demand.normal_E = sense * torque_direction(poses.R_E[index], angle_rad);
      demand.drives = drives;
      demand.base_mT = unknown_ambient_mT(design) - demand.normal_E.dot(B) +
                       moving_against_mT(design, poses, engaged, switching, i, demand.normal_E);
      demands.push_back(demand);
    };
    if (switching.test(index)) {
      add(stroke.to_other, stroke.free_rad, true);
      add(stroke.to_other, stroke.latched_rad, true);
    } else {
      add(-stroke.to_other, stroke.now_rad, false);
    }
  }
  return demands;
}

double demanded_mT(const LockHardware& lock, const TorqueDemand& demand, double reserve) {
  const double scaled = demand.drives ? reserve * lock.switch_torque_Nmm : -lock.hold_torque_Nmm / reserve;
  return scaled / lock.magnet_Am2 + demand.base_mT;
}

CurrentLimits current_limits(const Design& design, const LockPoses& poses) {
  CurrentLimits limits;
  const double strength = design.field() ? design.field()->strength_max_mT : kInfinity;
  for (int i = 0; i < design.lock_count(); ++i)
    limits.gains.push_back(coil_gains_E(design, poses.p_E[static_cast<std::size_t>(i)]));
  limits.most_mT.assign(limits.gains.size(), strength);
  if (!design.field() || design.field()->coils.empty()) {
    Eigen::Vector3d constant = Eigen::Vector3d::Ones();
    if (design.field()) constant = design.field()->coil_mT_per_A.cwiseAbs();
    limits.same_everywhere = constant.maxCoeff() - constant.minCoeff() <= 1e-12 * constant.maxCoeff();
    return limits;
  }
  const auto& coils = design.field()->coils;
  if (std::none_of(coils.begin(), coils.end(), [](const Coil& c) { return c.current_max_A.has_value(); }))
    return limits;
  limits.most_A.resize(static_cast<Eigen::Index>(coils.size()));
  for (std::size_t c = 0; c < coils.size(); ++c)
    limits.most_A(static_cast<Eigen::Index>(c)) = coils[c].current_max_A.value_or(kInfinity);
  return limits;
}

std::optional<SwitchCurrents> best_currents(const Design& design, const LockPoses& poses,
                                            const LockSet& engaged, const LockSet& switching, double wanted,
                                            double least, std::span<const LockPoses> also) {
  if (stroke_too_wide(design.lock())) return std::nullopt;
  const SwitchQuestion question(design, poses, engaged, switching, also);
  if (const auto I = question.within_limits(wanted)) return question.described(*I, wanted);
  // (3) only gets harder as x grows, so the reserves that can be had are those up to the greatest.
  double had = least;
  auto best = question.within_limits(had);
  if (!best) return std::nullopt;
  double not_had = wanted;
  while (not_had - had > kReserveStep) {
    const double middle = 0.5 * (had + not_had);
    if (auto I = question.within_limits(middle)) {
      had = middle;
      best = std::move(I);
    } else {
      not_had = middle;
    }
  }
  SwitchCurrents halved = question.described(*best, had);
  if (switching.count() != 1) return halved;
  SwitchCurrents improved = question.described(question.improved(*best, wanted), had);
  return improved.reserve > halved.reserve ? improved : halved;
}

std::optional<SwitchCurrents> unlimited_currents(const Design& design, const LockPoses& poses,
                                                 const LockSet& engaged, const LockSet& switching,
                                                 double reserve) {
  if (stroke_too_wide(design.lock())) return std::nullopt;
  const SwitchQuestion question(design, poses, engaged, switching);
  const auto I = question.at_any_strength(reserve);
  if (!I) return std::nullopt;
  return question.described(*I, reserve);
}

double least_torque_mT(const Eigen::Vector2d& b, double a0_rad, double a1_rad) {
  const auto torque = [&](double a) { return b.y() * std::cos(a) - b.x() * std::sin(a); };
  const double low = std::min(a0_rad, a1_rad);
  const double high = std::max(a0_rad, a1_rad);
  // b_y cos a - b_x sin a = |b| cos(a + atan2(b_x, b_y)), least where that angle is half a turn.
  constexpr double kTurn = 2.0 * std::numbers::pi;
  double trough = std::numbers::pi - std::atan2(b.x(), b.y());
  trough += kTurn * std::ceil((low - trough) / kTurn);
  if (trough < high) return -b.norm();
  return std::min(torque(low), torque(high));
}

double reserve_of(const Design& design, const LockPoses& poses, const LockSet& engaged, int lock,
                  const Currents& current_A) {
  const LockHardware& hardware = design.lock();
  const LockSet switching = only(lock);
  double reserve = kInfinity;
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    const Stroke stroke = stroke_of(design, engaged, i);
    const Eigen::Vector3d B = coil_gains_E(design, poses.p_E[index]) * current_A + known_ambient_E(design) +
                              resting_field_E(design, poses, engaged, switching, i);
    const Eigen::Vector2d b = (poses.R_E[index].transpose() * B).head<2>();
    if (i == lock) {
      const double drive =
          hardware.magnet_Am2 * (least_torque_mT(stroke.to_other * b, stroke.free_rad, stroke.latched_rad) -
                                 unknown_ambient_mT(design));
      // Currents that just balance the ambient field do so but for rounding.
      const double rounding = kCurrentRounding * hardware.magnet_Am2 * b.norm();
      const bool free_to_turn = hardware.switch_torque_Nmm <= 0.0 && drive >= -rounding;
      reserve = std::min(reserve, free_to_turn                       ? kInfinity
                                  : hardware.switch_torque_Nmm > 0.0 ? drive / hardware.switch_torque_Nmm
                                                                     : 0.0);
      continue;
    }
    const Eigen::Vector3d normal = -stroke.to_other * torque_direction(poses.R_E[index], stroke.now_rad);
    const double push =
        hardware.magnet_Am2 * (unknown_ambient_mT(design) - normal.dot(B) +
                               moving_against_mT(design, poses, engaged, switching, i, normal));
    if (push > 0.0) reserve = std::min(reserve, hardware.hold_torque_Nmm / push);
  }
  return reserve;
}

FieldNeed least_field(const Design& design, const State& state, int lock) {
  FieldNeed need;
  if (stroke_too_wide(design.lock())) {
    need.refusal = FieldRefusal::stroke_too_wide;
    return need;
  }
  const LockPoses poses = lock_poses_E(design, state);
  const SwitchQuestion question(design, poses, state.engaged, only(lock));
  const auto within = question.within_limits(1.0);
  const auto I = within ? within : question.at_any_strength(1.0);
  if (I) {
    need.field_S = field_at_lock_S(design, poses, lock, *I);
    need.largest_mT = largest_strength_mT(question.limits(), *I);
  }
  if (within) return need;
  need.refusal = FieldRefusal::inseparable;
  if (I) refuse(design, question, *I, need);
  need.lock_in_the_way = lock_in_the_way(design, question, lock);
  return need;
}

bool field_switches(const Design& design, const State& state, int lock, double reserve) {
  if (stroke_too_wide(design.lock())) return false;
  const LockPoses poses = lock_poses_E(design, state);
  return SwitchQuestion(design, poses, state.engaged, only(lock)).within_limits(reserve).has_value();
}

std::optional<SwitchChoice> choose_field(const Design& design, const State& state, int lock,
                                         std::span<const LockPoses> also) {
  const LockPoses poses = lock_poses_E(design, state);
  auto currents = best_currents(design, poses, state.engaged, only(lock), reserve_wanted(design), 1.0, also);
  if (!currents) return std::nullopt;
  SwitchChoice choice{std::move(*currents), Eigen::Vector3d::Zero()};
  choice.field_S = field_at_lock_S(design, poses, lock, choice.currents.current_A);
  return choice;
}

Eigen::Vector3d field_at_lock_S(const Design& design, const LockPoses& poses, int lock,
                                const Currents& current_A) {
  return design.R_SE() * (coil_gains_E(design, poses.p_E[static_cast<std::size_t>(lock)]) * current_A);
}

double reserve_wanted(const Design& design) {
  return design.field() ? design.field()->reserve_wanted : kUsualReserve;
}

Eigen::Vector3d coil_currents_A(const FieldHardware& field, const Eigen::Vector3d& field_S_mT) {
  assert(field.coils.empty());
  return (field.R_SC.transpose() * field_S_mT).cwiseQuotient(field.coil_mT_per_A);
}

double magnet_moment_Am2(double remanence_T, double volume_mm3) {
  constexpr double kCubicMetresPerCubicMillimetre = 1e-9;
  return remanence_T * volume_mm3 * kCubicMetresPerCubicMillimetre / kMu0;
}

std::optional<TooNear> too_near(const Design& design) {
  if (design.lock_count() < 2) return std::nullopt;
  const LockPoses poses = lock_poses_E(design, start_state());
  std::optional<TooNear> worst;
  for (unsigned set = 0; set < 1U << design.lock_count(); ++set)
    for (int lock = 0; lock < design.lock_count(); ++lock) {
      const double torque = coupling_push_Nmm(design, poses, LockSet(set), lock);
      if (torque <= design.lock().hold_torque_Nmm * (1.0 + kCurrentRounding)) continue;
      if (worst && torque <= worst->torque_Nmm) continue;
      worst.emplace();
      worst->pushed = lock;
      worst->torque_Nmm = torque;
    }
  if (!worst) return worst;
  double nearest = kInfinity;
  for (int j = 0; j < design.lock_count(); ++j) {
    const double spacing = std::abs(design.station_mm(j) - design.station_mm(worst->pushed));
    if (j == worst->pushed || spacing >= nearest) continue;
    nearest = spacing;
    worst->by = j;
  }
  worst->spacing_mm = nearest;
  // All torques fall with the cube of the spacings.
  worst->spacing_wanted_mm = design.lock().hold_torque_Nmm > 0.0
                                 ? nearest * std::cbrt(worst->torque_Nmm / design.lock().hold_torque_Nmm)
                                 : kInfinity;
  return worst;
}

std::string sentence_of(const TooNear& near, const Design& design) {
  const double hold = design.lock().hold_torque_Nmm;
  const std::string would_do =
      std::isfinite(near.spacing_wanted_mm)
          ? fmt::format("a spacing of {:.2f} mm would do", std::ceil(near.spacing_wanted_mm * 100.0) / 100.0)
          : std::string("no spacing would do: give the lock a hold torque");
  return fmt::format(
      "locks {} and {} sit {:.2f} mm apart, so near that in the straight segment the magnets turn lock {} "
      "off its "
      "stop with {:.4f} N mm, above the hold torque of {:.4f} N mm; {}",
      std::min(near.pushed, near.by) + 1, std::max(near.pushed, near.by) + 1, near.spacing_mm,
      near.pushed + 1, near.torque_Nmm, hold, would_do);
}

double least_strength_mT(const Design& design) {
  const LockHardware& lock = design.lock();
  if (stroke_too_wide(lock)) return kInfinity;
  const double stroke = std::abs(lock.angle_latched_rad - lock.angle_free_rad);
  double least = kInfinity;
  for (int i = 0; i < design.lock_count(); ++i) {
    // What the lock needs may come from elsewhere by no more than this: the known ambient field, and every
    // other magnet end on to the lock, as near as the tightest bend brings it.
    double help = design.field() ? design.field()->ambient_S.norm() : 0.0;
    for (int j = 0; j < design.lock_count(); ++j) {
      if (j == i) continue;
      const double chord = least_lock_distance_mm(design, i, j);
      help += 2.0 * kDipole * lock.magnet_Am2 / (chord * chord * chord);
    }
    const double needed =
        (lock.switch_torque_Nmm / lock.magnet_Am2 + unknown_ambient_mT(design)) / std::cos(0.5 * stroke);
    least = std::min(least, needed - help);
  }
  return std::max(0.0, least);
}

double most_coil_field_mT(const Design& design) {
  if (!design.field() || design.field()->coils.empty() || design.lock_count() == 0) return kInfinity;
  // The base is at depth -L to d_max - L on the advance axis, and a lock at most its station away from it.
  const double half_travel = 0.5 * design.carriage().insertion_max_mm;
  const Eigen::Vector3d centre_E(0.0, 0.0, half_travel - design.length_mm());
  const double radius = half_travel + design.station_mm(design.lock_count() - 1);
  const Eigen::Vector3d centre_S = design.R_SE() * centre_E + design.p_SE();
  double most = 0.0;
  for (const Coil& coil : design.field()->coils) {
    if (!coil.current_max_A) return kInfinity;
    most += *coil.current_max_A * coil_field_bound(coil, distance_to_wire_mm(coil, centre_S) - radius);
  }
  return most;
}

double least_lock_distance_mm(const Design& design, int a, int b) {
  const double l = std::abs(design.station_mm(a) - design.station_mm(b));
  const double kappa = design.segment().curvature_max_per_mm;
  const double half_turn = 0.5 * kappa * l;
  return half_turn < std::numbers::pi ? 2.0 / kappa * std::sin(half_turn) : 0.0;
}

}  // namespace withy
