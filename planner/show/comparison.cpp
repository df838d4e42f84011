// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/comparison.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/scene/scene_json.h"
#include "planner/segment/tendons.h"

namespace withy {

namespace {

using Json = nlohmann::ordered_json;

int switches_in(const Plan& plan) {
  return static_cast<int>(std::count_if(plan.actions.begin(), plan.actions.end(), [](const PlannedAction& a) {
    return a.lock >= 0 && a.leg == Leg::in;
  }));
}

Json stack_instead(const Design& design, const Plan& plan) {
  if (!design.tendons()) return nullptr;
  const auto regions = regions_of(design, plan.states[static_cast<std::size_t>(plan.reached_state)]);
  const auto segments =
      static_cast<int>(regions.size());  // a curvature each: the frozen ones and the free one
  const auto tendons = static_cast<int>(design.tendons()->angle_rad.size());
  Json out;
  out["segments"] = segments;
  out["tendons"] = segments * tendons;
  out["motors"] = segments * tendons;
  out["tendons_with_locks"] = tendons;
  out["wrapped_deg"] = degrees(wrapped_angle(regions));
  out["capstan_factor"] = capstan_factor(design.tendons()->friction_coefficient, wrapped_angle(regions));
  return out;
}

std::string cell(const Json& summary, const char* key, int decimals) {
  const auto found = summary.find(key);
  if (found == summary.end() || !found->is_number()) return "-";
  return fmt::format("{:.{}f}", found->get<double>(), decimals);
}

/// Upper bound of the chance to fail, in per cent.
std::string fails_cell(const Answer& answer) {
  if (!answer.plan || !answer.plan->standing) return "-";
  return fmt::format("{:.2f}", 100.0 * answer.plan->standing->fails.high);
}

}  // namespace

std::string comparison_json(const Scene& scene, const std::string& scene_file,
                            const std::vector<ComparedAnswer>& answers, bool partial,
                            const std::string& anywhere) {
  Json out;
  out["format"] = "withy-comparison";
  out["version"] = 1;
  out["scene"] = scene_json(scene, scene_file);
  out["partial"] = partial;
  out["counts"] = Json::array();
  for (const ComparedAnswer& a : answers) {
    const Json plan = Json::parse(a.plan_text);
    Json row;
    row["locks"] = a.answer.locks;
    row["verdict"] = name_of(a.answer.verdict);
    row["why"] = a.answer.why;
    if (plan.contains("depth")) row["depth"] = plan["depth"];
    if (!a.answer.plan) row["approach"] = plan["approach"];
    row["checked"] = a.answer.checked;
    row["not_checked"] = a.answer.not_checked;
    row["seconds"] = a.answer.seconds;
    row["seconds_after"] = a.answer.seconds_after;
    row["switches"] = a.answer.plan ? Json(switches_in(*a.answer.plan)) : Json(nullptr);
    row["summary"] = plan.contains("summary") ? plan["summary"] : Json(nullptr);
    row["stack_instead"] = a.answer.plan ? stack_instead(a.design, *a.answer.plan) : Json(nullptr);
    out["counts"].push_back(std::move(row));
  }
  if (Json layouts = Json::parse(anywhere); !layouts.empty()) out["anywhere"] = std::move(layouts);
  return out.dump(2) + "\n";
}

std::string comparison_table(const std::vector<ComparedAnswer>& answers) {
  std::string out = fmt::format(
      "{:>5}  {:<11}  {:>7}  {:>6}  {:>9}  {:>8}  {:>7}  {:>9}  {:>8}  {:>7}  {:>9}  {:>9}  {:>7}\n", "locks",
      "verdict", "fails %", "stands", "clear mm", "switches", "actions", "tension N", "field mT", "reserve",
      "duration s", "decided s", "after s");
  for (const ComparedAnswer& a : answers) {
    const Json plan = Json::parse(a.plan_text);
    const Json summary =
        plan.contains("summary") && plan["summary"].is_object() ? plan["summary"] : Json::object();
    out += fmt::format(
        "{:>5}  {:<11}  {:>7}  {:>6}  {:>9}  {:>8}  {:>7}  {:>9}  {:>8}  {:>7}  {:>10}  {:>9.2f}  {:>7.2f}\n",
        a.answer.locks, name_of(a.answer.verdict), fails_cell(a.answer), cell(summary, "reserve", 2),
        cell(summary, "clearance_mm", 2), a.answer.plan ? std::to_string(switches_in(*a.answer.plan)) : "-",
        cell(summary, "actions", 0), cell(summary, "tension_max_N", 1), cell(summary, "field_max_mT", 1),
        cell(summary, "field_reserve", 2), cell(summary, "duration_s", 0), a.answer.seconds,
        a.answer.seconds_after);
  }
  out +=
      "fails %: benches with usual errors that fail, the upper bound; stands: times those errors, proved\n";
  if (std::any_of(answers.begin(), answers.end(), [](const ComparedAnswer& a) {
        return a.answer.plan && a.design.elastic() && !a.answer.elastic;
      }))
    out += "of the ideal segment: the elastic body was not looked at, withy plan does that\n";
  for (const ComparedAnswer& a : answers) {
    out += fmt::format("{} lock{}: {}\n", a.answer.locks, a.answer.locks == 1 ? "" : "s", a.answer.why);
    const Json plan = Json::parse(a.plan_text);
    if (plan.contains("depth"))
      out += fmt::format("  depth: {}\n", plan["depth"]["sentence"].get<std::string>());
    if (!a.answer.plan) continue;
    const Json stack = stack_instead(a.design, *a.answer.plan);
    if (stack.is_object() && stack["segments"].get<int>() > 1)
      out += fmt::format(
          "  instead of locks: {} stacked segments, {} tendons and as many motors (here {}), capstan factor "
          "{:.2f} either way\n",
          stack["segments"].get<int>(), stack["tendons"].get<int>(), stack["tendons_with_locks"].get<int>(),
          stack["capstan_factor"].get<double>());
  }
  return out;
}

}  // namespace withy
