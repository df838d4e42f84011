// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/scene_problem.h"

#include <algorithm>
#include <cmath>

namespace withy {

Result<PreparedScene> prepare_scene(const std::filesystem::path& file, DistanceSource source) {
  auto scene = read_scene(file);
  if (!scene) return tl::unexpected(scene.error());
  const auto channel = read_channel(*scene);
  if (!channel) return tl::unexpected(channel.error());
  PreparedScene prepared;
  prepared.wall = std::make_shared<const WallDistance>(*channel);
  std::shared_ptr<const DistanceField> field;
  if (source == DistanceSource::field) {
    const double fine = std::clamp(scene->parts.segment.radius_mm / 4.0, kFieldFinest_mm, kFieldCoarsest_mm);
    const double affordable = std::cbrt(enclosed_volume((*channel)->mesh_E) / kFieldMostNodes);
    field = DistanceField::make(prepared.wall, std::max(fine, affordable));
  }
  prepared.distance = std::make_shared<const ChannelDistance>(prepared.wall, field);
  prepared.scene = std::move(*scene);
  return prepared;
}

Result<SearchProblem> make_problem(const PreparedScene& prepared, int locks,
                                   std::optional<double> clearance_mm) {
  const Scene& scene = prepared.scene;
  auto design = scene.design(locks);
  if (!design) return tl::unexpected(design.error());
  Goal goal;
  goal.point_E = scene.target_point_E();
  goal.tolerance_mm = scene.target.tolerance_mm;
  goal.direction_E = scene.target_direction_E();
  goal.direction_tolerance_rad = scene.target.direction_tolerance_rad;
  return SearchProblem{
      std::move(*design), prepared.distance, goal, clearance_mm.value_or(scene.required_clearance_mm), {}};
}

}  // namespace withy
