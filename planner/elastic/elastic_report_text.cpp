// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/elastic/elastic_report.h"
#include "planner/files/csv.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

Json number(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

template <class Vector>
Json numbers(const Vector& values) {
  Json out = Json::array();
  for (const double value : values) out.push_back(number(value));
  return out;
}

/// What halving the elements may move (mm).
constexpr double kHalvingWanted_mm = 0.01;

std::string cell(double value) {
  return std::isfinite(value) ? fmt::format("{:.3f}", value) : "-";
}

/// The farthest that any backbone has slid at a lock since it engaged (mm), state by state.
double drift_mm(const FollowedPlan& followed, std::size_t state, std::size_t lock) {
  if (!followed.states[state].state.engaged.test(lock)) return 0.0;
  std::size_t first = state;
  while (first > 0 && followed.states[first - 1].state.engaged.test(lock)) --first;
  return (followed.states[state].reading.slide_mm[lock] - followed.states[first].reading.slide_mm[lock])
      .cwiseAbs()
      .maxCoeff();
}

double largest_drift(const FollowedPlan& followed, std::size_t state, int locks) {
  double most = 0.0;
  for (int lock = 0; lock < locks; ++lock)
    most = std::max(most, drift_mm(followed, state, static_cast<std::size_t>(lock)));
  return most;
}

double largest_load(const FollowedState& state) {
  double most = 0.0;
  for (const double load : state.reading.lock_load_Nmm) most = std::max(most, load);
  return most;
}

/// The first line: what the elastic body does with either pulls.
std::string verdict(const ElasticReport& report) {
  const auto of = [&](const ElasticRun& run) {
    if (run.followed.fault) return std::string("finds no equilibrium on the way");
    std::string words =
        fmt::format("misses the target by {:.2f} mm (tolerance {} mm)", run.miss_mm, report.tolerance_mm);
    if (run.miss_mm <= report.tolerance_mm)
      words = fmt::format("meets the target within {:.2f} mm", run.miss_mm);
    if (std::isfinite(run.followed.clearance_mm))
      words += run.followed.clearance_mm < 0.0
                   ? fmt::format(" and touches the wall ({:.2f} mm)", run.followed.clearance_mm)
                   : fmt::format(" and keeps {:.2f} mm of clearance", run.followed.clearance_mm);
    if (run.fails && run.miss_mm <= report.tolerance_mm &&
        run.followed.clearance_mm >= report.clearance_required_mm)
      words += ", but " + *run.fails;
    return words;
  };
  std::string line = "With the ideal pulls the elastic body " + of(report.ideal) + ".\n";
  line += report.compensated ? "With compensated pulls it " + of(*report.compensated) + "."
                             : std::string("No compensated pulls were found.");
  if (report.compensated && report.compensated->fails)
    line += " The plan does not hold for the elastic body.";
  return line + "\n";
}

std::string states_table(const ElasticReport& report, const ElasticRun& run, const Plan& plan) {
  std::string out =
      "state  insertion mm  locked  tip off mm  body off mm  clear mm  base N max  base N min  tip N max  "
      "lock "
      "N mm  drift mm\n";
  for (std::size_t i = 0; i < run.followed.states.size(); ++i) {
    const FollowedState& state = run.followed.states[i];
    std::string locked;
    for (int lock = 0; lock < report.locks; ++lock)
      if (state.state.engaged.test(static_cast<std::size_t>(lock))) locked += fmt::format("{}", lock + 1);
    out += fmt::format(
        "{:>5}{}{:>13.2f}  {:>6}  {:>10.3f}  {:>11.3f}  {:>8}  {:>10.2f}  {:>10.2f}  {:>9.2f}  {:>9.2f}  "
        "{:>8.3f}\n",
        i, static_cast<int>(i) == plan.reached_state ? "*" : " ", state.state.insertion_mm,
        locked.empty() ? "-" : locked, state.tip_shift_mm, state.body_shift_mm, cell(state.clearance_mm),
        state.reading.base_N.maxCoeff(), state.reading.base_N.minCoeff(), state.reading.tip_N.maxCoeff(),
        largest_load(state), largest_drift(run.followed, i, report.locks));
  }
  return out;
}

std::string motions_table(const ElasticRun& run, const Plan& plan) {
  std::string out = "action            to  body off mm  clear mm  slide error mm  jump mm  steps\n";
  for (std::size_t k = 0; k < run.followed.actions.size(); ++k) {
    const FollowedAction& action = run.followed.actions[k];
    out +=
        fmt::format("{:>2} {:<12} {:>5}  {:>11.3f}  {:>8}  {:>14}  {:>7}  {:>5}\n", k + 1,
                    name_of(plan.actions[k].kind), action.to, action.body_shift_mm, cell(action.clearance_mm),
                    plan.actions[k].kind == ActionKind::lock ? cell(action.slide_error_mm) : "-",
                    action.jump_mm > 0.0 ? cell(action.jump_mm) : "-", action.steps);
  }
  return out;
}

std::string halving_words(double error_mm) {
  if (!std::isfinite(error_mm)) return "with halved ones no equilibrium was found on the way";
  return fmt::format(
      "halving them moves tips, slides and clearances by {:.4f} mm at most{}", error_mm,
      error_mm > kHalvingWanted_mm
          ? fmt::format(", more than the {:g} mm that figures are meant to be good to", kHalvingWanted_mm)
          : "");
}

/// The states that the body would not stay in; empty where there is none.
std::string unstable_line(const FollowedPlan& followed) {
  std::string states;
  for (std::size_t i = 0; i < followed.states.size(); ++i)
    if (followed.states[i].unstable) states += fmt::format("{}{}", states.empty() ? "" : ", ", i);
  if (states.empty()) return {};
  return fmt::format("unstable equilibrium, which any push ends, in state {}\n", states);
}

std::string effects_table(const ElasticReport& report) {
  if (report.effects.empty())
    return "effects      no equilibrium was found with one of them alone or left out\n";
  std::string out = "effect            alone moves the tip mm  left out moves it mm\n";
  for (const EffectShift& shift : report.effects)
    out += fmt::format("{:<16}  {:>22}  {:>20}\n", name_of(shift.effect), cell(shift.alone_mm),
                       cell(shift.left_out_mm));
  if (const EffectShift* most = largest_effect(report))
    return out + fmt::format("matters most: {}\n", name_of(most->effect));
  const bool found = std::all_of(report.effects.begin(), report.effects.end(),
                                 [](const EffectShift& shift) { return std::isfinite(shift.left_out_mm); });
  return out + (found ? "none of them moves the tip\n"
                      : "which matters most can't be told: -, no equilibrium was found\n");
}

Json state_json(const FollowedPlan& followed, std::size_t i, const Scene& scene, int locks) {
  const FollowedState& state = followed.states[i];
  Json slides = Json::array(), own = Json::array(), drifts = Json::array();
  for (int lock = 0; lock < locks; ++lock) {
    slides.push_back(numbers(state.reading.slide_mm[static_cast<std::size_t>(lock)]));
    own.push_back(numbers(state.reading.own_slide_mm[static_cast<std::size_t>(lock)]));
    drifts.push_back(drift_mm(followed, i, static_cast<std::size_t>(lock)));
  }
  return {{"insertion_mm", state.state.insertion_mm},
          {"pull_mm", numbers(state.state.pull_mm)},
          {"tip_mm", numbers(Eigen::Vector3d(scene.entry.X_SE * state.reading.tip_E.translation()))},
          {"tip_direction",
           numbers(Eigen::Vector3d(scene.entry.X_SE.linear() * state.reading.tip_E.linear().col(2)))},
          {"tip_shift_mm", state.tip_shift_mm},
          {"body_shift_mm", state.body_shift_mm},
          {"clearance_mm", number(state.clearance_mm)},
          {"stable", !state.unstable},
          {"tension_base_N", numbers(state.reading.base_N)},
          {"tension_tip_N", numbers(state.reading.tip_N)},
          {"slide_mm", slides},
          {"own_slide_mm", own},
          {"drift_mm", drifts},
          {"lock_moment_Nmm", numbers(state.reading.lock_load_Nmm)}};
}

Json run_json(const ElasticRun& run, const Scene& scene, const Plan& plan, int locks) {
  Json states = Json::array(), actions = Json::array();
  for (std::size_t i = 0; i < run.followed.states.size(); ++i)
    states.push_back(state_json(run.followed, i, scene, locks));
  for (std::size_t k = 0; k < run.followed.actions.size(); ++k) {
    const FollowedAction& action = run.followed.actions[k];
    Json entry = {{"kind", std::string(name_of(plan.actions[k].kind))},
                  {"from", action.from},
                  {"to", action.to},
                  {"steps", action.steps},
                  {"clearance_mm", number(action.clearance_mm)},
                  {"body_shift_mm", action.body_shift_mm}};
    if (plan.actions[k].kind == ActionKind::lock) entry["slide_error_mm"] = action.slide_error_mm;
    if (plan.actions[k].lock >= 0) {
      entry["lock"] = plan.actions[k].lock + 1;
      entry["jump_mm"] = action.jump_mm;
    }
    actions.push_back(std::move(entry));
  }
  return {{"miss_mm", number(run.miss_mm)},
          {"direction_error_deg",
           run.direction_error_rad ? Json(degrees(*run.direction_error_rad)) : Json(nullptr)},
          {"clearance_mm", number(run.followed.clearance_mm)},
          {"tension_max_N", run.followed.most.base_N},
          {"lock_moment_max_Nmm", run.followed.most.lock_load_Nmm},
          {"backbone_compression_max_N", run.followed.most.compression_N},
          {"fails", run.fails ? Json(*run.fails) : Json(nullptr)},
          {"equilibrium_found", !run.followed.fault.has_value()},
          {"states", std::move(states)},
          {"actions", std::move(actions)}};
}

void csv_rows(const ElasticReport& report, const ElasticRun& run, const std::string& pulls,
              const Scene& scene, std::string& out) {
  const auto value = [](double v) { return std::isfinite(v) ? fmt::format("{:.6f}", v) : std::string(); };
  for (std::size_t i = 0; i < run.followed.states.size(); ++i) {
    const FollowedState& state = run.followed.states[i];
    const Eigen::Vector3d tip = scene.entry.X_SE * state.reading.tip_E.translation();
    out += fmt::format("{},{},{},{},{},{},{},{},{},{},{},{},{}", pulls, i, value(state.state.insertion_mm),
                       value(tip.x()), value(tip.y()), value(tip.z()), value(state.tip_shift_mm),
                       value(state.body_shift_mm), value(state.clearance_mm),
                       value(state.reading.base_N.maxCoeff()), value(state.reading.tip_N.maxCoeff()),
                       value(largest_load(state)), value(largest_drift(run.followed, i, report.locks)));
    for (const double pull : state.state.pull_mm) out += fmt::format(",{}", value(pull));
    out += "\r\n";
  }
}

}  // namespace

