// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/plan.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/json_numbers.h"
#include "planner/plan/hunt_duration.h"
#include "planner/scene/scene_json.h"
#include "planner/segment/coils.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

/// Degrees from radians, without the last digits that the two factors leave: 33 degrees read and written are
/// 33 degrees.
Json degrees_json(double radians) {
  return number(degrees_to_write(radians));
}

/// A plan's maximum beside its limit: keys NAME_max_UNIT, NAME_limit_UNIT, NAME_margin_UNIT.
struct Measured {
  std::string name;
  std::string unit;
  std::optional<double> largest;
  std::optional<double> limit;
};

class PlanWriter {
 public:
  explicit PlanWriter(const PlanRecord& record)
      : record_(record), design_(record.design), X_SE_(record.scene.entry.X_SE) {}

  std::string text() const {
    const Answer& answer = record_.answer;
    const Scene& scene = record_.scene;
    Json plan;
    plan["format"] = "withy-plan";
    plan["version"] = 1;
    plan["scene"] = scene_json(scene, record_.scene_file);
    plan["verdict"] = name_of(answer.verdict);
    plan["why"] = answer.why;
    if (!answer.remedies.empty()) plan["remedies"] = answer.remedies;
    plan["checked"] = answer.checked;
    plan["not_checked"] = answer.not_checked;
    plan["locks"] = answer.locks;
    plan["seed"] = answer.seed;
    plan["seconds"] = number(answer.seconds);
    plan["segment"] = segment();
    plan["summary"] = answer.plan ? summary(*answer.plan) : Json(nullptr);
    if (answer.plan && !answer.plan->via_states.empty()) plan["via_states"] = answer.plan->via_states;
    plan["states"] = states();
    plan["actions"] = actions();
    if (answer.plan && answer.plan->from_elsewhere) plan["from_elsewhere"] = true;
    if (answer.plan && !answer.plan->stuck_locks.empty()) plan["stuck_locks"] = stuck_locks(*answer.plan);
    plan["proof"] = answer.coverage ? proof(*answer.coverage) : Json(nullptr);
    plan["approach"] = answer.approach ? approach(*answer.approach) : Json(nullptr);
    if (answer.elastic) plan["elastic"] = elastic(*answer.elastic);
    if (answer.open) plan["open"] = open(*answer.open);
    if (!answer.would_decide.empty()) plan["might_decide"] = answer.would_decide;
    if (answer.depth) plan["depth"] = depth(*answer.depth);
    if (const auto& rechecked = record_.rechecked)
      plan["rechecked"] = {{"verdict", rechecked->verdict}, {"sentence", rechecked->sentence}};
    return laid_out(plan);
  }

 private:
  Json segment() const {
    const Segment& s = design_.segment();
    Json out = {{"length_mm", number(s.length_mm)},
                {"radius_mm", number(s.radius_mm)},
                {"tip_rigid_mm", number(s.tip_rigid_mm)},
                {"curvature_max_per_mm", number(s.curvature_max_per_mm)},
                {"flexural_rigidity_Nmm2", number(s.flexural_rigidity_Nmm2)}};
    const LockLayout& layout = design_.layout();
    out["station_mm"] = numbers(layout.station_mm);
    out["clock_deg"] = Json::array();
    for (const double clock : layout.clock_rad) out["clock_deg"].push_back(degrees_json(clock));
    out["layout_assumed"] = layout.assumed;
    if (design_.lock_count() > 0) {
      out["body_length_mm"] = number(design_.lock().body_length_mm);
      out["body_radius_mm"] = number(design_.lock().body_radius_mm);
    }
    out["carriage"] = {{"kind", design_.carriage().kind == CarriageKind::guide ? "guide" : "free"},
                       {"insertion_max_mm", number(design_.carriage().insertion_max_mm)}};
    return out;
  }

