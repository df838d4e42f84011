// SPDX-License-Identifier: GPL-3.0-or-later
// The bench's desk: one scene that is changed, asked about, driven by hand and saved. It answers JSON with
// JSON and knows nothing of the network; who serves it to a browser does (tools/withy/live_server.h).
//
// Requests, and what they take and give, stand in the README ("The live bench"). Safe to use from several
// threads: questions share the distance field; changes wait for one another, and so does what is driven by
// hand. A request that can't be read is malformed, with the place in its text; one that can't be granted is
// refused, with why; neither changes anything.
#pragma once

#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "planner/files/json_reader.h"
#include "planner/live/autosave.h"
#include "planner/live/hand.h"
#include "planner/live/history.h"
#include "planner/live/live_scene.h"
#include "planner/live/questions.h"
#include "planner/live/scene_text.h"
#include "planner/show/display_mesh.h"

namespace withy {

struct Driver;

/// A request longer than this is not looked at (bytes): a long list of changes has a hundredth of it.
inline constexpr std::size_t kLongestRequest = 64 * 1024;

/// The longest that `verdicts` waits for something new (s).
inline constexpr double kLongestWait_s = 20.0;

enum class ReplyKind { done, malformed, unknown, refused };

struct DeskReply {
  ReplyKind kind = ReplyKind::done;
  std::string body;  ///< JSON; {"error": ".."} unless done
};

class Desk {
 public:
  /// Reads the scene, and takes up what an earlier desk left unsaved. `workers`: how many lock counts are
  /// asked about at a time.
  static Result<std::unique_ptr<Desk>> open(const std::filesystem::path& scene, int workers);
  ~Desk();

  DeskReply ask(std::string_view name, const std::string& body);

  /// The verdicts as they stand.
  VerdictTable verdicts() const { return questions_.table(); }

  /// The scene's title when it was opened.
  std::string title() const { return now()->prepared.scene.title; }

  /// Moves the scene's target there (scene frame, mm), as an edit that undo takes back; why not, where it
  /// can't be there.
  std::optional<std::string> move_target(const std::vector<double>& point_mm);

  /// What was taken up or set aside on opening, a sentence each.
  const std::vector<std::string>& notes() const { return notes_; }

  /// Hears, once, that what is unsaved can't be kept beside the scene, and why; on a thread of the desk's.
  void on_unkept(std::function<void(const std::string&)> hear) { autosave_.on_fault(std::move(hear)); }

  /// Waits until nothing is being put in its place, and writes what is unsaved beside the scene. Nothing is
  /// granted afterwards: for whoever ends the program.
  void settle();

 private:
  /// Why a request is not granted; empty where it could not be read, which the request itself says.
  struct Refusal {
    std::string why;
  };
  using Outcome = tl::expected<std::string, Refusal>;
  using Handler = Outcome (Desk::*)(JsonFile&);
  /// A driven sequence that was verified.
  struct Driven {
    std::shared_ptr<const LiveScene> scene;
    std::shared_ptr<const SearchProblem> problem;
    std::shared_ptr<const Answer> answer;
  };
  struct Drawn {
    std::int64_t channel = 0;
    std::shared_ptr<const DisplayMesh> display;
  };

  Desk(const std::filesystem::path& scene, int workers);
  Result<void> take_up();
  static const std::map<std::string, Handler, std::less<>>& handlers();

  // desk_scene.cpp
  Outcome tell_channel(JsonFile& request);
  Outcome tell_centreline(JsonFile& request);
  Outcome tell_scene(JsonFile& request);
  Outcome edit(JsonFile& request);
  Outcome enter(JsonFile& request);
  Outcome undo(JsonFile& request);
  Outcome redo(JsonFile& request);
  Outcome change(const std::vector<SceneChange>& changes, const std::string& gesture);
  std::string scene_text_json() const;
  std::shared_ptr<const LiveScene> now() const;
  void after_change();
  void keep_unsaved();
  std::string unkept() const { return autosave_.fault(); }
  Drawn drawn(const LiveScene& scene);

  // desk_answers.cpp
  Outcome ask_again(JsonFile& request);
  Outcome cancel(JsonFile& request);
  Outcome tell_verdicts(JsonFile& request);
  Outcome tell_plan(JsonFile& request);
  Outcome save_scene(JsonFile& request);
  Outcome save_plan(JsonFile& request);
  std::optional<Refusal> write_scene(bool anyway);
  std::optional<Refusal> place_refusal(const std::filesystem::path& folder, const Scene& scene) const;
  tl::expected<Driven, Refusal> answer_for(int locks, bool by_hand);

  // desk_hand.cpp
  Outcome tell_hand(JsonFile& request);
  Outcome drive(JsonFile& request);
  Outcome switch_lock(JsonFile& request);
  Outcome back(JsonFile& request);
  Outcome reset(JsonFile& request);
  Outcome take(JsonFile& request);
  Outcome onward(JsonFile& request);
  Outcome verify(JsonFile& request);
  using Act = std::function<Outcome(int locks, Driver& driver)>;
  Outcome with_driver(const JsonFile& request, int locks, const Act& act);
  Outcome with_driver(JsonFile& request, const Act& act);
  tl::expected<Driver*, Refusal> driver(int locks);
  Outcome hand_json(int locks, Driver& driver, const HandOutcome& outcome);
  Outcome driven_on(int locks, Driver& driver, const HandOutcome& outcome);

  SceneKeeper keeper_;
  std::vector<std::string> notes_;

  std::mutex editing_;      // held over a whole change
  mutable std::mutex one_;  // for what follows
  std::optional<History> history_;
  std::string saved_text_;  // of the scene file, as it was last read or written
  std::string saved_sha256_;
  std::vector<int> asked_;  // lock counts, most wanted first

  std::mutex drawing_;
  Drawn drawn_;

  std::mutex driving_;  // for what follows; taken before one_
  std::map<int, Hand> hands_;
  std::map<int, std::unique_ptr<Driver>> drivers_;
  std::map<int, Driven> driven_;

  Autosave autosave_;
  Questions questions_;  // last: its threads end first
};

}  // namespace withy
