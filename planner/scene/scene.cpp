// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/scene.h"

#include <fmt/core.h>

#include "geometry/channel/wall_distance.h"
#include "geometry/mesh/mesh_reader.h"
#include "planner/files/input_file.h"
#include "planner/files/ranges.h"
#include "planner/files/sha256.h"
#include "planner/files/shown.h"
#include "planner/scene/named_places.h"
#include "planner/scene/scene_of_text.h"
#include "planner/scene/scene_parts.h"
#include "planner/scene/tip_places.h"

namespace withy {
namespace {

/// Does this fault of the mesh come of where the scene places its entry?
std::optional<std::string> placing_key(MeshFault fault) {
  switch (fault) {
    case MeshFault::no_entry:
      return "entry.point_mm";
    case MeshFault::entry_off_plane:
      return "entry.point_mm";
    case MeshFault::axis_points_out:
      return "entry.axis";
    default:
      return std::nullopt;
  }
}

/// A vertex that no bench has, if there is one.
std::optional<std::size_t> far_vertex(const TriangleMesh& mesh) {
  for (std::size_t i = 0; i < mesh.vertices.size(); ++i)
    for (const double c : mesh.vertices[i])
      if (range_fault("mesh.vertex_mm", c)) return i;
  return std::nullopt;
}

}  // namespace

FilePosition Scene::where(const std::string& dotted_key) const {
  return find_position(position, dotted_key);
}

InputError Scene::error_at(const std::string& dotted_key, std::string problem, std::string remedy) const {
  const FilePosition at = where(dotted_key);
  return {at.file.empty() ? file.string() : at.file, at.line, at.column, std::move(problem),
          std::move(remedy)};
}

Result<Design> Scene::design(int locks) const {
  const auto refuse = [&](const std::string& key, std::string problem, std::string remedy) {
    return tl::unexpected<InputError>(error_at(key, std::move(problem), std::move(remedy)));
  };
  if (locks < 0 || locks > kMaxLocks)
    return refuse("layout", fmt::format("{} locks are asked for", locks),
                  fmt::format("ask for a lock count from 0 to {}", kMaxLocks));
  DesignParts wanted = parts;
  const auto given = layouts.find(locks);
  wanted.layout = given != layouts.end() ? given->second : assumed_layout(parts.segment, locks);
  wanted.layout.assumed = locks > 0 && given == layouts.end();
  auto design = Design::make(std::move(wanted));
  if (design) return std::move(*design);
  const DesignRefusal& refusal = design.error();
  const bool of_layout = refusal.part.starts_with("layout.") || refusal.fault == DesignFault::lock_missing;
  return refuse(of_layout ? fmt::format("layout.{}", locks) : refusal.part, refusal.problem, refusal.remedy);
}

Eigen::Vector3d Scene::target_point_E() const {
  return entry.X_SE.inverse() * target.point_S;
}

std::optional<Eigen::Vector3d> Scene::target_direction_E() const {
  if (!target.direction_S) return std::nullopt;
  return entry.X_SE.linear().transpose() * *target.direction_S;
}

namespace {

/// All that the file says, but for the mesh's hash. The mesh is read only where places have names.
Result<Scene> scene_in(TomlFile& file, const std::filesystem::path& path,
                       const std::function<void(TomlFile&)>& amend) {
  Scene scene;
  scene.file = path;
  scene.sha256 = sha256(file.bytes());
  amend(file);
  EntryAsWritten entry = read_scene_tables(file, scene);
  if (const auto fault = file.first_fault()) return tl::unexpected<InputError>(*fault);
  scene.position = file.positions();
  if (!entry.entry_name.empty()) place_named_entry(file, scene, entry);
  if (const auto fault = file.first_fault()) return tl::unexpected<InputError>(*fault);
  check_scene_values(file, entry, scene);
  if (const auto fault = file.first_fault()) return tl::unexpected<InputError>(*fault);
  if (!entry.target_name.empty())
    if (const auto placed = place_named_target(scene, entry.target_name); !placed)
      return tl::unexpected<InputError>(placed.error());
  return scene;
}

}  // namespace

Result<Scene> scene_in_text(std::string text, const std::filesystem::path& path) {
  auto file = TomlFile::parse(std::move(text), path.string());
  if (!file) return tl::unexpected<InputError>(file.error());
  return scene_in(**file, path, [](TomlFile&) {});
}

Result<Scene> read_scene(const std::filesystem::path& path, const std::function<void(TomlFile&)>& amend) {
  if (mesh_format(path))
    return input_error(path.string(), 1, 1, "this is a mesh, not a scene",
                       "make a scene of it by withy scene MESH -o DIR, and give DIR/scene.toml");
  auto file = TomlFile::open(path);
  if (!file) return tl::unexpected<InputError>(file.error());
  auto scene = scene_in(**file, path, amend);
  if (!scene) return scene;
  const Result<std::string> mesh = read_input(scene->mesh_file, kLargestMesh);
  if (!mesh)
    return tl::unexpected<InputError>(
        scene->error_at("channel.mesh", fmt::format("the mesh {} can't be read", scene->mesh_file.string()),
                        "give the path of a mesh, seen from the scene's folder"));
  scene->mesh_sha256 = sha256(*mesh);
  return scene;
}

std::optional<InputError> placing_fault(const Scene& scene, const WallDistance& wall) {
  if (const auto off = why_not_in_channel(scene, wall, scene.target))
    return scene.error_at("target.point_mm", "the target " + *off, place_inside(scene, wall, scene.target));
  for (const Target& via : scene.vias)
    if (const auto off = why_not_in_channel(scene, wall, via))
      return scene.error_at("via.point_mm", "the place to pass " + *off, place_inside(scene, wall, via));
  const double room = wall.distance(Eigen::Vector3d::Zero());
  const double radius = scene.parts.segment.radius_mm;
  if (room < radius + scene.required_clearance_mm)
    return scene.error_at(
        "entry.point_mm",
        fmt::format("the wall is {:.3f} mm from the entry point, too near for a body of radius {} mm "
                    "with {} mm of clearance",
                    room, shown(radius), shown(scene.required_clearance_mm)),
        "give a point in the middle of a wide enough opening");
  return std::nullopt;
}

Result<std::shared_ptr<const WallDistance>> read_wall_only(const Scene& scene) {
  const Result<TriangleMesh> mesh = read_mesh(scene.mesh_file, scene.mesh_unit);
  if (!mesh) return tl::unexpected<InputError>(mesh.error());
  if (const auto far = far_vertex(*mesh))
    return input_error(
        scene.mesh_file.string(), 1, 1,
        fmt::format("vertex {} of the mesh is at ({:g}, {:g}, {:g}) mm", *far + 1, mesh->vertices[*far].x(),
                    mesh->vertices[*far].y(), mesh->vertices[*far].z()),
        "check the mesh's unit; a coordinate is " + quantity("mesh.vertex_mm")->words());
  auto made = make_wall(*mesh, scene.entry, scene.outlets);
  if (made) return std::move(*made);
  const MeshRefusal& refusal = made.error();
  if (const auto key = placing_key(refusal.fault))
    return tl::unexpected<InputError>(scene.error_at(*key, refusal.problem, refusal.remedy));
  return input_error(scene.mesh_file.string(), 1, 1, refusal.problem, refusal.remedy);
}

Result<std::shared_ptr<const WallDistance>> read_wall(const Scene& scene) {
  auto wall = read_wall_only(scene);
  if (!wall) return wall;
  if (const auto fault = placing_fault(scene, **wall)) return tl::unexpected<InputError>(*fault);
  return wall;
}

Result<std::shared_ptr<const Channel>> read_channel(const Scene& scene) {
  const auto wall = read_wall(scene);
  if (!wall) return tl::unexpected<InputError>(wall.error());
  return (*wall)->channel_pointer();
}

}  // namespace withy
