// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/hardware.h"

#include <cassert>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/hardware_bounds.h"
#include "planner/segment/locks.h"

namespace withy {
namespace {

/// What a field that would have to switch lock `index` runs into, as a sentence.
std::string field_sentence(const HardwareBreach& breach) {
  const int lock = breach.index + 1;
  const std::string other = breach.lock_in_the_way >= 0 ? fmt::format("lock {}", breach.lock_in_the_way + 1)
                                                        : std::string("another lock");
  switch (*breach.field_refusal) {
    case FieldRefusal::stroke_too_wide:
      return fmt::format("no constant field turns the magnet of lock {} over a stroke of half a turn or more",
                         lock);
    case FieldRefusal::inseparable:
      return fmt::format("no field of any strength switches lock {} here without switching {} too", lock,
                         other);
    case FieldRefusal::too_much_current:
      return fmt::format(
          "the least currents that switch lock {} here take {:.3g} A in coil {}, above its limit of {:.3g} A",
          lock, breach.value, breach.coil + 1, breach.allowed);
    case FieldRefusal::too_strong:
      break;
  }
  const std::string why =
      breach.lock_in_the_way >= 0 ? fmt::format(" and leaves {} as it is", other) : std::string();
  return fmt::format(
      "the weakest field that switches lock {} here{} is {:.3g} mT, above the limit of {:.3g} mT", lock, why,
      breach.value, breach.allowed);
}

std::optional<HardwareBreach> tendon_breach(HardwareLimit limit, const Eigen::VectorXd& value,
                                            double allowed) {
  for (Eigen::Index k = 0; k < value.size(); ++k)
    if (exceeds(std::abs(value(k)), allowed))
      return HardwareBreach{limit, static_cast<int>(k), value(k), allowed, {}, {}, -1};
  return std::nullopt;
}

/// Can the magnets move one another off a stop in any state that keeps the curvature limit? Each is turned by
/// every other with at most 2 K m^2 / r^3, end on, r at least what least_lock_distance_mm says.
bool may_couple(const Design& design) {
  const LockHardware& lock = design.lock();
  for (int i = 0; i < design.lock_count(); ++i) {
    double most = 0.0;
    for (int j = 0; j < design.lock_count(); ++j) {
      if (j == i) continue;
      const double r = least_lock_distance_mm(design, i, j);
      most += 2.0 * kDipole * lock.magnet_Am2 * lock.magnet_Am2 / (r * r * r);
    }
    if (!(most <= lock.hold_torque_Nmm)) return true;
  }
  return false;
}

}  // namespace

const char* name_of(HardwareLimit limit) {
  switch (limit) {
    case HardwareLimit::stroke:
      return "stroke";
    case HardwareLimit::tendon_plane:
      return "tendon plane";
    case HardwareLimit::tension:
      return "tension";
    case HardwareLimit::lock_load:
      return "lock load";
    case HardwareLimit::field:
      return "field";
    case HardwareLimit::coupling:
      return "coupling";
  }
  return "";
}

std::string HardwareBreach::sentence() const {
  switch (limit) {
    case HardwareLimit::stroke:
      return fmt::format("tendon {} would be drawn by {:.4g} mm, beyond its stroke of {:.4g} mm", index + 1,
                         value, allowed);
    case HardwareLimit::tendon_plane:
      return fmt::format("the tendons can't bend the free region {}", phrase_of(*tension_fault));
    case HardwareLimit::tension:
      return fmt::format("tendon {} would carry {:.4g} N at the base, above the limit of {:.4g} N", index + 1,
                         value, allowed);
    case HardwareLimit::lock_load:
      return fmt::format("lock {} would have to hold {:.4g} N mm, above its hold moment of {:.4g} N mm",
                         index + 1, value, allowed);
    case HardwareLimit::field:
      return field_sentence(*this);
    case HardwareLimit::coupling:
      return fmt::format(
          "the magnets of the other locks turn lock {} off its stop with {:.3g} N mm, above the {:.3g} N mm "
          "that "
          "hold it",
          index + 1, value, allowed);
  }
  return {};
}

StateBox StateBox::around(const State& state) {
  StateBox box;
  box.engaged = state.engaged;
  box.insertion_lo_mm = box.insertion_hi_mm = state.insertion_mm;
  for (std::size_t i = 0; i < state.theta_frozen.size(); ++i)
    box.theta_lo[i] = box.theta_hi[i] = state.theta_frozen[i];
  box.u_lo = box.u_hi = state.u_free;
  return box;
}

Hardware::Hardware(const Design& design, double least_reserve)
    : design_(&design), least_reserve_(least_reserve) {
  if (checks_field()) couples_ = may_couple(design);
  if (!design.tendons()) return;
  statics_.emplace(*design.tendons());
  for (const double beta : design.tendons()->angle_rad)
    tendon_direction_.emplace_back(std::cos(beta), std::sin(beta));
}

HardwareUse Hardware::use(const State& state) const {
  HardwareUse use;
  const std::vector<Region> regions = regions_of(*design_, state);
  use.wrapped_rad = wrapped_angle(regions);
  use.backlash_tip_shift_mm = backlash_tip_shift_mm(*design_, state);
  if (!statics_) return use;
  const TendonHardware& tendons = *design_->tendons();
  use.pull_mm = tendon_pulls(*design_, regions, state.insertion_mm);
  use.lock_moment_Nmm = lock_moments(*design_, *statics_, regions);
  const auto T = statics_->tensions(design_->segment().flexural_rigidity_Nmm2 * state.u_free);
  if (T) use.tension_N = *T * capstan_factor(tendons.friction_coefficient, use.wrapped_rad);
  return use;
}

std::optional<HardwareBreach> Hardware::state_breach(const State& state) const {
  // The bounds of a box of one state are its figures, found without allocation; what follows finds which
  // limit is broken.
  if (states_over(StateBox::around(state)) == BoxVerdict::all) return std::nullopt;
  const TendonHardware& tendons = *design_->tendons();
  const std::vector<Region> regions = regions_of(*design_, state);
  const Eigen::VectorXd pull = tendon_pulls(*design_, regions, state.insertion_mm);
  if (auto breach = tendon_breach(HardwareLimit::stroke, pull, tendons.stroke_max_mm)) return breach;
  const Eigen::Vector2d moment = design_->segment().flexural_rigidity_Nmm2 * state.u_free;
  const auto T = statics_->tensions(moment);
  if (!T) {
    HardwareBreach breach;
    breach.limit = HardwareLimit::tendon_plane;
    breach.value = moment.norm();
    breach.tension_fault = T.error();
    return breach;
  }
  const double factor = capstan_factor(tendons.friction_coefficient, wrapped_angle(regions));
  if (auto breach = tendon_breach(HardwareLimit::tension, *T * factor, tendons.tension_max_N)) return breach;
  const std::vector<double> load = lock_moments(*design_, *statics_, regions);
  for (std::size_t i = 0; i < load.size(); ++i) {
    const double allowed = design_->lock().hold_moment_Nmm;
    if (exceeds(load[i], allowed))
      return HardwareBreach{HardwareLimit::lock_load, static_cast<int>(i), load[i], allowed, {}, {}, -1};
  }
  return std::nullopt;
}

FieldNeed Hardware::switch_need(const State& state, int lock) const {
  return least_field(*design_, state, lock);
}

std::optional<HardwareBreach> Hardware::switch_breach(const State& state, int lock) const {
  if (!checks_field()) return std::nullopt;
  const FieldNeed need = switch_need(state, lock);
  if (need.allowed()) return std::nullopt;
  HardwareBreach breach;
  breach.limit = HardwareLimit::field;
  breach.index = lock;
  breach.value = need.field_S ? need.strength_mT() : kInfinity;
  breach.allowed = design_->field()->strength_max_mT;
  breach.field_refusal = need.refusal;
  breach.lock_in_the_way = need.lock_in_the_way;
  if (need.refusal == FieldRefusal::too_much_current) {
    breach.coil = need.coil;
    breach.value = need.current_A;
    breach.allowed = *design_->field()->coils[static_cast<std::size_t>(need.coil)].current_max_A;
  }
  return breach;
}

std::optional<SwitchChoice> Hardware::switch_choice(const State& state, int lock) const {
  return choose_field(*design_, state, lock);
}

bool Hardware::may_switch(const State& state, int lock) const {
  return !checks_field() || field_switches(*design_, state, lock, least_reserve_);
}

std::optional<HardwareBreach> Hardware::coupling_breach(const State& state) const {
  if (!couples_) return std::nullopt;
  const LockPoses poses = lock_poses_E(*design_, state);
  std::optional<HardwareBreach> worst;
  for (int lock = 0; lock < design_->lock_count(); ++lock) {
    const double push = coupling_push_Nmm(*design_, poses, state.engaged, lock);
    if (!exceeds(push, design_->lock().hold_torque_Nmm) || (worst && push <= worst->value)) continue;
    worst.emplace();
    worst->limit = HardwareLimit::coupling;
    worst->index = lock;
    worst->value = push;
    worst->allowed = design_->lock().hold_torque_Nmm;
  }
  return worst;
}

std::optional<HardwareBreach> Hardware::coupling_motion_breach(const State& from, const State& to) const {
  assert(from.engaged == to.engaged && from.theta_frozen == to.theta_frozen);
  if (!couples_) return std::nullopt;
  if (auto breach = coupling_breach(from)) return breach;
  if (auto breach = coupling_breach(to)) return breach;
  return search_coupling(from, to, 1.0);
}

std::optional<HardwareBreach> Hardware::search_coupling(const State& from, const State& to,
                                                        double share) const {
  StateBox box = StateBox::around(from);
  box.insertion_lo_mm = std::min(from.insertion_mm, to.insertion_mm);
  box.insertion_hi_mm = std::max(from.insertion_mm, to.insertion_mm);
  box.u_lo = from.u_free.cwiseMin(to.u_free);
  box.u_hi = from.u_free.cwiseMax(to.u_free);
  if (coupling_over_box(*design_, box) == BoxVerdict::all) return std::nullopt;
  State middle = from;
  middle.insertion_mm = 0.5 * (from.insertion_mm + to.insertion_mm);
  middle.u_free = 0.5 * (from.u_free + to.u_free);
  auto breach = coupling_breach(middle);
  if (breach) return breach;
  if (share <= kWayResolution) {
    breach.emplace();
    breach->limit = HardwareLimit::coupling;
    breach->index = 0;
    breach->value = breach->allowed = design_->lock().hold_torque_Nmm;
    return breach;
  }
  if ((breach = search_coupling(from, middle, 0.5 * share))) return breach;
  return search_coupling(middle, to, 0.5 * share);
}

BoxVerdict Hardware::coupling_over(const StateBox& box) const {
  return couples_ ? coupling_over_box(*design_, box) : BoxVerdict::all;
}

std::optional<HardwareBreach> Hardware::motion_breach(const State& from, const State& to) const {
  assert(from.engaged == to.engaged && from.theta_frozen == to.theta_frozen);
  if (!statics_) return std::nullopt;
  if (auto breach = state_breach(from)) return breach;
  if (auto breach = state_breach(to)) return breach;
  return StateBounds(*design_, *statics_, tendon_direction_).on_the_way(from, to, *this);
}

BoxVerdict Hardware::states_over(const StateBox& box) const {
  if (!statics_) return BoxVerdict::all;
  return StateBounds(*design_, *statics_, tendon_direction_).over(box).verdict;
}

BoxVerdict Hardware::switch_over(const StateBox& box, int lock) const {
  if (!checks_field()) return BoxVerdict::all;
  return switch_over_box(*design_, box, lock, least_reserve_);
}

}  // namespace withy
