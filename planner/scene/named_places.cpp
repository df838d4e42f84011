// SPDX-License-Identifier: GPL-3.0-or-later
// A scene's named places made numbers.
#include "planner/scene/named_places.h"

#include <fmt/core.h>

#include "geometry/channel/mouths.h"
#include "planner/scene/places.h"
#include "planner/scene/scene_parts.h"

namespace withy {
namespace {

/// Six decimals of a mm, and never "-0".
std::string triple(const Eigen::Vector3d& exact) {
  const Eigen::Vector3d v = (exact.array() * 1e6).round() / 1e6 + 0.0;
  return fmt::format("[{}, {}, {}]", v.x(), v.y(), v.z());
}

std::string spoken(const Eigen::Vector3d& p) {
  const Eigen::Vector3d r = (p.array() * 1000.0).round() / 1000.0 + 0.0;
  return fmt::format("({:.3f}, {:.3f}, {:.3f}) mm", r.x(), r.y(), r.z());
}

}  // namespace

void place_named_entry(TomlFile& file, Scene& scene, EntryAsWritten& entry) {
  const auto mesh = read_mesh(scene.mesh_file, scene.mesh_unit);
  if (!mesh)
    return file.fault("channel.mesh",
                      "the mesh that entry.at is about can't be read: " + mesh.error().message(),
                      "give a sound mesh");
  const auto sound = make_sound(*mesh, spoken);
  if (!sound) return file.fault("channel.mesh", sound.error().problem, sound.error().remedy);
  const auto mouth = entry_place(entry.entry_name, mouths_of(*sound));
  if (!mouth) return file.fault("entry.at", mouth.error().problem, mouth.error().remedy);
  entry.point_S = mouth->entry_S;
  entry.axis_S = mouth->inward_S;
  if (entry.x_axis_S.isZero(0.0)) entry.x_axis_S = across(mouth->inward_S);
  scene.entry.opening_radius_mm = mouth->reach_mm;
}

Result<void> place_named_target(Scene& scene, const std::string& name) {
  const auto wall = read_wall_only(scene);
  if (!wall) return tl::unexpected<InputError>(wall.error());
  const auto place =
      target_place(name, **wall, compute_centreline(**wall),
                   scene.parts.segment.radius_mm + scene.required_clearance_mm, scene.entry.X_SE);
  if (!place)
    return tl::unexpected<InputError>(
        scene.error_at("target.at", place.error().problem, place.error().remedy));
  scene.target.point_S = scene.entry.X_SE * place->p_E;
  return {};
}

std::vector<std::string> named_places(const Scene& scene) {
  std::vector<std::string> lines;
  if (scene.position.contains("entry.at"))
    lines.push_back(fmt::format("[entry] at is point_mm = {}, axis = {}, opening_radius_mm = {:.3f}",
                                triple(scene.entry.X_SE.translation()),
                                triple(scene.entry.X_SE.linear().col(2)), scene.entry.opening_radius_mm));
  if (scene.position.contains("target.at"))
    lines.push_back(fmt::format("[target] at is point_mm = {}", triple(scene.target.point_S)));
  return lines;
}

}  // namespace withy
