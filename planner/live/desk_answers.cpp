// SPDX-License-Identifier: GPL-3.0-or-later
// The desk's requests about verdicts and plans, and what is saved.
#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/file_output.h"
#include "planner/files/input_file.h"
#include "planner/files/sha256.h"
#include "planner/live/answer_files.h"
#include "planner/live/desk.h"
#include "planner/live/driver.h"
#include "planner/live/figures_json.h"
#include "planner/show/page_facts.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

constexpr std::size_t kLongestFolderName = 60;

Json number_or_null(std::optional<double> value) {
  return value && std::isfinite(*value) ? Json(*value + 0.0) : Json(nullptr);
}

Json plan_figures(const Plan& plan) {
  const auto switches = std::count_if(plan.actions.begin(), plan.actions.end(),
                                      [](const PlannedAction& a) { return a.lock >= 0 && a.leg == Leg::in; });
  // The names are those of plan.json.
  const bool hunted = plan.without_hunt() == nullptr;
  const auto stands = plan.standing ? std::optional(plan.standing->reserve) : std::nullopt;
  return {{"clearance_mm", number_or_null(plan.clearance_mm)},
          {"reserve", number_or_null(hunted ? stands : std::optional(0.0))},
          {"field_reserve", number_or_null(least_field_reserve(plan))},
          {"switches", switches},
          {"actions", plan.actions.size()},
          {"tension_N", number_or_null(plan.largest.tension_N)},
          {"pull_mm", number_or_null(plan.largest.pull_mm)},
          {"field_mT", number_or_null(plan.largest.field_mT)},
          {"lock_moment_Nmm", number_or_null(plan.largest.lock_moment_Nmm)}};
}

Json depth_json(const TipDepth& depth, const Eigen::Isometry3d& X_SE) {
  return {{"sentence", depth.sentence(X_SE * depth.place_E)},
          {"target_mm", number_or_null(depth.target_mm)},
          {"reached_mm", number_or_null(depth.reached_mm)},
          {"at_most_mm", number_or_null(std::optional(depth.at_most_mm))}};
}

Json cell_json(const Cell& cell, const Eigen::Isometry3d& X_SE) {
  Json out = {{"locks", cell.locks}, {"stage", name_of(cell.stage)}};
  if (cell.stage == CellStage::refused) out["refusal"] = cell.refusal;
  if (!cell.answer) return out;
  const Answer& answer = *cell.answer;
  out["verdict"] = name_of(answer.verdict);
  out["why"] = answer.why;
  out["not_checked"] = answer.not_checked;
  out["decided_s"] = cell.decided_s;
  if (answer.plan) out["plan"] = plan_figures(*answer.plan);
  if (answer.approach)
    out["approach"] = {{"distance_mm", number_or_null(answer.approach->distance_mm)},
                       {"blocked_by", answer.approach->blocked_by},
                       {"state", state_json(cell.problem->design, answer.approach->state)}};
  if (answer.depth) out["depth"] = depth_json(*answer.depth, X_SE);
  return out;
}

Json table_json(const VerdictTable& table) {
  Json cells = Json::array();
  std::vector<const Cell*> sorted;
  for (const Cell& cell : table.cells) sorted.push_back(&cell);
  std::sort(sorted.begin(), sorted.end(), [](const Cell* a, const Cell* b) { return a->locks < b->locks; });
  for (const Cell* cell : sorted) cells.push_back(cell_json(*cell, table.scene->prepared.scene.entry.X_SE));
  return {{"version", table.version},
          {"driven", table.driven},
          {"revision", table.scene ? table.scene->revision : 0},
          {"settled", table.settled()},
          {"cells", cells}};
}

/// May a folder beside the scene be called that? One name, of plain letters, that no command takes for an
/// option and no shell hides.
bool is_folder_name(const std::string& name) {
  constexpr std::string_view kPlain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-. ";
  constexpr std::string_view kNotFirst = ".- ", kNotLast = ". ";
  return !name.empty() && name.size() <= kLongestFolderName && name.find_first_not_of(kPlain) == name.npos &&
         kNotFirst.find(name.front()) == name.npos && kNotLast.find(name.back()) == name.npos;
}

}  // namespace

Desk::Outcome Desk::ask_again(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks"});
  std::vector<int> counts;
  for (const JsonNode& item : root.at("locks").items()) {
    const int locks = item.count();
    if (locks > kMaxLocks || std::find(counts.begin(), counts.end(), locks) != counts.end())
      item.fault(fmt::format("{} locks can't be asked about here", locks),
                 fmt::format("give each of 0 to {} once at most", kMaxLocks));
    counts.push_back(locks);
  }
  if (counts.empty()) root.fault("no lock count is given", "give one at least");
  if (request.first_fault()) return tl::unexpected(Refusal{});
  {
    const std::lock_guard lock(one_);
    asked_ = counts;
    questions_.start(history_->now(), asked_);
  }
  return table_json(questions_.table()).dump();
}

Desk::Outcome Desk::cancel(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  questions_.cancel();
  return table_json(questions_.table()).dump();
}

Desk::Outcome Desk::tell_verdicts(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({}, {"seen", "driven", "wait_s"});
  const auto version_at = [&](const char* key) {
    return static_cast<std::int64_t>(std::clamp(root.at(key).number(), -1.0, 1e15));
  };
  const std::int64_t seen = root.has("seen") ? version_at("seen") : -1;
  const auto driven = root.has("driven") ? std::optional(version_at("driven")) : std::nullopt;
  const double wait_s = root.has("wait_s") ? root.at("wait_s").number() : 0.0;
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const double patience = std::clamp(wait_s, 0.0, kLongestWait_s);
  Json out = table_json(questions_.wait(seen, driven, patience));
  out["unkept"] = unkept();
  return out.dump();
}

