// SPDX-License-Identifier: GPL-3.0-or-later
// All limits of the hardware in one place: of a state, of a motion between two states, of a lock's switch,
// and of whole boxes of states at once.
//
//   stroke       |pull_k| <= stroke_max for every tendon (tendons.h)
//   plane        the tendons can make the free region's moment at all (tendons.h)
//   tension      T_base,k <= tension_max for every tendon, friction included (tendons.h)
//   lock load    |sum_k t_k r_t e_k - EI u_frozen| <= hold_moment in every frozen region, each t_k at
//                friction's worst, drawn or let out (locks.h)
//   field        coil currents within their limits, their field within strength_max, switch the lock with a
//                reserve of 1 and keep the others (field.h)
//   coupling     no lock's magnet moves another off its stop (field.h); a limit of states, not of switches
//
// The first four are checked when the scene describes the tendons, the last two when it describes the field.
// Nothing here checks curvature or insertion limits (planner/motion/action.h) or at the latch (latch.h).
//
// Boxes: a box holds every state of one set of engaged locks whose insertion, frozen bends and free curvature
// lie between two ends. Its verdict is exact in both directions but may be "some" for want of a sharper
// bound: "none" means that no state of the box keeps the limits, "all" that every one does. The bounds are
// derived beside the code.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/field.h"
#include "planner/segment/state.h"
#include "planner/segment/tendons.h"

namespace withy {

enum class HardwareLimit { stroke, tendon_plane, tension, lock_load, field, coupling };

/// "stroke", "tendon plane", "tension", "lock load", "field", "coupling".
const char* name_of(HardwareLimit limit);

/// One limit that is broken.
struct HardwareBreach {
  HardwareLimit limit = HardwareLimit::stroke;
  int index = -1;  ///< tendon (stroke, tension) or lock (lock load, field), from 0; -1 where none is meant
  double value = 0.0;                         ///< mm, N, N mm or mT; infinite where nothing finite would do
  double allowed = 0.0;                       ///< the limit, same unit
  std::optional<TensionFault> tension_fault;  ///< tendon_plane only
  std::optional<FieldRefusal> field_refusal;  ///< field only
  int lock_in_the_way = -1;                   ///< field only: see FieldNeed
  int coil = -1;  ///< field only, where a coil's current is what is too much: value and limit are in A then

  /// One sentence with number and limit, without its full stop.
  std::string sentence() const;
};

/// What a state asks of the hardware. Vectors are empty where the scene leaves out what they need.
struct HardwareUse {
  Eigen::VectorXd pull_mm;
  Eigen::VectorXd tension_N;  ///< at the base, friction included; empty too when no tensions make the moment
  double wrapped_rad = 0.0;   ///< Lambda
  std::vector<double> lock_moment_Nmm;  ///< one for each lock, 0 when released
  double backlash_tip_shift_mm = 0.0;
};

/// A box of states with one set of engaged locks. `theta_lo[i]`, `theta_hi[i]` bound the i-th frozen bend
/// component by component (equal where the bend is known).
struct StateBox {
  LockSet engaged;
  double insertion_lo_mm = 0.0;
  double insertion_hi_mm = 0.0;
  std::array<Eigen::Vector2d, kMaxLocks> theta_lo;
  std::array<Eigen::Vector2d, kMaxLocks> theta_hi;
  Eigen::Vector2d u_lo = Eigen::Vector2d::Zero();
  Eigen::Vector2d u_hi = Eigen::Vector2d::Zero();

  /// The box that holds just `state`.
  static StateBox around(const State& state);
};

enum class BoxVerdict { none, some, all };

/// Answers for one design, which must outlive it. Constant after construction: safe from several threads.
class Hardware {
 public:
  /// `least_reserve`: what may_switch and switch_over ask of a switch. More than 1 is a wish of whoever asks,
  /// no limit of the hardware.
  explicit Hardware(const Design& design, double least_reserve = 1.0);

  const Design& design() const { return *design_; }
  bool checks_tendons() const { return statics_.has_value(); }
  bool checks_field() const { return design_->field().has_value() && design_->lock_count() > 0; }

  HardwareUse use(const State& state) const;

  /// The first limit (in the order above) that the state breaks; nothing when it keeps all. The field is no
  /// limit of states.
  std::optional<HardwareBreach> state_breach(const State& state) const;

  /// The first limit found broken on the straight motion (insertion and free curvature linear) between two
  /// states of the same locks and frozen bends; nothing when every state on it keeps all. Verified over
  /// the whole motion, not sampled. A motion that comes up to a limit within kWayResolution of its length
  /// without ending there counts as breaking it.
  std::optional<HardwareBreach> motion_breach(const State& from, const State& to) const;

  /// What the field must be to switch `lock` in `state`, before the switch. Without [field] any strength is
  /// allowed.
  FieldNeed switch_need(const State& state, int lock) const;

  /// The currents that a plan switches `lock` with in `state`; nothing where no currents do.
  std::optional<SwitchChoice> switch_choice(const State& state, int lock) const;

  /// Nothing when the field can switch `lock` in `state` with a reserve of 1, or when the scene has no field.
  std::optional<HardwareBreach> switch_breach(const State& state, int lock) const;

  /// Is there a field for the switch with the least reserve? With 1, switch_breach for less, without saying
  /// what is in between.
  bool may_switch(const State& state, int lock) const;

  /// Can any state that keeps the curvature limit have a magnet moved off its stop by others?
  bool magnets_couple() const { return couples_; }

  /// The lock that others' magnets move off its stop in `state`, the one pushed hardest; nothing when there
  /// is none, or when the scene has no field.
  std::optional<HardwareBreach> coupling_breach(const State& state) const;

  /// The same over the whole straight motion between two states, as motion_breach.
  std::optional<HardwareBreach> coupling_motion_breach(const State& from, const State& to) const;

  /// Do the magnets leave one another on their stops over a box? "all" when the scene has no field.
  BoxVerdict coupling_over(const StateBox& box) const;

  /// Stroke, plane, tension and lock load over a box; "all" when the scene has no tendons.
  BoxVerdict states_over(const StateBox& box) const;

  /// Can the field switch `lock` (engaged or not as the box says) over a box, with the least reserve? "all"
  /// when the scene has no field.
  BoxVerdict switch_over(const StateBox& box, int lock) const;

 private:
  std::optional<HardwareBreach> search_coupling(const State& from, const State& to, double share) const;

  const Design* design_;
  double least_reserve_;
  bool couples_ = false;  ///< can any legal state have a magnet moved off its stop by others?
  std::optional<TendonStatics> statics_;
  std::vector<Eigen::Vector2d> tendon_direction_;
};

/// Finest share of a motion that motion_breach checks.
inline constexpr double kWayResolution = 1.0 / 65536.0;

}  // namespace withy
