// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/figures_json.h"

#include <cmath>

#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/json_numbers.h"
#include "planner/segment/shape.h"
#include "planner/show/motion_samples.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

/// A body is at the limit up to so much more than what is required (mm): what a proof may lose, and as much
/// again for the halvings that a stopped hand is followed by.
constexpr double kAtLimit_mm = 2.0 * kClearanceSlack_mm;

Json rounded_json(const Eigen::Vector3d& v) {
  return {number(v.x()), number(v.y()), number(v.z())};
}

/// The nearest place of the wall, to the eye (planner/show/motion_samples.h), a proved bound, and what that
/// is: a touch, or none that could be ruled out; nearer than is required; as near as is allowed.
Json clearance_json(const LiveScene& scene, const StepJudge& judge, const State& state) {
  const auto spot = tightest_spot(judge.problem().design, state, scene.prepared.wall());
  if (!spot) return nullptr;
  const double proved = judge.verifier().clearance(state).lower_mm;
  const double required = judge.problem().required_clearance_mm;
  const bool contact = !(proved > 0.0);
  const bool too_near = spot->clearance_mm < required;
  return {{"now_mm", number(spot->clearance_mm)},
          {"proved_mm", number(proved)},
          {"required_mm", required},
          {"station_mm", number(spot->station_mm)},
          {"wall_mm", rounded_json(spot->wall_S)},
          {"contact", contact},
          {"too_near", too_near},
          {"at_limit", !contact && !too_near && spot->clearance_mm <= required + kAtLimit_mm}};
}

Json tendons_json(const Design& design, const HardwareUse& use) {
  if (!design.tendons()) return nullptr;
  return {{"pull_mm", numbers(use.pull_mm)},
          {"stroke_max_mm", design.tendons()->stroke_max_mm},
          {"tension_N", numbers(use.tension_N)},
          {"tension_min_N", design.tendons()->tension_min_N},
          {"tension_max_N", design.tendons()->tension_max_N}};
}

/// How far the lock's bend is from the nearest notch (degrees); null where it is held already or can't be
/// had.
Json notch_json(const Design& design, const State& state, int lock) {
  if (state.engaged.test(static_cast<std::size_t>(lock))) return nullptr;
  const auto u = notch_curvature(design, state, lock);
  if (!u) return nullptr;
  const auto regions = regions_of(design, state);
  const double length =
      exposed_flexible_length(design, state.insertion_mm, regions.back().from_mm, design.station_mm(lock));
  return number(degrees(length * (*u - state.u_free).norm()));
}

Json lock_json(const StepJudge& judge, const State& state, const HardwareUse& use, int lock) {
  const Design& design = judge.problem().design;
  const auto index = static_cast<std::size_t>(lock);
  Json out = {
      {"engaged", state.engaged.test(index)},
      {"notch_off_deg", notch_json(design, state, lock)},
      {"moment_Nmm", index < use.lock_moment_Nmm.size() ? number(use.lock_moment_Nmm[index]) : Json(nullptr)},
      {"hold_moment_Nmm", design.lock().hold_moment_Nmm},
      {"field_mT", nullptr},
      {"reserve", nullptr},
      {"refusal", nullptr}};
  if (!judge.hardware().checks_field()) return out;
  if (const auto breach = judge.hardware().switch_breach(state, lock)) {
    out["refusal"] = breach->sentence();
  } else if (const auto choice = judge.hardware().switch_choice(state, lock)) {
    out["field_mT"] = rounded_json(choice->field_S);
    out["reserve"] = number(choice->currents.reserve);
  }
  return out;
}

}  // namespace

Json state_json(const Design& design, const State& state) {
  Json locked = Json::array(), regions = Json::array();
  for (int i = 0; i < design.lock_count(); ++i)
    locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  for (const Region& region : regions_of(design, state))
    regions.push_back({{"from_mm", region.from_mm},
                       {"to_mm", region.to_mm},
                       {"curvature_per_mm", {number(region.u.x()), number(region.u.y())}}});
  // Wholly inside a guide the free region is straight, and still set for a curvature.
  regions.back()["curvature_per_mm"] = {number(state.u_free.x()), number(state.u_free.y())};
  return {{"insertion_mm", number(state.insertion_mm)}, {"locked", locked}, {"regions", regions}};
}

Json figures_json(const LiveScene& scene, const StepJudge& judge, const State& state) {
  const SearchProblem& problem = judge.problem();
  const Design& design = problem.design;
  const HardwareUse use = judge.hardware().use(state);
  const Eigen::Isometry3d tip_E = Shape(design, state).tip_E();
  const Eigen::Isometry3d X_ST = scene.prepared.scene.entry.X_SE * tip_E;
  Json locks = Json::array();
  for (int lock = 0; lock < design.lock_count(); ++lock) locks.push_back(lock_json(judge, state, use, lock));
  return {{"state", state_json(design, state)},
          {"tip_mm", rounded_json(X_ST.translation())},
          {"tip_direction", rounded_json(X_ST.linear().col(2))},
          {"target_off_mm", number(problem.goal.distance(tip_E))},
          {"target_off_deg", number(degrees(problem.goal.direction_error(tip_E)))},
          {"at_target", problem.goal.holds(tip_E)},
          {"clearance", clearance_json(scene, judge, state)},
          {"tendons", tendons_json(design, use)},
          {"locks", locks}};
}

Json steps_json(const Design& design, const Route& route) {
  Json list = Json::array();
  for (std::size_t k = 0; k < route.steps.size(); ++k) {
    const RouteStep& step = route.steps[k];
    const State& from = route.state_before(k);
    const std::string_view kind = step.lock >= 0
                                      ? name_of(step.engages ? ActionKind::lock : ActionKind::unlock)
                                      : name_of(motion_kind(from, step.to));
    Json one = {{"kind", kind}, {"to", state_json(design, step.to)}};
    if (step.lock >= 0) one["lock"] = step.lock + 1;
    list.push_back(std::move(one));
  }
  return list;
}

}  // namespace withy