  Json state_json(const PlannedState& state) const {
    const auto regions = regions_of(design_, state);
    Json out;
    out["insertion_mm"] = number(state.insertion_mm);
    out["locked"] = Json::array();
    for (int i = 0; i < design_.lock_count(); ++i)
      out["locked"].push_back(state.engaged.test(static_cast<std::size_t>(i)));
    out["regions"] = Json::array();
    for (const Region& region : regions)
      out["regions"].push_back({{"from_mm", number(region.from_mm)},
                                {"to_mm", number(region.to_mm)},
                                {"curvature_per_mm", numbers(region.u)}});
    out["pull_mm"] = numbers(state.use.pull_mm);
    out["tension_N"] = numbers(state.use.tension_N);
    out["tip_mm"] = numbers(tip_S(state).translation());
    out["clearance_mm"] = number(state.clearance_mm);
    out["lock_moment_Nmm"] = numbers(state.use.lock_moment_Nmm);
    return out;
  }

  Eigen::Isometry3d tip_S(const PlannedState& state) const { return X_SE_ * state.tip_E; }

  Json states() const {
    Json list = Json::array();
    if (!record_.answer.plan) return list;
    for (const PlannedState& state : record_.answer.plan->states) list.push_back(state_json(state));
    return list;
  }

  Json actions() const {
    Json list = Json::array();
    if (!record_.answer.plan) return list;
    for (const PlannedAction& action : record_.answer.plan->actions) {
      Json out = {{"kind", name_of(action.kind)},
                  {"leg", action.leg == Leg::in ? "in" : "out"},
                  {"from", action.from},
                  {"to", action.to}};
      if (action.kind == ActionKind::lock || action.kind == ActionKind::unlock) add_switch(action, out);
      out["clearance_mm"] = number(action.clearance_mm);
      list.push_back(std::move(out));
    }
    return list;
  }

  static Json stuck_locks(const Plan& plan) {
    Json list = Json::array();
    for (const StuckLock& stuck : plan.stuck_locks) {
      const bool known = stuck.out || stuck.looked_to_end;
      list.push_back({{"action", stuck.action},
                      {"lock", stuck.lock + 1},
                      {"engaged", stuck.engaged},
                      {"out", known ? Json(stuck.out) : Json(nullptr)},
                      {"looked_to_end", known},
                      {"ends_at_mm", number(stuck.ends_at_mm)},
                      {"blocked_by", stuck.out ? Json(nullptr) : Json(stuck.blocked_by)}});
    }
    return list;
  }

  static Json share_json(const BenchCount& count) {
    return {{"benches", count.benches}, {"low", number(count.low)}, {"high", number(count.high)}};
  }

  static double share_of(const BenchCount& count, int draws) {
    return static_cast<double>(count.benches) / draws;
  }

  /// What drawn benches fail of.
  static Json chance_json(const Standing& standing) {
    return {{"draws", standing.draws},
            {"fails", share_json(standing.fails)},
            {"touches", share_json(standing.touches)},
            {"misses", share_json(standing.misses)},
            {"disengaged", share_json(standing.disengaged)},
            {"overloads", share_json(standing.overloads)}};
  }

  /// What the two figures are without the slides at the locks that they count, and which pulls' these are.
  static Json without_slides(const Standing& standing) {
    return {
        {"compensated_pulls", standing.slides == SlidesOf::compensated_pulls},
        {"reserve", number(standing.reserve_without_slides)},
        {"chance_to_fail", number(share_of(standing.fails_without_slides, standing.draws_without_slides))},
        {"chance_to_fail_high", number(standing.fails_without_slides.high)}};
  }

  void add_switch(const PlannedAction& action, Json& out) const {
    out["lock"] = action.lock + 1;
    out["field_mT"] = action.field_S ? numbers(*action.field_S) : Json(nullptr);
    out["current_A"] = action.field_S ? numbers(action.current_A) : Json(nullptr);
    out["field_reserve"] = action.field_reserve ? number(*action.field_reserve) : Json(nullptr);
    if (action.field_S && design_.field() && !design_.field()->coils.empty()) add_power(action, out);
    if (action.kind == ActionKind::lock) out["hunt"] = action.hunt ? hunt(action) : Json(nullptr);
  }