tl::expected<Desk::Driven, Desk::Refusal> Desk::answer_for(int locks, bool by_hand) {
  const auto scene = now();
  if (by_hand) {
    const auto kept = driven_.find(locks);
    if (kept == driven_.end() || kept->second.scene != scene)
      return tl::unexpected(Refusal{"what was driven is not verified as it stands; verify it first"});
    return kept->second;
  }
  const VerdictTable table = questions_.table();
  const Cell* cell = table.cell(locks);
  if (table.scene != scene || cell == nullptr || !cell->answer)
    return tl::unexpected(
        Refusal{fmt::format("there is no answer for {} lock{} yet", locks, locks == 1 ? "" : "s")});
  return Driven{table.scene, cell->problem, cell->answer};
}

Desk::Outcome Desk::tell_plan(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks"}, {"by_hand"});
  const int locks = root.at("locks").count();
  const bool by_hand = root.has("by_hand") && root.at("by_hand").boolean();
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const std::lock_guard alone(driving_);
  const auto found = answer_for(locks, by_hand);
  if (!found) return tl::unexpected(found.error());
  const std::string name = found->scene->prepared.scene.file.filename().string();
  return Json{{"revision", found->scene->revision},
              {"design", design_facts(found->problem->design)},
              {"plan", Json::parse(answer_text(*found->scene, *found->problem, *found->answer, name))}}
      .dump();
}

/// Precondition: editing_ is held.
std::optional<Desk::Refusal> Desk::write_scene(bool anyway) {
  const auto scene = now();
  const std::filesystem::path& file = keeper_.file();
  const auto there = read_text_input(file);
  if (!anyway && (!there || sha256(*there) != saved_sha256_))
    return Refusal{fmt::format(
        "{} was changed by something else since it was read; save anyway to write over it", file.string())};
  if (there && *there == scene->text) return std::nullopt;
  // A file that is gone is made anew; one that is there stays what it is, a link a link.
  const auto written = there ? rewrite_whole(file, scene->text) : write_whole(file, scene->text);
  if (!written) return Refusal{written.error().message()};
  const std::lock_guard lock(one_);
  saved_text_ = scene->text;
  saved_sha256_ = sha256(scene->text);
  return std::nullopt;
}

Desk::Outcome Desk::save_scene(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({}, {"anyway"});
  const bool anyway = root.has("anyway") && root.at("anyway").boolean();
  if (request.first_fault()) return tl::unexpected(Refusal{});
  {
    const std::lock_guard alone(editing_);
    if (auto refusal = write_scene(anyway)) return tl::unexpected(std::move(*refusal));
  }
  const std::lock_guard lock(driving_);
  keep_unsaved();
  return Json{{"saved", keeper_.file().string()}}.dump();
}

/// What stands against an answer's files in this folder beside the scene.
std::optional<Desk::Refusal> Desk::place_refusal(const std::filesystem::path& folder,
                                                 const Scene& scene) const {
  const std::string name = folder.filename().string();
  const std::string own = scene.file.filename().string();
  if (name == own || name.starts_with(own + ".live") || name == scene.mesh_file.filename().string())
    return Refusal{fmt::format("{} is the name of one of the scene's own files; give another", name)};
  if (const auto place = check_output_folder(folder, answer_file_names(), {scene.file, scene.mesh_file});
      !place)
    return Refusal{place.error().message()};
  // The plan names the mesh by its hash too.
  if (const auto changed = SceneKeeper::changed_mesh(scene)) return Refusal{changed->message()};
  return std::nullopt;
}

Desk::Outcome Desk::save_plan(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"locks", "folder"}, {"by_hand"});
  const int locks = root.at("locks").count();
  const std::string name = root.at("folder").text();
  const bool by_hand = root.has("by_hand") && root.at("by_hand").boolean();
  if (name.size() > kLongestFolderName)
    root.at("folder").fault(fmt::format("this name has {} letters", name.size()),
                            fmt::format("give {} at most", kLongestFolderName));
  else if (!is_folder_name(name))
    root.at("folder").fault(
        "this names no folder beside the scene",
        "give one name of letters a to z, digits, _, -, . and spaces, a letter, digit or _ first, and no . "
        "or space last");
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const auto found = [&] {
    const std::lock_guard driving(driving_);
    return answer_for(locks, by_hand);
  }();
  if (!found) return tl::unexpected(found.error());
  const std::filesystem::path folder = keeper_.file().parent_path() / name;
  const Scene& scene = found->scene->prepared.scene;
  if (auto refusal = place_refusal(folder, scene)) return tl::unexpected(std::move(*refusal));
  // A long record takes minutes. Nobody waits for it, not even the end of the program: nothing is written
  // yet.
  FileBatch batch;
  const std::vector<std::string> left_out = add_answer(
      batch, folder, *found->scene, *drawn(*found->scene).display, *found->problem, *found->answer);
  const std::lock_guard alone(editing_);
  const std::lock_guard driving(driving_);
  if (now() != found->scene)
    return tl::unexpected(Refusal{"the scene was changed while this was made ready; save again"});
  if (auto refusal = place_refusal(folder, scene)) return tl::unexpected(std::move(*refusal));
  // The plan names the scene by its hash, so the scene is saved with it.
  if (auto refusal = write_scene(false)) return tl::unexpected(std::move(*refusal));
  if (const auto written = batch.commit(); !written)
    return tl::unexpected(Refusal{written.error().message()});
  keep_unsaved();
  return Json{{"saved", folder.string()},
              {"verdict", name_of(found->answer->verdict)},
              {"not_checked", found->answer->not_checked},
              {"left_out", left_out}}
      .dump();
}

}  // namespace withy
