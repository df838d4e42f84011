// SPDX-License-Identifier: GPL-3.0-or-later
// A scene's text at one moment, ready to be asked about. What many of them share is made once: the mesh's
// bytes, the channel with its exact distances, and the distance field.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <mutex>
#include <optional>
#include <set>
#include <string>
#include <utility>

#include "geometry/centreline/centreline.h"
#include "planner/search/ask/scene_problem.h"

namespace withy {

/// A channel's middle lines, computed when they are first asked for. Safe to use from several threads.
class MiddleLines {
 public:
  explicit MiddleLines(std::shared_ptr<const ChannelDistance> distance) : distance_(std::move(distance)) {}
  const Centreline& get() const;

 private:
  std::shared_ptr<const ChannelDistance> distance_;
  mutable std::once_flag once_;
  mutable Centreline lines_;
};

/// Never changes once it is made; shared by all questions about it.
struct LiveScene {
  std::int64_t revision = 0;  ///< counts the scenes of one desk
  std::string text;           ///< as scene.toml would hold it
  PreparedScene prepared;
  std::int64_t channel = 0;  ///< the same for scenes with the same channel in the same entry frame
  std::shared_ptr<const MiddleLines> middle_lines;  ///< of that channel
};

/// The lock counts whose locks sit at other stations in `b` than in `a`, where the two scenes differ in
/// nothing else; nothing where they do, or may. A question about any other count is then the same in both.
std::optional<std::set<int>> moved_layouts(const LiveScene& a, const LiveScene& b);

/// Makes scenes of texts for one scene file. Safe to use from several threads; they wait for one another.
class SceneKeeper {
 public:
  explicit SceneKeeper(std::filesystem::path file) : file_(std::move(file)) {}

  /// The scene of a text, checked as `withy plan` checks the file.
  Result<std::shared_ptr<const LiveScene>> make(std::string text);

  const std::filesystem::path& file() const { return file_; }

  /// What is wrong where the scene's mesh on the disk is no longer the one that was read.
  static std::optional<InputError> changed_mesh(const Scene& scene);

 private:
  Result<void> keep_distance(const Scene& scene);

  std::filesystem::path file_;
  std::mutex one_;
  std::int64_t revisions_ = 0;
  std::int64_t channels_ = 0;
  std::filesystem::path mesh_file_;
  std::string mesh_sha256_;
  std::string kept_for_;  // everything that channel and field depend on
  std::shared_ptr<const ChannelDistance> distance_;
  std::shared_ptr<const MiddleLines> middle_lines_;
};

}  // namespace withy