  Json hunt(const PlannedAction& action) const {
    const LockHunt& hunt = *action.hunt;
    const bool swept = hunt.shape != HuntShape::none;
    const std::string why = swept && !hunt.made()
                                ? fmt::format("the hunt at lock {} {}", action.lock + 1, hunt.objection)
                                : hunt.objection;
    Json seconds = nullptr;
    if (hunt.made() && record_.scene.actuation && design_.tendons())
      seconds = number(hunt_duration_s(*record_.scene.actuation, design_, before(action), action.lock));
    return {{"shape", name_of(hunt.shape)},
            {"radius_mm", number(hunt.radius_mm)},
            {"turns", hunt.turns},
            {"corners_per_turn", hunt.corners_per_turn},
            {"turn_spacing_mm", number(hunt.spacing_mm)},
            {"clearance_mm", swept ? number(hunt.clearance_mm) : Json(nullptr)},
            {"duration_s", seconds},
            {"made", hunt.made()},
            {"why", why.empty() ? Json(nullptr) : Json(why)}};
  }

  const State& before(const PlannedAction& action) const {
    return record_.answer.plan->states[static_cast<std::size_t>(action.from)];
  }

  /// What the coils take, where the scene gives their resistance.
  void add_power(const PlannedAction& action, Json& out) const {
    const Currents I =
        Eigen::Map<const Eigen::VectorXd>(action.current_A.data(), std::ssize(action.current_A));
    const auto power = coil_power_W(*design_.field(), I);
    out["power_W"] = power ? number(*power) : Json(nullptr);
    out["voltage_V"] = Json::array();
    for (std::size_t c = 0; c < action.current_A.size(); ++c) {
      const auto& ohm = design_.field()->coils[c].resistance_ohm;
      out["voltage_V"].push_back(ohm ? number(*ohm * action.current_A[c]) : Json(nullptr));
    }
  }

  Json summary(const Plan& plan) const {
    const Target& target = record_.scene.target;
    const PlannedState& reached = plan.states[static_cast<std::size_t>(plan.reached_state)];
    const Eigen::Isometry3d tip = tip_S(reached);
    const double tip_error = (tip.translation() - target.point_S).norm();
    Json out;
    out["locks_used"] = locks_used(plan);
    out["actions"] = plan.actions.size();
    out["clearance_mm"] = number(plan.clearance_mm);
    out["clearance_slack_mm"] = number(plan.clearance_slack_mm);
    out["tip_error_mm"] = number(tip_error);
    out["tip_direction_error_deg"] =
        target.direction_S ? number(withy::degrees(angle_between(tip.linear().col(2), *target.direction_S)))
                           : Json(nullptr);
    const auto measured = measures(plan);
    for (const std::size_t first : {kTension, kPull, kField}) add_largest(measured[first], out);
    out["duration_s"] = record_.duration_s ? number(*record_.duration_s) : Json(nullptr);
    out["preset"] = plan.preset;
    const double required = record_.required_clearance_mm.value_or(record_.scene.required_clearance_mm);
    out["clearance_required_mm"] = number(required);
    out["clearance_margin_mm"] = number(plan.clearance_mm - required);
    out["tip_tolerance_mm"] = number(target.tolerance_mm);
    out["tip_margin_mm"] = number(target.tolerance_mm - tip_error);
    for (const Measured& m : measured) {
      add_largest(m, out);
      add_limit(m, out);
    }
    std::optional<double> hunt_clearance;
    for (const PlannedAction& action : plan.actions)
      if (action.hunt && action.hunt->made())
        hunt_clearance = std::min(hunt_clearance.value_or(kInfinity), action.hunt->clearance_mm);
    out["hunt_clearance_mm"] = hunt_clearance ? number(*hunt_clearance) : Json(nullptr);
    const PlannedAction* limiting = plan.without_hunt();
    out["reserve"] = limiting != nullptr ? Json(0.0) : Json(nullptr);
    out["reserve_limited_by"] =
        limiting != nullptr
            ? Json(fmt::format("the hunt at lock {} {}", limiting->lock + 1, limiting->hunt->objection))
            : Json(nullptr);
    if (limiting == nullptr && plan.standing) {
      out["reserve"] = number(plan.standing->reserve);
      out["reserve_limited_by"] = plan.standing->limited_by;
    }
    out["chance_to_fail"] =
        plan.standing ? number(share_of(plan.standing->fails, plan.standing->draws)) : Json(nullptr);
    out["chance_to_fail_high"] = plan.standing ? number(plan.standing->fails.high) : Json(nullptr);
    out["benches"] = plan.standing ? chance_json(*plan.standing) : Json(nullptr);
    const bool slides = plan.standing && plan.standing->slides != SlidesOf::none;
    out["without_slides"] = slides ? without_slides(*plan.standing) : Json(nullptr);
    const auto reserve = least_field_reserve(plan);
    out["field_reserve"] = reserve ? number(*reserve) : Json(nullptr);
    out["field_reserve_wanted"] = design_.field() ? number(design_.field()->reserve_wanted) : Json(nullptr);
    out["backlash_tip_shift_mm"] = number(reached.use.backlash_tip_shift_mm);
    return out;
  }

