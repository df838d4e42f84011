// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/plan_file.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "planner/files/json_reader.h"

namespace withy::recheck {
namespace {

using Json = nlohmann::json;

// More of one kind than this is no plan.
constexpr std::size_t kMost = 1000000;
constexpr int kMostLocks = 8;
constexpr std::int64_t kMostWhole = 1000000000;
// Of what a parser says of a file, which may quote as much of it as it likes.
constexpr std::size_t kMostSaid = 300;

double number(const Json& json) {
  const auto x = json.get<double>();
  if (!json.is_number() || !std::isfinite(x)) throw std::out_of_range("a number must be finite");
  return x;
}

/// A whole number: 1.9 is none.
template <class Whole>
Whole whole(const Json& json) {
  if (!json.is_number_integer()) throw std::out_of_range("a count or index must be a whole number");
  if (json.is_number_unsigned() ? json.get<std::uint64_t>() > static_cast<std::uint64_t>(kMostWhole)
                                : json.get<std::int64_t>() < (std::is_signed_v<Whole> ? -kMostWhole : 0))
    throw std::out_of_range("a count or index is out of range");
  return json.get<Whole>();
}

/// A list of numbers; none where the key is missing or null.
std::vector<double> numbers(const Json& json, const char* key) {
  std::vector<double> out;
  if (json.contains(key) && json.at(key).is_array())
    for (const Json& x : json.at(key)) out.push_back(number(x));
  return out;
}

std::optional<double> optional_number(const Json& json, const char* key) {
  if (!json.contains(key) || json.at(key).is_null()) return std::nullopt;
  return number(json.at(key));
}

Eigen::Vector3d vector3(const Json& json) {
  return {number(json.at(0)), number(json.at(1)), number(json.at(2))};
}

FileState state_of(const Json& json) {
  FileState state;
  state.insertion_mm = number(json.at("insertion_mm"));
  state.locked = json.at("locked").get<std::vector<bool>>();
  for (const Json& r : json.at("regions")) {
    const Json& u = r.at("curvature_per_mm");
    state.regions.push_back(
        {number(r.at("from_mm")), number(r.at("to_mm")), {number(u.at(0)), number(u.at(1))}});
  }
  state.pull_mm = numbers(json, "pull_mm");
  state.tension_N = numbers(json, "tension_N");
  state.lock_moment_Nmm = numbers(json, "lock_moment_Nmm");
  state.tip_S = vector3(json.at("tip_mm"));
  return state;
}

FileHunt hunt_of(const Json& json) {
  FileHunt hunt;
  hunt.shape = json.at("shape").get<std::string>();
  hunt.radius_mm = number(json.at("radius_mm"));
  hunt.turns = whole<int>(json.at("turns"));
  hunt.corners_per_turn = whole<int>(json.at("corners_per_turn"));
  hunt.spacing_mm = number(json.at("turn_spacing_mm"));
  hunt.made = json.at("made").get<bool>();
  return hunt;
}

FileAction action_of(const Json& json, std::size_t states, int locks) {
  FileAction action;
  action.kind = json.at("kind").get<std::string>();
  action.on_the_way_in = json.at("leg").get<std::string>() == "in";
  action.from = whole<std::size_t>(json.at("from"));
  action.to = whole<std::size_t>(json.at("to"));
  if (action.from >= states || action.to >= states)
    throw std::out_of_range("an action's state is not in the file");
  if (json.contains("lock")) {
    action.lock = whole<int>(json.at("lock")) - 1;
    if (action.lock < 0 || action.lock >= locks)
      throw std::out_of_range("an action's lock is none of the segment's");
  }
  if (json.contains("field_mT") && json.at("field_mT").is_array())
    action.field_S = vector3(json.at("field_mT"));
  action.current_A = numbers(json, "current_A");
  action.reserve = optional_number(json, "field_reserve");
  if (json.contains("hunt") && json.at("hunt").is_object()) action.hunt = hunt_of(json.at("hunt"));
  return action;
}

void read_summary(const Json& json, FilePlan& plan) {
  if (!json.contains("summary") || !json.at("summary").is_object()) return;
  const Json& summary = json.at("summary");
  plan.clearance_mm = optional_number(summary, "clearance_mm");
  plan.required_mm = optional_number(summary, "clearance_required_mm");
  plan.reserve = optional_number(summary, "reserve");
}

FilePlan plan_of(const Json& json) {
  if (json.at("format").get<std::string>() != "withy-plan")
    throw std::out_of_range("format must be \"withy-plan\"");
  if (whole<int>(json.at("version")) != 1) throw std::out_of_range("version must be 1");
  FilePlan plan;
  plan.scene_sha256 = json.at("scene").at("sha256").get<std::string>();
  plan.mesh_sha256 = json.at("scene").at("mesh_sha256").get<std::string>();
  plan.verdict = json.at("verdict").get<std::string>();
  plan.locks = whole<int>(json.at("locks"));
  if (plan.locks < 0 || plan.locks > kMostLocks) throw std::out_of_range("locks must be from 0 to 8");
  if (json.at("states").size() > kMost || json.at("actions").size() > kMost)
    throw std::out_of_range("more than a million states or actions");
  for (const Json& s : json.at("states")) plan.states.push_back(state_of(s));
  for (const Json& a : json.at("actions"))
    plan.actions.push_back(action_of(a, plan.states.size(), plan.locks));
  if (json.contains("from_elsewhere")) plan.from_elsewhere = json.at("from_elsewhere").get<bool>();
  read_summary(json, plan);
  return plan;
}

}  // namespace

Result<FilePlan> read_file_plan(const std::string& text, const std::string& file) {
  // Read with places first: a fault of grammar has one.
  if (const auto read = JsonFile::parse(text, file); !read) return tl::unexpected(read.error());
  try {
    return plan_of(Json::parse(text));
  } catch (const std::exception& fault) {
    std::string what = std::string(fault.what()).substr(0, kMostSaid);
    std::replace(what.begin(), what.end(), '\n', ' ');
    // The library's own name for the fault says nothing to a user: "[json.exception.type_error.302] ...".
    if (what.starts_with('[')) what.erase(0, what.find(' ') == what.npos ? 0 : what.find(' ') + 1);
    return input_error(file, 1, 1, fmt::format("this is neither a certificate nor a plan: {}", what),
                       "a file that withy plan wrote");
  }
}

}  // namespace withy::recheck
