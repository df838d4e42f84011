// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/plan_switches.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "planner/proof/plans/coils.h"

namespace withy::recheck {
namespace {

// Fields and currents may pass their limits by this share: numbers in files are decimals.
constexpr double kFieldShare = 1e-6;
// A field of the file may be off by so much (mT).
constexpr double kField_mT = 1e-6;

Finding moves_nothing(const PlanInHand& hand, const FileAction& action, std::size_t open, std::size_t shut) {
  const StateBox& a = hand.boxes[open];
  const StateBox& b = hand.boxes[shut];
  std::vector<int> with = hand.bodies[open]->engaged();
  if (std::find(with.begin(), with.end(), action.lock) != with.end())
    return refuted("the lock is in that state already");
  with.push_back(action.lock);
  std::sort(with.begin(), with.end());
  if (with != hand.bodies[shut]->engaged()) return refuted("another lock switches too");
  if (std::abs(a.d_lo - b.d_lo) > kSamePlace_mm ||
      length({a.u[0] - b.u[0], a.u[1] - b.u[1]}).hi > kEqualCurvature_per_mm)
    return refuted("a switch moves the body");
  return std::nullopt;
}

/// Region r of the state with the lock released is regions r and r + 1 of the other.
Finding bends_carry_over(const PlanInHand& hand, std::size_t open, std::size_t shut, std::size_t r,
                         int lock) {
  const Body& body = *hand.bodies[open];
  const StateBox& a = hand.boxes[open];
  const StateBox& b = hand.boxes[shut];
  for (std::size_t i = 0; i < a.theta.size(); ++i) {
    if (i == r) continue;
    if (!same_bend(a.theta[i], b.theta[i < r ? i : i + 1])) return refuted("a switch changes a frozen bend");
  }
  const Interval d(a.d_lo);
  const Interval station(hand.robot.layout.station_mm[static_cast<std::size_t>(lock)]);
  const Interval f = body.flexible_between(body.region_start(r), station, d);
  Interval2 split;
  if (r == a.theta.size()) {
    split = {f * a.u[0], f * a.u[1]};
  } else {
    const Interval rest = body.flexible_between(station, body.region_end(r), d);
    const Interval all = f + rest;
    const Interval share = all.lo > 0.0 ? f / all : Interval(0.0);
    split = {share * a.theta[r][0], share * a.theta[r][1]};
    if (!same_bend(a.theta[r], {b.theta[r][0] + b.theta[r + 1][0], b.theta[r][1] + b.theta[r + 1][1]}))
      return refuted("a switch changes a frozen bend");
  }
  if (!same_bend(split, b.theta[r])) return refuted("the curvature on both sides of the lock is not equal");
  return std::nullopt;
}

/// The field that the file names is what its currents make, and within the limits of coils and locks.
Finding field_is_made(const PlanInHand& hand, const FileAction& action,
                      const std::vector<Interval3>& made_E) {
  const FieldHardware& field = *hand.scene.parts.field;
  for (const Interval3& B : made_E) {
    const Interval strength = sqrt(square(B[0]) + square(B[1]) + square(B[2]));
    if (!(strength.hi <= field.strength_max_mT * (1.0 + kFieldShare)))
      return refuted(fmt::format("its field of {:.4g} mT is stronger than {:.4g} at a lock",
                                 strength.middle(), field.strength_max_mT));
  }
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    if (field.coils[k].current_max_A &&
        std::abs(action.current_A[k]) > *field.coils[k].current_max_A * (1.0 + kFieldShare))
      return refuted(fmt::format("coil {} takes {:.4g} A at most", k + 1, *field.coils[k].current_max_A));
  const Interval3 B_S =
      in_scene(hand.scene.entry.X_SE.linear(), made_E[static_cast<std::size_t>(action.lock)]);
  for (std::size_t i = 0; i < 3; ++i)
    if (!may_be_equal(B_S[i] + Interval(-kField_mT, kField_mT),
                      Interval((*action.field_S)[static_cast<Eigen::Index>(i)])))
      return refuted("its currents do not make the field that it names");
  return std::nullopt;
}

std::vector<Interval3> made_by(const PlanInHand& hand, const FileAction& action, const Body& body,
                               const StateBox& state) {
  const FieldLimits limits(hand.robot, hand.scene.parts.field, hand.scene.entry.X_SE.linear());
  std::vector<Interval3> places = limits.places(body, state);
  return coils_field(*hand.scene.parts.field, hand.scene.entry.X_SE, action.current_A, places);
}

Finding field_switches(const PlanInHand& hand, const FileAction& action) {
  if (!hand.scene.parts.field) return std::nullopt;
  if (!action.field_S) return refuted("it names no field");
  if (static_cast<int>(action.current_A.size()) != hand.scene.parts.field->coil_count())
    return refuted(fmt::format("it names {} currents, there are {} coils", action.current_A.size(),
                               hand.scene.parts.field->coil_count()));
  const Body& body = *hand.bodies[action.from];
  const StateBox& state = hand.boxes[action.from];
  if (auto found = field_is_made(hand, action, made_by(hand, action, body, state))) return found;
  const Interval reserve = reserve_in(hand, action, body, state);
  const double said = std::max(1.0, action.reserve.value_or(1.0));
  if (reserve.lo >= said * (1.0 - kReserveShare)) return std::nullopt;
  const std::string why = fmt::format("its field switches lock {} with a reserve of {:.4g}, {:.4g} is said",
                                      action.lock + 1, reserve.hi, said);
  return reserve.hi < said * (1.0 - kReserveShare) ? refuted(why) : open_still("whether " + why);
}

}  // namespace

Finding is_latchable(const PlanInHand& hand, const StateBox& shut, std::size_t r, int lock) {
  if (hand.lattice.kind() == Lattice::Kind::everything) return std::nullopt;
  Interval2 sum{};
  for (std::size_t i = 0; i <= r; ++i)
    for (std::size_t k = 0; k < 2; ++k) sum[k] = sum[k] + shut.theta[i][k];
  for (Interval& x : sum) x = x + Interval(-kSameBend_rad, kSameBend_rad);
  if (!hand.lattice.may_hold(sum))
    return refuted(fmt::format("lock {} holds a bend that is on no notch", lock + 1));
  return std::nullopt;
}

std::size_t region_of(const std::vector<int>& engaged, int lock) {
  return static_cast<std::size_t>(std::lower_bound(engaged.begin(), engaged.end(), lock) - engaged.begin());
}

Interval reserve_in(const PlanInHand& hand, const FileAction& action, const Body& body,
                    const StateBox& state) {
  const FieldLimits limits(hand.robot, hand.scene.parts.field, hand.scene.entry.X_SE.linear());
  return limits.reserve(body, state, hand.bodies[action.from]->engaged(), action.lock,
                        made_by(hand, action, body, state));
}

Finding switch_holds(const PlanInHand& hand, const FileAction& action) {
  if (action.lock < 0) return refuted("it names no lock");
  const bool engages = action.kind == "lock";
  const std::size_t open = engages ? action.from : action.to;
  const std::size_t shut = engages ? action.to : action.from;
  if (auto found = moves_nothing(hand, action, open, shut)) return found;
  const std::size_t r = region_of(hand.bodies[open]->engaged(), action.lock);
  if (auto found = bends_carry_over(hand, open, shut, r, action.lock)) return found;
  if (auto found = is_latchable(hand, hand.boxes[shut], r, action.lock)) return found;
  return field_switches(hand, action);
}

}  // namespace withy::recheck
