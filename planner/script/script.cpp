// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

#include <fmt/core.h>

#include "geometry/numbers/rounding.h"
#include "planner/plan/lock_hunt.h"
#include "planner/script/script_numbers.h"
#include "planner/script/waypoints.h"
#include "planner/segment/field.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

/// Writes a plan down row by row.
class ScriptMaker {
 public:
  ScriptMaker(const Scene& scene, const Design& design, const Plan& plan, const PullCorrections& corrections)
      : design_(design), plan_(plan), corrections_(corrections) {
    script_.locks = design.lock_count();
    script_.tendons = static_cast<int>(design.tendons()->angle_rad.size());
    script_.coils = design.field() ? design.field()->coil_count() : 0;
    script_.compensated = !corrections.at_state.empty();
    script_.scene_sha256 = scene.sha256;
    script_.mesh_sha256 = scene.mesh_sha256;
    settle_s_ = scene.actuation ? on_script_step(scene.actuation->field_settle_s) : 0.0;
  }

  Script make() {
    const std::string begins = plan_.from_elsewhere ? "the axes as they are" : "every axis at zero";
    add("start", plan_.states.front(),
        script_.compensated ? fmt::format("{}, {}", kCompensatedNote, begins) : begins);
    for (std::size_t k = 0; k < plan_.actions.size(); ++k) {
      const PlannedAction& action = plan_.actions[k];
      const std::string note = fmt::format("action {} of {}, way {}", k + 1, plan_.actions.size(),
                                           action.leg == Leg::in ? "in" : "out");
      if (action.kind == ActionKind::lock || action.kind == ActionKind::unlock)
        add_switch(action, note);
      else
        add_motion(action, note);
    }
    end_at_zero();
    return std::move(script_);
  }

