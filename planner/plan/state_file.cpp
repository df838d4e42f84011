// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/state_file.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "planner/files/input_file.h"

namespace withy {
namespace {

// A state of eight locks has two kilobytes.
constexpr std::size_t kLargestState = std::size_t{1} << 20;

bool same_regions(const std::vector<RecordedState::Stretch>& recorded, const std::vector<Region>& regions) {
  return std::equal(
      recorded.begin(), recorded.end(), regions.begin(), regions.end(), [](const auto& a, const auto& b) {
        return std::abs(a.from_mm - b.from_mm) <= kNoLength_mm && std::abs(a.to_mm - b.to_mm) <= kNoLength_mm;
      });
}

}  // namespace

RecordedState read_recorded_state(const JsonNode& node) {
  RecordedState state;
  state.insertion_mm = node.at("insertion_mm").number("plan.insertion_mm");
  for (const JsonNode& lock : node.at("locked").items()) state.locked.push_back(lock.boolean());
  for (const JsonNode& region : node.at("regions").items()) {
    region.expect_keys({"from_mm", "to_mm", "curvature_per_mm"});
    const auto u = region.at("curvature_per_mm").numbers(2, "plan.curvature_per_mm");
    state.regions.push_back(
        {region.at("from_mm").number("plan.from_mm"), region.at("to_mm").number("plan.to_mm"), {u[0], u[1]}});
  }
  return state;
}

State state_of(const RecordedState& recorded, const Design& design, const StateFault& fault) {
  State out;
  out.insertion_mm = recorded.insertion_mm;
  if (static_cast<int>(recorded.locked.size()) != design.lock_count()) {
    fault("/locked", fmt::format("{} locks are listed", recorded.locked.size()),
          fmt::format("list {}", design.lock_count()));
    return out;
  }
  for (std::size_t k = 0; k < recorded.locked.size(); ++k) out.engaged.set(k, recorded.locked[k]);
  out.theta_frozen.assign(out.engaged.count(), Eigen::Vector2d::Zero());
  const auto regions = regions_of(design, out);
  if (!same_regions(recorded.regions, regions)) {
    fault("/regions", "the regions don't end at the engaged locks", "give one for each, and the free one");
    return out;
  }
  for (std::size_t k = 0; k < out.theta_frozen.size(); ++k)
    out.theta_frozen[k] = regions[k].flexible_mm * recorded.regions[k].curvature_per_mm;
  out.u_free = recorded.regions.back().curvature_per_mm;
  return out;
}

Result<State> read_state_file(const std::filesystem::path& file, const Design& design) {
  auto text = read_text_input(file, kLargestState);
  if (!text) return tl::unexpected(text.error());
  auto json = JsonFile::parse(std::move(*text), file.string());
  if (!json) return tl::unexpected(json.error());
  const JsonNode root = json->root();
  root.expect_keys({"format", "version", "insertion_mm", "locked", "regions"},
                   {"pull_mm", "tension_N", "tip_mm", "clearance_mm", "lock_moment_Nmm"});
  if (root.at("format").text() != "withy-state")
    root.at("format").fault("this is no state of withy's", "give a file with \"format\": \"withy-state\"");
  if (root.at("version").count() != 1)
    root.at("version").fault("states of this version can't be read", "write \"version\": 1");
  const RecordedState recorded = read_recorded_state(root);
  if (const auto& fault = json->first_fault()) return tl::unexpected(*fault);
  State state =
      state_of(recorded, design, [&](const std::string& below, std::string problem, std::string remedy) {
        json->fault(below, std::move(problem), std::move(remedy));
      });
  if (const auto& fault = json->first_fault()) return tl::unexpected(*fault);
  return state;
}

std::string write_state(const Design& design, const State& state) {
  nlohmann::ordered_json out = {{"format", "withy-state"}, {"version", 1}};
  out["insertion_mm"] = state.insertion_mm;
  out["locked"] = nlohmann::ordered_json::array();
  for (int i = 0; i < design.lock_count(); ++i)
    out["locked"].push_back(state.engaged.test(static_cast<std::size_t>(i)));
  out["regions"] = nlohmann::ordered_json::array();
  for (const Region& region : regions_of(design, state))
    out["regions"].push_back({{"from_mm", region.from_mm},
                              {"to_mm", region.to_mm},
                              {"curvature_per_mm", {region.u.x() + 0.0, region.u.y() + 0.0}}});
  return out.dump(2) + "\n";
}

}  // namespace withy
