// SPDX-License-Identifier: GPL-3.0-or-later
// What is not saved yet, kept beside the scene file, so that nothing is lost when a tab or the program ends.
//
// NAME.toml.live holds, as JSON, the scene's text, the hash of the scene file that it was made from, and what
// was driven by hand. It is written whole or not at all, by a thread of its own, at once after a change, then
// not for kAutosavePause_s, longer where the disk is slow; and taken away once nothing is unsaved. One that
// was made from another version of the scene file is not taken up and not written over: it moves to
// NAME.toml.live.old, or where there is one already to NAME.toml.live.old.2 and so on. A sequence of
// shares::kHandSteps steps takes about a megabyte, so that all that can be driven is far below what is read
// again (kLargestTable).
#pragma once

#include <condition_variable>
#include <filesystem>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "planner/files/input_error.h"
#include "planner/files/staging.h"
#include "planner/search/route/route.h"

namespace withy {

inline constexpr double kAutosavePause_s = 0.1;

struct KeptWork {
  std::string scene_sha256;     ///< of the scene file that the text was made from
  std::string text;             ///< of the scene
  std::map<int, Route> driven;  ///< by lock count; the empty ones left out
};

class Autosave {
 public:
  explicit Autosave(const std::filesystem::path& scene);
  ~Autosave();  ///< what is still to be written is written
  Autosave(const Autosave&) = delete;
  Autosave& operator=(const Autosave&) = delete;

  /// Keeps every other desk off the scene, until this one ends or its process does: a lock (flock) on a file
  /// beside the scene. An error where another has it; nothing is done where the disk has no such locks.
  Result<void> take_hold();

  /// Lets the next desk have the scene.
  void let_go();

  /// What an earlier desk left; nothing where there is none. An error where it can't be read.
  Result<std::optional<KeptWork>> left() const;

  /// Moves what an earlier desk left out of the way; its new place.
  Result<std::filesystem::path> set_aside() const;

  /// To be written soon, instead of what was; nothing: no work is unsaved.
  void keep(std::optional<KeptWork> work);

  /// Writes what is still to be written, now.
  void flush();

  /// Why what is unsaved is not kept beside the scene, as it stands; empty while all is well.
  std::string fault() const;

  /// Hears of a fault when it begins, on the thread that writes.
  void on_fault(std::function<void(const std::string&)> hear);

  const std::filesystem::path& file() const { return file_; }

 private:
  void run();
  void write(const std::optional<KeptWork>& work);

  std::filesystem::path file_;
  Descriptor hold_;
  mutable std::mutex one_;  // for what follows but the thread
  std::mutex writing_;
  std::condition_variable wake_;
  bool waiting_ = false;  // `next_` is to be written
  bool ending_ = false;
  std::optional<KeptWork> next_;
  std::string fault_;
  std::function<void(const std::string&)> hear_;
  std::thread thread_;
};

/// Takes away the lock file of the desk that this process has open, if there is one: what take_hold() made
/// and let_go() has not taken away yet. For a signal handler that ends the program: async-signal-safe.
void remove_left_lock_file() noexcept;

}  // namespace withy