 private:
  /// The row's currents and field of a switch.
  struct Field {
    Eigen::Vector3d field_S = Eigen::Vector3d::Zero();
    std::vector<double> current_A;
  };

  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }

  void add_motion(const PlannedAction& action, std::string note) {
    const State& from = state(action.from);
    const State& to = state(action.to);
    for (const double t : waypoint_fractions(design_, from, to)) {
      add(name_of(action.kind), t < 1.0 ? interpolate(from, to, t) : to, std::move(note));
      correct(action.from, action.to, t);
      note.clear();
    }
    if (action.leg == Leg::in && action.to == plan_.reached_state) mark_target();
  }

  /// The body stands still when a lock switches, so the tendons do too (tendons.h).
  void add_switch(const PlannedAction& action, const std::string& note) {
    const State& to = state(action.to);
    const std::vector<double> pull = script_.waypoints.back().pull_mm;
    const auto field = field_of(action);
    if (action.hunt && action.hunt->made()) add_hunt(action, note, field);
    add(name_of(action.kind), to,
        fmt::format("{}, lock {} {}{}", note, action.lock + 1,
                    action.kind == ActionKind::lock ? "engages" : "lets go", reserve_note(action)));
    set_field(script_.waypoints.back(), field);
    script_.waypoints.back().dwell_s = settle_s_;
    add(name_of(action.kind), to, "field off");
    // Rounding of a pull on the edge of a script's step must not move a motor.
    for (auto w = script_.waypoints.end() - 2; w != script_.waypoints.end(); ++w) w->pull_mm = pull;
    if (action.leg == Leg::in && action.to == plan_.reached_state) mark_target();
  }

  /// With what reserve the field switches the lock, where one is known.
  std::string reserve_note(const PlannedAction& action) const {
    if (!action.field_reserve || !std::isfinite(*action.field_reserve)) return {};
    const double wanted = reserve_wanted(design_);
    const double reserve = decimals_down(*action.field_reserve, 2);
    const std::string text = fmt::format(", reserve {:.2f}", reserve);
    return reserve < decimals_down(wanted, 2) ? text + fmt::format(" of {:.2f} wanted", wanted) : text;
  }

  /// The sweep, from the planned pulls to the planned pulls: the first row lets the field settle.
  void add_hunt(const PlannedAction& action, const std::string& note, const std::optional<Field>& field) {
    const State& from = state(action.from);
    const Waypoint planned = script_.waypoints.back();
    const auto add_row = [&](const State& at, std::string text) {
      add(kHuntAction, at, std::move(text));
      correct(action.from, action.from, 0.0);
      set_field(script_.waypoints.back(), field);
    };
    const auto states = swept_states(action);
    add_row(from, fmt::format("{}, lock {} is hunted for: {} of {} mm", note, action.lock + 1,
                              name_of(action.hunt->shape), action.hunt->radius_mm));
    script_.waypoints.back().dwell_s = settle_s_;
    script_.waypoints.back().pull_mm = planned.pull_mm;
    for (std::size_t i = 1; i < states.size(); ++i) add_row(states[i], "");
    script_.waypoints.back().pull_mm = planned.pull_mm;
  }

  void correct(int from, int to, double t) {
    if (corrections_.at_state.empty()) return;
    std::vector<double>& pull = script_.waypoints.back().pull_mm;
    const Eigen::VectorXd more = corrections_.between(from, to, t, static_cast<Eigen::Index>(pull.size()));
    for (std::size_t k = 0; k < pull.size(); ++k)
      pull[k] = pull_on_step(pull[k] + more(static_cast<Eigen::Index>(k)));
  }

  /// What was made up for is taken off again where the segment is drawn back: a plan that ends at the start
  /// leaves every axis at zero, as the next script needs it.
  void end_at_zero() {
    const State& last = plan_.actions.empty() ? plan_.states.front() : state(plan_.actions.back().to);
    const std::vector<double>& pull = script_.waypoints.back().pull_mm;
    const bool drawn_back = on_script_step(last.insertion_mm) == 0.0 && last.engaged.none();
    if (!script_.compensated || !drawn_back ||
        std::all_of(pull.begin(), pull.end(), [](double v) { return v == 0.0; }))
      return;
    add(name_of(ActionKind::bend), last, "every axis back to zero");
  }

  double pull_on_step(double pull_mm) const {
    return on_script_step_within(pull_mm, design_.tendons()->stroke_max_mm);
  }

  void mark_target() {
    std::string& note = script_.waypoints.back().note;
    note += note.empty() ? "at the target" : ", at the target";
  }

  /// The corners of a hunt, from the planned state on.
  std::vector<State> swept_states(const PlannedAction& action) const {
    const State& from = state(action.from);
    return hunt_states(design_, from, action.lock, lock_hunt_track(design_, from, action.lock));
  }

  /// Field and currents of a switch in the script's steps. Where rounding to the nearest would pass a limit,
  /// both are first made so much weaker that it does not.
  std::optional<Field> field_of(const PlannedAction& action) const {
    if (!action.field_S) return std::nullopt;
    std::vector<State> at = {state(action.from)};
    if (action.hunt && action.hunt->made()) at = swept_states(action);
    const double share = share_within_limits(at, action);
    Field out;
    out.field_S = action.field_S->unaryExpr([&](double v) { return on_script_step(share * v); });
    for (std::size_t k = 0; k < static_cast<std::size_t>(script_.coils); ++k)
      out.current_A.push_back(on_script_step(share * action.current_A[k]));
    return out;
  }

  /// 1 where the currents in the script's steps keep the limits of field and coils in these states.
  double share_within_limits(const std::vector<State>& at, const PlannedAction& action) const {
    const FieldHardware& field = *design_.field();
    const Eigen::VectorXd exact = Eigen::Map<const Eigen::VectorXd>(
        action.current_A.data(), static_cast<Eigen::Index>(action.current_A.size()));
    const Eigen::VectorXd rounded = exact.unaryExpr([](double v) { return on_script_step(v); });
    double share = 1.0;
    // What rounding adds is at most half a step in each coil; a whole one leaves room for its arithmetic.
    const auto keep = [&](double value, double on_steps, double most, double per_step) {
      if (on_steps > most) share = std::min(share, (most - kScriptStep * per_step) / value);
    };
    for (std::size_t c = 0; c < field.coils.size(); ++c)
      if (const auto most = field.coils[c].current_max_A) {
        const auto k = static_cast<Eigen::Index>(c);
        keep(std::abs(exact(k)), std::abs(rounded(k)), *most, 1.0);
      }
    constexpr double kComponents = 3.0;
    const Eigen::Vector3d named = action.field_S->unaryExpr([](double v) { return on_script_step(v); });
    keep(action.field_S->norm(), named.norm(), field.strength_max_mT, kComponents);
    for (const State& state : at) {
      const LockPoses poses = lock_poses_E(design_, state);
      const CurrentLimits limits = current_limits(design_, poses);
      for (const auto& gain : limits.gains)
        keep((gain * exact).norm(), (gain * rounded).norm(), field.strength_max_mT,
             gain.colwise().norm().sum());
    }
    return share;
  }

  static void set_field(Waypoint& w, const std::optional<Field>& field) {
    if (!field) return;
    w.field_S = field->field_S;
    w.current_A = field->current_A;
  }

  void add(std::string_view action, const State& at, std::string note) {
    Waypoint w;
    w.step = static_cast<int>(script_.waypoints.size());
    w.action = action;
    w.insertion_mm = on_script_step_within(at.insertion_mm, design_.carriage().insertion_max_mm);
    for (const double pull : tendon_pulls(design_, regions_of(design_, at), at.insertion_mm))
      w.pull_mm.push_back(pull_on_step(pull));
    w.current_A.assign(static_cast<std::size_t>(script_.coils), 0.0);
    w.engaged = at.engaged;
    w.note = std::move(note);
    script_.waypoints.push_back(std::move(w));
  }

  const Design& design_;
  const Plan& plan_;
  const PullCorrections& corrections_;
  Script script_;
  double settle_s_ = 0.0;
};

}  // namespace

