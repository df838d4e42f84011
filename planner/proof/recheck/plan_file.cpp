// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/plan_file.h"

#include <fmt/format.h>

#include "planner/files/json_reader.h"

namespace withy::recheck {
namespace {

FileState state_of(const JsonNode& json) {
  FileState state;
  state.insertion_mm = json.at("insertion_mm").number("plan.insertion_mm");
  for (const JsonNode& lock : json.at("locked").items()) state.locked.push_back(lock.boolean());
  for (const JsonNode& r : json.at("regions").items()) {
    const std::vector<double> u = r.at("curvature_per_mm").numbers(2, "plan.curvature_per_mm");
    state.regions.push_back(
        {r.at("from_mm").number("plan.from_mm"), r.at("to_mm").number("plan.to_mm"), {u[0], u[1]}});
  }
  return state;
}

std::size_t index_of(const JsonNode& json, std::size_t states) {
  const auto i = static_cast<std::size_t>(json.count());
  if (i >= states) json.fault("an action's state is not in the file", "states are counted from 0");
  return i;
}

FileAction action_of(const JsonNode& json, std::size_t states, int locks) {
  FileAction action;
  action.kind = json.at("kind").text();
  action.on_the_way_in = json.at("leg").text() == "in";
  action.from = index_of(json.at("from"), states);
  action.to = index_of(json.at("to"), states);
  if (json.has("lock")) {
    action.lock = json.at("lock").count() - 1;
    if (action.lock < 0 || action.lock >= locks)
      json.at("lock").fault("an action's lock is none of the segment's", "locks are counted from 1");
  }
  if (json.has("field_mT") && !json.at("field_mT").is_null()) {
    const std::vector<double> b = json.at("field_mT").numbers(3, "plan.field_mT");
    action.field_S = {b[0], b[1], b[2]};
  }
  return action;
}

/// A figure of the plan's summary, where it has one.
std::optional<double> figure(const JsonNode& root, const char* key) {
  if (!root.has("summary") || !root.at("summary").has(key)) return std::nullopt;
  const JsonNode node = root.at("summary").at(key);
  return node.is_null() ? std::nullopt : std::optional(node.number());
}

}  // namespace

Result<FilePlan> read_file_plan(const std::string& text, const std::string& file) {
  auto json = JsonFile::parse(text, file);
  if (!json) return tl::unexpected(json.error());
  const JsonNode root = json->root();
  if (!root.has("format") || root.at("format").text() != "withy-plan")
    return input_error(file, 1, 1, "this is neither a certificate nor a plan",
                       "give a file that withy plan wrote");
  FilePlan plan;
  const JsonNode scene = root.at("scene");
  plan.scene_sha256 = scene.at("sha256").text();
  plan.mesh_sha256 = scene.at("mesh_sha256").text();
  plan.verdict = root.at("verdict").text();
  plan.checked = root.at("checked").texts();
  plan.locks = root.at("locks").count();
  for (const JsonNode& s : root.at("states").items()) plan.states.push_back(state_of(s));
  for (const JsonNode& a : root.at("actions").items())
    plan.actions.push_back(action_of(a, plan.states.size(), plan.locks));
  plan.clearance_mm = figure(root, "clearance_mm");
  plan.required_mm = figure(root, "clearance_required_mm");
  if (const auto& fault = json->first_fault()) return tl::unexpected(*fault);
  return plan;
}

}  // namespace withy::recheck