  static double angle_between(const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
    return std::atan2(a.cross(b).norm(), a.dot(b));
  }

  int locks_used(const Plan& plan) const {
    LockSet used;
    for (const State& state : plan.states) used |= state.engaged;
    return static_cast<int>(used.count());
  }

  // Places in what measures() returns.
  static constexpr std::size_t kTension = 0;
  static constexpr std::size_t kPull = 1;
  static constexpr std::size_t kField = 2;

  std::vector<Measured> measures(const Plan& plan) const {
    const auto limit = [](const auto& part, auto member) {
      return part ? std::optional<double>((*part).*member) : std::nullopt;
    };
    const auto& tendons = design_.tendons();
    const PlanExtremes& largest = plan.largest;
    return {{"tension", "N", largest.tension_N, limit(tendons, &TendonHardware::tension_max_N)},
            {"pull", "mm", largest.pull_mm, limit(tendons, &TendonHardware::stroke_max_mm)},
            {"field", "mT", largest.field_mT, limit(design_.field(), &FieldHardware::strength_max_mT)},
            {"lock_moment", "Nmm", largest.lock_moment_Nmm,
             limit(design_.parts().lock, &LockHardware::hold_moment_Nmm)},
            {"insertion", "mm", largest.insertion_mm, design_.carriage().insertion_max_mm},
            {"curvature", "per_mm", largest.curvature_per_mm, design_.segment().curvature_max_per_mm}};
  }

  static void add_largest(const Measured& m, Json& out) {
    out[fmt::format("{}_max_{}", m.name, m.unit)] = m.largest ? number(*m.largest) : Json(nullptr);
  }

  static void add_limit(const Measured& m, Json& out) {
    out[fmt::format("{}_limit_{}", m.name, m.unit)] = m.limit ? number(*m.limit) : Json(nullptr);
    out[fmt::format("{}_margin_{}", m.name, m.unit)] =
        m.limit && m.largest ? number(*m.limit - *m.largest) : Json(nullptr);
  }

  static Json figures(const ElasticFigures& pulls) {
    return {{"miss_mm", number(pulls.miss_mm)},
            {"clearance_mm", number(pulls.clearance_mm)},
            {"slide_error_mm", number(pulls.slide_error_mm)},
            {"jump_mm", number(pulls.jump_mm)}};
  }