bool Waypoint::operator==(const Waypoint& other) const {
  return step == other.step && action == other.action && insertion_mm == other.insertion_mm &&
         pull_mm == other.pull_mm && field_S == other.field_S && current_A == other.current_A &&
         engaged == other.engaged && dwell_s == other.dwell_s && note == other.note;
}

std::string_view sentence_of(ScriptFault fault) {
  switch (fault) {
    case ScriptFault::no_tendons:
      return "the scene has no [tendons], so there are no pulls to write down";
    case ScriptFault::no_actuation:
      return "the scene has no [actuation], so the program's axes have no letters and no rates";
  }
  return "";
}

tl::expected<Script, ScriptFault> make_script(const Scene& scene, const Design& design, const Plan& plan,
                                              const PullCorrections& corrections) {
  assert(!plan.states.empty());
  if (!design.tendons()) return tl::unexpected(ScriptFault::no_tendons);
  return ScriptMaker(scene, design, plan, corrections).make();
}

double coil_ramp_s(const Actuation& actuation) {
  constexpr double kWithoutSettling_s = 1.0;
  return actuation.field_settle_s > 0.0 ? actuation.field_settle_s : kWithoutSettling_s;
}

double travel_time_s(const Actuation& actuation, const Waypoint& from, const Waypoint& to) {
  double time = std::abs(to.insertion_mm - from.insertion_mm) / actuation.advance_mm_per_s;
  for (std::size_t k = 0; k < to.pull_mm.size(); ++k)
    time = std::max(time, std::abs(to.pull_mm[k] - from.pull_mm[k]) / actuation.tendon_mm_per_s);
  if (!actuation.coil_axes.empty() && to.current_A != from.current_A)
    time = std::max(time, coil_ramp_s(actuation));
  return time;
}

double duration_s(const Actuation& actuation, const Script& script) {
  double time = 0.0;
  for (std::size_t i = 1; i < script.waypoints.size(); ++i)
    time +=
        travel_time_s(actuation, script.waypoints[i - 1], script.waypoints[i]) + script.waypoints[i].dwell_s;
  return time;
}

std::optional<double> plan_duration_s(const Scene& scene, const Design& design,
                                      const std::optional<Plan>& plan) {
  if (!plan || !scene.actuation) return std::nullopt;
  const auto script = make_script(scene, design, *plan);
  return script ? std::optional(duration_s(*scene.actuation, *script)) : std::nullopt;
}

}  // namespace withy