std::string elastic_table(const ElasticReport& report, const Plan& plan) {
  std::string out = verdict(report);
  out += fmt::format("The ideal segment is {:.2f} mm off the target, its clearance at least {} mm.\n",
                     report.miss_planned_mm, cell(report.clearance_planned_mm));
  out += "\nIdeal pulls, elastic against ideal body (* is the reach):\n" +
         states_table(report, report.ideal, plan) + unstable_line(report.ideal.followed) +
         motions_table(report.ideal, plan);
  if (report.compensated)
    out += "\nCompensated pulls:\n" + states_table(report, *report.compensated, plan) +
           unstable_line(report.compensated->followed) + motions_table(*report.compensated, plan);
  out += fmt::format("\n{}", effects_table(report));
  out += fmt::format(
      "looked at    every {} mm of the ideal tip's way, stations {} mm apart: dense, not a proof\n"
      "elements     {} over the segment; {}\n",
      kLookStep_mm, kStation_mm, kUsualElements, halving_words(report.halving_error_mm));
  if (report.locks > 0)
    out += fmt::format("latch        engages within {} mm of a notch, hunts within {} mm\n",
                       report.engage_window_mm, report.hunt_mm);
  return out;
}

std::string elastic_json(const ElasticReport& report, const Plan& plan, const Scene& scene) {
  Json effects = Json::array();
  for (const EffectShift& shift : report.effects)
    effects.push_back({{"effect", std::string(name_of(shift.effect))},
                       {"alone_mm", number(shift.alone_mm)},
                       {"left_out_mm", number(shift.left_out_mm)}});
  const EffectShift* most = largest_effect(report);
  const Json json = {
      {"format", "withy-elastic"},
      {"version", 1},
      {"plan", report.plan_file},
      {"scene", {{"file", report.scene_file}, {"sha256", report.scene_sha256}}},
      {"locks", report.locks},
      {"target", {{"tolerance_mm", report.tolerance_mm}, {"planned_miss_mm", report.miss_planned_mm}}},
      {"clearance",
       {{"required_mm", report.clearance_required_mm}, {"planned_mm", number(report.clearance_planned_mm)}}},
      {"look",
       {{"proof", false},
        {"step_mm", kLookStep_mm},
        {"station_mm", kStation_mm},
        {"elements", kUsualElements},
        {"halving_error_mm", number(report.halving_error_mm)}}},
      {"holds",
       {{"ideal_pulls", !report.ideal.fails},
        {"compensated_pulls", report.compensated && !report.compensated->fails}}},
      {"effects", effects},
      {"matters_most", most ? Json(std::string(name_of(most->effect))) : Json(nullptr)},
      {"ideal_pulls", run_json(report.ideal, scene, plan, report.locks)},
      {"compensated_pulls",
       report.compensated ? run_json(*report.compensated, scene, plan, report.locks) : Json(nullptr)}};
  return json.dump(1) + "\n";
}

std::string elastic_csv(const ElasticReport& report, const Scene& scene) {
  std::string out =
      "pulls,state,insertion_mm,tip_x_mm,tip_y_mm,tip_z_mm,tip_shift_mm,body_shift_mm,clearance_mm,tension_"
      "base_max_N,tension_tip_max_N,lock_moment_max_Nmm,drift_max_mm";
  const Eigen::Index tendons =
      report.ideal.followed.states.empty() ? 0 : report.ideal.followed.states.front().state.pull_mm.size();
  for (Eigen::Index k = 0; k < tendons; ++k) out += fmt::format(",pull_{}_mm", k + 1);
  out += "\r\n";

  csv_rows(report, report.ideal, "ideal", scene, out);
  if (report.compensated) csv_rows(report, *report.compensated, "compensated", scene, out);
  return out;
}

}  // namespace withy
