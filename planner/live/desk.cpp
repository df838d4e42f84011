// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/desk.h"

#include <utility>

#include <fmt/core.h>
#include <nlohmann/json.hpp>
#include <unistd.h>

#include "planner/files/file_output.h"
#include "planner/files/input_file.h"
#include "planner/files/sha256.h"
#include "planner/live/driver.h"

namespace withy {

namespace {

DeskReply failed(ReplyKind kind, const std::string& why) {
  return {kind, nlohmann::ordered_json{{"error", why}}.dump(-1, ' ', false,
                                                            nlohmann::json::error_handler_t::replace)};
}

/// The count in use first, then none to three.
std::vector<int> usual_counts(const Scene& scene) {
  std::vector<int> counts = {scene.layout_in_use};
  for (int locks = 0; locks <= 3; ++locks)
    if (locks != scene.layout_in_use) counts.push_back(locks);
  return counts;
}

/// Do the steps change what such steps change, and nothing else?
bool hangs_together(const Route& route) {
  for (std::size_t k = 0; k < route.steps.size(); ++k) {
    const State& from = route.state_before(k);
    const RouteStep& step = route.steps[k];
    LockSet expected = from.engaged;
    if (step.lock >= 0) expected.flip(static_cast<std::size_t>(step.lock));
    if (step.to.engaged != expected) return false;
    if (step.lock < 0 && step.to.theta_frozen != from.theta_frozen) return false;
    if (step.lock >= 0 && step.engages == from.engaged.test(static_cast<std::size_t>(step.lock)))
      return false;
  }
  return true;
}

}  // namespace

Desk::Desk(const std::filesystem::path& scene, int workers)
    : keeper_(scene), autosave_(scene), questions_(workers) {}

Desk::~Desk() = default;

Result<std::unique_ptr<Desk>> Desk::open(const std::filesystem::path& scene, int workers) {
  if (const auto place = check_output_file(scene.string() + ".live"); !place) {
    InputError error = place.error();
    const std::filesystem::path folder = scene.has_parent_path() ? scene.parent_path() : ".";
    if (::access(folder.c_str(), W_OK) != 0)
      error.remedy =
          "copy the scene and its mesh to a folder that may be written to: unsaved work is kept beside the "
          "scene";
    return tl::unexpected(std::move(error));
  }
  auto text = read_text_input(scene);
  if (!text) return tl::unexpected(text.error());
  std::unique_ptr<Desk> desk(new Desk(scene, workers));
  if (const auto held = desk->autosave_.take_hold(); !held) return tl::unexpected(held.error());
  auto first = desk->keeper_.make(*text);
  if (!first) return tl::unexpected(first.error());
  desk->saved_sha256_ = sha256(*text);
  desk->saved_text_ = std::move(*text);
  desk->history_.emplace(std::move(*first));
  if (const auto taken = desk->take_up(); !taken) return tl::unexpected(taken.error());
  desk->asked_ = usual_counts(desk->now()->prepared.scene);
  desk->questions_.start(desk->now(), desk->asked_);
  return desk;
}

void Desk::settle() {
  editing_.lock();  // for good
  autosave_.flush();
  autosave_.let_go();
}

/// Takes up what an earlier desk left, where it is of this version of the scene and still makes one.
Result<void> Desk::take_up() {
  auto left = autosave_.left();
  if (!left) return tl::unexpected(left.error());
  if (!*left) return {};
  KeptWork& work = **left;
  const bool same_scene = work.scene_sha256 == saved_sha256_;
  const bool changed = work.text != saved_text_;
  auto scene = same_scene && changed ? std::optional(keeper_.make(work.text)) : std::nullopt;
  if (!same_scene || (scene && !*scene)) {
    const auto place = autosave_.set_aside();
    if (!place) return tl::unexpected(place.error());
    notes_.push_back(
        fmt::format("unsaved work of another version of the scene was moved to {}", place->string()));
    return {};
  }
  if (scene) {
    history_->put(std::move(**scene), "");
    notes_.emplace_back("unsaved changes of the scene were taken up; undo takes them back");
  }
  for (auto& [locks, route] : work.driven) {
    if (!hangs_together(route)) continue;
    hands_[locks].take(std::move(route));
    notes_.push_back(
        fmt::format("what was driven by hand with {} lock{} was taken up", locks, locks == 1 ? "" : "s"));
  }
  return {};
}

const std::map<std::string, Desk::Handler, std::less<>>& Desk::handlers() {
  static const std::map<std::string, Handler, std::less<>> all = {
      {"channel", &Desk::tell_channel},
      {"centreline", &Desk::tell_centreline},
      {"scene", &Desk::tell_scene},
      {"edit", &Desk::edit},
      {"enter", &Desk::enter},
      {"undo", &Desk::undo},
      {"redo", &Desk::redo},
      {"ask", &Desk::ask_again},
      {"cancel", &Desk::cancel},
      {"verdicts", &Desk::tell_verdicts},
      {"plan", &Desk::tell_plan},
      {"save-scene", &Desk::save_scene},
      {"save-plan", &Desk::save_plan},
      {"hand", &Desk::tell_hand},
      {"drive", &Desk::drive},
      {"switch", &Desk::switch_lock},
      {"back", &Desk::back},
      {"reset", &Desk::reset},
      {"take", &Desk::take},
      {"onward", &Desk::onward},
      {"verify", &Desk::verify},
  };
  return all;
}

DeskReply Desk::ask(std::string_view name, const std::string& body) {
  const auto handler = handlers().find(name);
  if (handler == handlers().end()) return failed(ReplyKind::unknown, "there is no request of that name");
  if (body.size() > kLongestRequest)
    return failed(ReplyKind::malformed, fmt::format("a request has {} bytes at most", kLongestRequest));
  auto parsed = JsonFile::parse(body.empty() ? std::string("{}") : body, "the request");
  if (!parsed) return failed(ReplyKind::malformed, parsed.error().message());
  // A handler reads all that it takes before it changes anything, and refuses what could not be read.
  auto outcome = (this->*handler->second)(*parsed);
  if (const auto& fault = parsed->first_fault()) return failed(ReplyKind::malformed, fault->message());
  if (!outcome) return failed(ReplyKind::refused, outcome.error().why);
  return {ReplyKind::done, std::move(*outcome)};
}

}  // namespace withy
