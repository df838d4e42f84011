// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/hardware.h"

#include <cassert>
#include <cmath>

#include <fmt/core.h>

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

Hardware::Hardware(const Design& design) : design_(&design) {
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
  breach.value = need.field_S ? need.strength_mT() : std::numeric_limits<double>::infinity();
  breach.allowed = design_->field()->strength_max_mT;
  breach.field_refusal = need.refusal;
  breach.lock_in_the_way = need.lock_in_the_way;
  return breach;
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
  return switch_over_box(*design_, box, lock);
}

}  // namespace withy
