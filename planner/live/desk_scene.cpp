// SPDX-License-Identifier: GPL-3.0-or-later
// The desk's requests about the scene: what it is, and how it is changed.
#include <utility>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/files/cautions.h"
#include "planner/live/channel_json.h"
#include "planner/live/desk.h"
#include "planner/live/driver.h"
#include "planner/live/numbers_json.h"
#include "planner/live/scene_text.h"
#include "planner/show/page_facts.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

/// More changes at once than a scene has numbers are refused.
constexpr std::size_t kMostChanges = 200;

/// The longest text that a change may write.
constexpr std::size_t kLongestWord = 500;

std::vector<SceneChange> changes_of(const JsonNode& list) {
  std::vector<SceneChange> changes;
  for (const JsonNode& item : list.items()) {
    item.expect_keys({"key", "value"});
    SceneChange change{item.at("key").text(), 0.0};
    const JsonNode value = item.at("value");
    if (value.is_list())
      change.value = value.numbers();
    else if (value.is_text())
      change.value = value.text();
    else
      change.value = value.number();
    const auto* words = std::get_if<std::string>(&change.value);
    if (change.key.size() > kLongestWord || (words != nullptr && words->size() > kLongestWord))
      item.fault("this is too long", fmt::format("give {} bytes at most", kLongestWord));
    changes.push_back(std::move(change));
  }
  if (changes.empty() || changes.size() > kMostChanges)
    list.fault(fmt::format("{} changes stand here", changes.size()),
               fmt::format("give 1 to {}", kMostChanges));
  return changes;
}

/// The segment with each lock count that is asked about, or why there is none.
Json designs_json(const Scene& scene, const std::vector<int>& counts) {
  Json out = Json::array();
  for (const int locks : counts) {
    const auto design = scene.design(locks);
    Json one = {{"locks", locks}};
    if (design) {
      one["design"] = design_facts(*design);
      one["assumed"] = design->layout().assumed;
    } else {
      one["refusal"] = design.error().message();
    }
    out.push_back(std::move(one));
  }
  return out;
}

}  // namespace

std::shared_ptr<const LiveScene> Desk::now() const {
  const std::lock_guard lock(one_);
  return history_->now();
}

std::string Desk::scene_text_json() const {
  std::shared_ptr<const LiveScene> live;
  Json out;
  std::vector<int> counts;
  {
    const std::lock_guard lock(one_);
    live = history_->now();
    counts = asked_;
    out = {{"revision", live->revision},
           {"channel", live->channel},
           {"unsaved", live->text != saved_text_},
           {"can_undo", history_->can_undo()},
           {"can_redo", history_->can_redo()}};
  }
  const Scene& scene = live->prepared.scene;
  out["program"] = "withy live";
  out["cautions"] = kCautions;
  out["notes"] = notes_;
  out["unkept"] = unkept();
  out["scene"] = scene_facts(scene);
  out["layout_in_use"] = scene.layout_in_use;
  out["designs"] = designs_json(scene, counts);
  out["numbers"] = numbers_json(live->text);
  out["choices"] = choices_json(live->text);
  return out.dump();
}

Desk::Drawn Desk::drawn(const LiveScene& scene) {
  const std::lock_guard lock(drawing_);
  if (drawn_.channel != scene.channel) {
    drawn_ = {};
    drawn_.channel = scene.channel;
    drawn_.display = std::make_shared<const DisplayMesh>(make_display_mesh(scene.prepared.wall().channel()));
  }
  return drawn_;
}

Desk::Outcome Desk::tell_channel(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const auto scene = now();
  return channel_json(*scene, *drawn(*scene).display).dump();
}

Desk::Outcome Desk::tell_centreline(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const auto scene = now();
  return centreline_json(*scene, *drawn(*scene).display, scene->middle_lines->get()).dump();
}

Desk::Outcome Desk::tell_scene(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  return scene_text_json();
}

/// Keeps what is not saved, beside the scene. Precondition: driving_ is held.
void Desk::keep_unsaved() {
  KeptWork work;
  for (const auto& [locks, hand] : hands_)
    if (!hand.route().steps.empty()) work.driven[locks] = hand.route();
  bool unsaved = !work.driven.empty();
  {
    const std::lock_guard lock(one_);
    work.scene_sha256 = saved_sha256_;
    work.text = history_->now()->text;
    unsaved = unsaved || work.text != saved_text_;
  }
  autosave_.keep(unsaved ? std::optional(std::move(work)) : std::nullopt);
}

void Desk::after_change() {
  {
    const std::lock_guard lock(one_);
    questions_.start(history_->now(), asked_);
  }
  const std::lock_guard lock(driving_);
  keep_unsaved();
}

Desk::Outcome Desk::change(const std::vector<SceneChange>& changes, const std::string& gesture) {
  {
    const std::lock_guard alone(editing_);
    const auto before = now();
    auto text = changed_text(before->text, changes);
    if (!text) return tl::unexpected(Refusal{text.error()});
    if (*text == before->text) return scene_text_json();
    auto scene = keeper_.make(std::move(*text));
    if (!scene) return tl::unexpected(Refusal{scene.error().message()});
    const std::lock_guard lock(one_);
    history_->put(std::move(*scene), gesture);
  }
  after_change();
  return scene_text_json();
}

Desk::Outcome Desk::edit(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"changes"}, {"gesture"});
  const std::vector<SceneChange> changes = changes_of(root.at("changes"));
  const std::string gesture = root.has("gesture") ? root.at("gesture").text() : std::string();
  if (request.first_fault()) return tl::unexpected(Refusal{});
  return change(changes, gesture);
}

std::optional<std::string> Desk::move_target(const std::vector<double>& point_mm) {
  const auto outcome = change({{"target.point_mm", point_mm}}, "");
  return outcome ? std::nullopt : std::optional(outcome.error().why);
}

Desk::Outcome Desk::enter(JsonFile& request) {
  const JsonNode root = request.root();
  root.expect_keys({"opening"});
  const int opening = root.at("opening").count();
  if (request.first_fault()) return tl::unexpected(Refusal{});
  const auto scene = now();
  const auto& openings = scene->prepared.wall().channel().openings;
  if (opening < 1 || static_cast<std::size_t>(opening) > openings.size())
    return tl::unexpected(
        Refusal{fmt::format("there is no opening {}; there are {}", opening, openings.size())});
  return change(entry_at(*scene, static_cast<std::size_t>(opening) - 1), "");
}

Desk::Outcome Desk::undo(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  {
    const std::lock_guard alone(editing_);
    if (!history_->can_undo()) return tl::unexpected(Refusal{"there is nothing to undo"});
    auto scene = keeper_.make(history_->undo_text());
    if (!scene) return tl::unexpected(Refusal{scene.error().message()});
    const std::lock_guard lock(one_);
    history_->undone(std::move(*scene));
  }
  after_change();
  return scene_text_json();
}

Desk::Outcome Desk::redo(JsonFile& request) {
  request.root().expect_keys({});
  if (request.first_fault()) return tl::unexpected(Refusal{});
  {
    const std::lock_guard alone(editing_);
    if (!history_->can_redo()) return tl::unexpected(Refusal{"there is nothing to redo"});
    auto scene = keeper_.make(history_->redo_text());
    if (!scene) return tl::unexpected(Refusal{scene.error().message()});
    const std::lock_guard lock(one_);
    history_->redone(std::move(*scene));
  }
  after_change();
  return scene_text_json();
}

}  // namespace withy
