// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_plan.h"

#include <fstream>
#include <stdexcept>

#include <nlohmann/json.hpp>

namespace withy_plain {
namespace {

using nlohmann::json;

bool has(const json& object, const char* key) {
  return object.contains(key) && !object.at(key).is_null();
}

// A clearance must be there, but may be null.
std::optional<double> clearance(const json& object) {
  const json& value = object.at("clearance_mm");
  return value.is_null() ? std::nullopt : std::optional<double>(value.get<double>());
}

std::vector<double> maybe_numbers(const json& object, const char* key) {
  return has(object, key) ? object.at(key).get<std::vector<double>>() : std::vector<double>{};
}

std::optional<Eigen::Vector3d> maybe_vector3(const json& object, const char* key) {
  const auto v = maybe_numbers(object, key);
  if (v.empty()) return std::nullopt;
  return Eigen::Vector3d(v.at(0), v.at(1), v.at(2));
}

ListedState read_state(const json& j) {
  ListedState out;
  out.state.insertion_mm = j.at("insertion_mm").get<double>();
  out.state.locked = j.at("locked").get<std::vector<bool>>();
  for (const json& r : j.at("regions")) {
    const auto u = r.at("curvature_per_mm").get<std::vector<double>>();
    out.state.regions.push_back(
        {r.at("from_mm").get<double>(), r.at("to_mm").get<double>(), {u.at(0), u.at(1)}});
  }
  out.pull_mm = maybe_numbers(j, "pull_mm");
  out.tension_N = maybe_numbers(j, "tension_N");
  out.lock_moment_Nmm = maybe_numbers(j, "lock_moment_Nmm");
  const auto tip = j.at("tip_mm").get<std::vector<double>>();
  out.tip_S = Eigen::Vector3d(tip.at(0), tip.at(1), tip.at(2));
  out.clearance_mm = clearance(j);
  return out;
}

std::optional<double> maybe_number(const json& j, const char* key) {
  return j.at(key).is_null() ? std::nullopt : std::optional(j.at(key).get<double>());
}

ListedHunt read_hunt(const json& j) {
  ListedHunt out;
  out.shape = j.at("shape").get<std::string>();
  out.radius_mm = j.at("radius_mm").get<double>();
  out.spacing_mm = j.at("turn_spacing_mm").get<double>();
  out.turns = j.at("turns").get<int>();
  out.corners_per_turn = j.at("corners_per_turn").get<int>();
  out.made = j.at("made").get<bool>();
  out.clearance_mm = maybe_number(j, "clearance_mm");
  out.duration_s = maybe_number(j, "duration_s");
  if (!j.at("why").is_null()) out.why = j.at("why").get<std::string>();
  return out;
}

ListedAction read_action(const json& j) {
  ListedAction out;
  out.kind = j.at("kind").get<std::string>();
  out.leg = j.at("leg").get<std::string>();
  out.from = j.at("from").get<int>();
  out.to = j.at("to").get<int>();
  if (has(j, "lock")) out.lock = j.at("lock").get<int>() - 1;
  out.field_S_mT = maybe_vector3(j, "field_mT");
  out.current_A = maybe_numbers(j, "current_A");
  if (has(j, "field_reserve")) out.field_reserve = j.at("field_reserve").get<double>();
  out.clearance_mm = clearance(j);
  if (has(j, "hunt")) out.hunt = read_hunt(j.at("hunt"));
  return out;
}

ListedSummary read_summary(const json& j) {
  ListedSummary out;
  out.locks_used = j.at("locks_used").get<int>();
  out.actions = j.at("actions").get<int>();
  out.preset = j.at("preset").get<bool>();
  out.clearance_slack_mm = j.at("clearance_slack_mm").get<double>();
  if (has(j, "reserve_limited_by")) out.reserve_limited_by = j.at("reserve_limited_by").get<std::string>();
  for (const auto& [key, value] : j.items()) {
    if (value.is_number()) out.numbers[key] = value.get<double>();
  }
  return out;
}

std::map<std::string, double> read_segment(const json& root) {
  std::map<std::string, double> out;
  if (!has(root, "segment")) return out;
  const json flat = root.at("segment").flatten();
  for (const auto& [key, value] : flat.items()) {
    if (value.is_number()) out[key.substr(1)] = value.get<double>();
  }
  return out;
}

}  // namespace

ListedPlan read_plan(const std::string& path) {
  std::ifstream in(path);
  if (!in) throw std::runtime_error("can't open " + path);
  const json root = json::parse(in);
  ListedPlan plan;
  plan.format = root.at("format").get<std::string>();
  plan.version = root.at("version").get<int>();
  plan.verdict = root.at("verdict").get<std::string>();
  plan.scene_sha256 = root.at("scene").at("sha256").get<std::string>();
  plan.mesh_sha256 = root.at("scene").at("mesh_sha256").get<std::string>();
  plan.locks = root.at("locks").get<int>();
  plan.checked = root.at("checked").get<std::vector<std::string>>();
  plan.not_checked = root.at("not_checked").get<std::vector<std::string>>();
  if (plan.verdict != "reached") return plan;
  plan.summary = read_summary(root.at("summary"));
  plan.segment = read_segment(root);
  for (const json& s : root.at("states")) plan.states.push_back(read_state(s));
  for (const json& a : root.at("actions")) plan.actions.push_back(read_action(a));
  return plan;
}

}  // namespace withy_plain
