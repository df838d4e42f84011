// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/live_scene.h"

#include <map>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "planner/files/input_file.h"
#include "planner/files/sha256.h"
#include "planner/live/scene_text.h"
#include "planner/scene/scene_of_text.h"

namespace withy {
namespace {

/// Two scenes with the same of it have the same channel, entry frame and field.
std::string what_distances_depend_on(const Scene& scene, double spacing_mm) {
  std::string key =
      fmt::format("{} {} {} {:a} {:a}", scene.mesh_file.string(), static_cast<int>(scene.mesh_unit),
                  static_cast<int>(scene.outlets), scene.entry.opening_radius_mm, spacing_mm);
  for (int row = 0; row < 3; ++row)
    for (int column = 0; column < 4; ++column)
      key += fmt::format(" {:a}", scene.entry.X_SE.matrix()(row, column));
  return key;
}

}  // namespace

const Centreline& MiddleLines::get() const {
  std::call_once(once_, [&] { lines_ = compute_centreline(distance_->exact()); });
  return lines_;
}

std::optional<std::set<int>> moved_layouts(const LiveScene& a, const LiveScene& b) {
  if (a.prepared.distance != b.prepared.distance) return std::nullopt;
  const std::map<int, LockLayout>& layouts = a.prepared.scene.layouts;
  const std::map<int, LockLayout>& moved = b.prepared.scene.layouts;
  std::set<int> counts;
  std::vector<SceneChange> changes;
  for (const auto& [count, layout] : layouts) {
    const auto other = moved.find(count);
    if (other == moved.end()) return std::nullopt;
    if (other->second.station_mm == layout.station_mm) continue;
    counts.insert(count);
    changes.push_back({fmt::format("layout.{}.station_mm", count), other->second.station_mm});
  }
  // Whatever else differs shows in the text.
  const auto text = changed_text(a.text, changes);
  return text && *text == b.text ? std::optional(std::move(counts)) : std::nullopt;
}

Result<void> SceneKeeper::keep_distance(const Scene& scene) {
  const double spacing_mm = field_spacing(scene);
  std::string key = what_distances_depend_on(scene, spacing_mm);
  if (key == kept_for_) return {};
  auto wall = read_wall_only(scene);
  if (!wall) return tl::unexpected(wall.error());
  if (auto changed = changed_mesh(scene)) return tl::unexpected(std::move(*changed));
  distance_ = prepare_distance(std::move(*wall), spacing_mm);
  middle_lines_ = std::make_shared<const MiddleLines>(distance_);
  kept_for_ = std::move(key);
  ++channels_;
  return {};
}

std::optional<InputError> SceneKeeper::changed_mesh(const Scene& scene) {
  const auto mesh = read_input(scene.mesh_file, kLargestMesh);
  if (mesh && sha256(*mesh) == scene.mesh_sha256) return std::nullopt;
  return InputError{scene.mesh_file.string(), 1, 1,
                    "this mesh was changed by something else since it was read",
                    "end withy live and open the scene again"};
}

Result<std::shared_ptr<const LiveScene>> SceneKeeper::make(std::string text) {
  const std::lock_guard lock(one_);
  auto scene = scene_in_text(text, file_);
  if (!scene) return tl::unexpected(scene.error());
  if (mesh_file_ != scene->mesh_file) {
    const auto mesh = read_input(scene->mesh_file, kLargestMesh);
    if (!mesh)
      return tl::unexpected(
          scene->error_at("channel.mesh", fmt::format("the mesh {} can't be read", scene->mesh_file.string()),
                          "give the path of a mesh, seen from the scene's folder"));
    mesh_sha256_ = sha256(*mesh);
    mesh_file_ = scene->mesh_file;
  }
  scene->mesh_sha256 = mesh_sha256_;
  if (const auto kept = keep_distance(*scene); !kept) return tl::unexpected(kept.error());
  if (auto fault = placing_fault(*scene, distance_->exact())) return tl::unexpected(std::move(*fault));
  if (const auto design = scene->design(scene->layout_in_use); !design) return tl::unexpected(design.error());
  auto made = std::make_shared<LiveScene>();
  made->revision = ++revisions_;
  made->text = std::move(text);
  made->prepared = PreparedScene{std::move(*scene), distance_};
  made->channel = channels_;
  made->middle_lines = middle_lines_;
  return std::shared_ptr<const LiveScene>(std::move(made));
}

}  // namespace withy
