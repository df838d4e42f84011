// SPDX-License-Identifier: GPL-3.0-or-later
// What is not saved yet, kept beside the scene file, so that nothing is lost when a tab or the program ends.
//
// NAME.toml.live holds, as JSON, the scene's text, the hash of the scene file that it was made from, and what
// was driven by hand. It is written whole or not at all, by a thread of its own, at most kAutosavePause_s
// after a change, and taken away once nothing is unsaved. One that was made from another version of the scene
// file is not taken up and not written over: it moves to NAME.toml.live.old. A sequence of shares::kHandSteps
// steps takes about a megabyte, so that all that can be driven is far below what is read again
// (kLargestTable).
#pragma once

#include <condition_variable>
#include <filesystem>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "planner/files/input_error.h"
#include "planner/search/route/route.h"

namespace withy {

inline constexpr double kAutosavePause_s = 0.5;

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

  /// What an earlier desk left; nothing where there is none. An error where it can't be read.
  Result<std::optional<KeptWork>> left() const;

  /// Moves what an earlier desk left out of the way; its new place.
  Result<std::filesystem::path> set_aside() const;

  /// To be written soon, instead of what was; nothing: no work is unsaved.
  void keep(std::optional<KeptWork> work);

  /// Writes what is still to be written, now.
  void flush();

  const std::filesystem::path& file() const { return file_; }

 private:
  void run();
  void write(const std::optional<KeptWork>& work);

  std::filesystem::path file_;
  std::mutex one_;
  std::mutex writing_;
  std::condition_variable wake_;
  bool waiting_ = false;  // `next_` is to be written
  bool ending_ = false;
  std::optional<KeptWork> next_;
  std::thread thread_;
};

}  // namespace withy