  static Json engagements(const ElasticVerdict& verdict) {
    Json list = Json::array();
    for (const ElasticEngagement& e : verdict.engagements)
      list.push_back({{"action", e.action},
                      {"lock", e.lock + 1},
                      {"ideal_pulls_mm", number(e.ideal_pulls_mm)},
                      {"compensated_pulls_mm", number(e.compensated_pulls_mm)},
                      {"ideal_pulls_off_mm", numbers(e.ideal_pulls_off_mm)},
                      {"compensated_pulls_off_mm", numbers(e.compensated_pulls_off_mm)},
                      {"reach_mm", number(e.reach_mm)}});
    return list;
  }

  static Json elastic(const ElasticVerdict& verdict) {
    return {{"held_against", {"ideal", "elastic"}},
            {"holds", verdict.holds()},
            {"fails", verdict.fails ? Json(*verdict.fails) : Json(nullptr)},
            {"plans", verdict.plans},
            {"proof", false},
            {"step_mm", number(verdict.step_mm)},
            {"ideal_pulls", figures(verdict.ideal_pulls)},
            {"compensated_pulls", figures(verdict.compensated_pulls)},
            {"engagements", engagements(verdict)}};
  }

  static Json proof(const Coverage& coverage) {
    return {{"cells_examined", coverage.cells_examined},
            {"cells_excluded", coverage.cells_excluded},
            {"cells_left", coverage.cells_left},
            {"finest_cell_mm", number(coverage.finest_cell_mm)},
            {"lipschitz_insertion", number(coverage.lipschitz_insertion)},
            {"lipschitz_curvature_mm2", number(coverage.lipschitz_curvature_mm2)}};
  }

  Json open(const OpenPart& part) const {
    return {{"sentence", part.sentence(X_SE_)}, {"cells", part.cells},
            {"cells_beside", part.beside},      {"from_mm", number(part.from_mm)},
            {"to_mm", number(part.to_mm)},      {"target_mm", number(part.target_mm)}};
  }

  Json depth(const TipDepth& depth) const {
    const Eigen::Vector3d place_S = X_SE_ * depth.place_E;
    return {{"sentence", depth.sentence(place_S)},
            {"target_mm", number(depth.target_mm)},
            {"reached_mm", number(depth.reached_mm)},
            {"at_most_mm", number(depth.at_most_mm)},
            {"proved", depth.proved},
            {"by_lumen", depth.by_lumen},
            {"stops_short", depth.stops_short()},
            {"branch", depth.branch + 1},
            {"branch_station_mm", number(depth.branch_station_mm)},
            {"place_mm", numbers(place_S)},
            {"no_nearer_mm", depth.no_nearer_mm ? number(*depth.no_nearer_mm) : Json(nullptr)},
            {"cut_short", depth.cut_short}};
  }

  Json approach(const Approach& approach) const {
    return {{"distance_mm", number(approach.distance_mm)},
            {"from", approach.from},
            {"tip_mm", numbers(tip_S(approach.state).translation())},
            {"blocked_by", approach.blocked_by},
            {"state", state_json(approach.state)}};
  }

  /// One line for each key, and for each state and action: a plan is read by people and compared line by
  /// line.
  static std::string laid_out(const Json& plan) {
    std::string out;
    for (const auto& [key, value] : plan.items()) {
      out += fmt::format("{}{}: ", out.empty() ? "{ " : ",\n  ", Json(key).dump());
      if (!value.is_array() || value.empty() || !value.front().is_object()) {
        out += value.dump();
        continue;
      }
      for (std::size_t i = 0; i < value.size(); ++i)
        out += fmt::format("{}{}", i == 0 ? "[\n    " : ",\n    ", value[i].dump());
      out += "]";
    }
    return out + " }\n";
  }

  const PlanRecord& record_;
  const Design& design_;
  Eigen::Isometry3d X_SE_;
};

}  // namespace

std::string write_plan(const PlanRecord& record) {
  assert(record.answer.verdict != Verdict::reached || record.answer.plan);
  return PlanWriter(record).text();
}

}  // namespace withy
