// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/plan_file.h"

#include <algorithm>
#include <stdexcept>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace withy::recheck {
namespace {

using Json = nlohmann::json;

FileState state_of(const Json& json) {
  FileState state;
  state.insertion_mm = json.at("insertion_mm").get<double>();
  state.locked = json.at("locked").get<std::vector<bool>>();
  for (const Json& r : json.at("regions")) {
    const Json& u = r.at("curvature_per_mm");
    state.regions.push_back({r.at("from_mm").get<double>(),
                             r.at("to_mm").get<double>(),
                             {u.at(0).get<double>(), u.at(1).get<double>()}});
  }
  return state;
}

FileAction action_of(const Json& json, std::size_t states, int locks) {
  FileAction action;
  action.kind = json.at("kind").get<std::string>();
  action.on_the_way_in = json.at("leg").get<std::string>() == "in";
  action.from = json.at("from").get<std::size_t>();
  action.to = json.at("to").get<std::size_t>();
  if (action.from >= states || action.to >= states)
    throw std::out_of_range("an action's state is not in the file");
  if (json.contains("lock")) {
    action.lock = json.at("lock").get<int>() - 1;
    if (action.lock < 0 || action.lock >= locks)
      throw std::out_of_range("an action's lock is none of the segment's");
  }
  if (json.contains("field_mT") && json.at("field_mT").is_array()) {
    const Json& b = json.at("field_mT");
    action.field_S = {b.at(0).get<double>(), b.at(1).get<double>(), b.at(2).get<double>()};
  }
  return action;
}

}  // namespace

Result<FilePlan> read_file_plan(const std::string& text, const std::string& file) {
  try {
    const Json json = Json::parse(text);
    if (json.at("format").get<std::string>() != "withy-plan")
      throw std::out_of_range("format must be \"withy-plan\"");
    FilePlan plan;
    plan.scene_sha256 = json.at("scene").at("sha256").get<std::string>();
    plan.mesh_sha256 = json.at("scene").at("mesh_sha256").get<std::string>();
    plan.verdict = json.at("verdict").get<std::string>();
    plan.checked = json.at("checked").get<std::vector<std::string>>();
    plan.locks = json.at("locks").get<int>();
    for (const Json& s : json.at("states")) plan.states.push_back(state_of(s));
    for (const Json& a : json.at("actions"))
      plan.actions.push_back(action_of(a, plan.states.size(), plan.locks));
    if (json.contains("summary") && json.at("summary").is_object()) {
      const Json& summary = json.at("summary");
      const auto number = [&](const char* key) {
        return summary.contains(key) && summary.at(key).is_number()
                   ? std::optional(summary.at(key).get<double>())
                   : std::nullopt;
      };
      plan.clearance_mm = number("clearance_mm");
      plan.required_mm = number("clearance_required_mm");
    }
    return plan;
  } catch (const std::exception& fault) {
    return input_error(file, 1, 1, fmt::format("this is neither a certificate nor a plan: {}", fault.what()),
                       "a file that withy plan wrote");
  }
}

}  // namespace withy::recheck
