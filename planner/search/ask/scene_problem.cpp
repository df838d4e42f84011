// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/scene_problem.h"

#include <algorithm>
#include <cmath>

namespace withy {

double field_spacing(const Scene& scene) {
  return std::clamp(scene.parts.segment.radius_mm / 4.0, kFieldFinest_mm, kFieldCoarsest_mm);
}

PreparedChannel prepare_channel(std::shared_ptr<const Channel> channel, double spacing_mm,
                                DistanceSource source) {
  const double affordable = std::cbrt(enclosed_volume(channel->mesh_E) / kFieldMostNodes);
  PreparedChannel prepared;
  prepared.wall = std::make_shared<const WallDistance>(std::move(channel));
  std::shared_ptr<const DistanceField> field;
  if (source == DistanceSource::field)
    field = DistanceField::make(prepared.wall, std::max(spacing_mm, affordable));
  prepared.distance = std::make_shared<const ChannelDistance>(prepared.wall, field);
  return prepared;
}

Result<PreparedScene> prepare_scene(const std::filesystem::path& file, DistanceSource source) {
  auto scene = read_scene(file);
  if (!scene) return tl::unexpected(scene.error());
  auto channel = read_channel(*scene);
  if (!channel) return tl::unexpected(channel.error());
  PreparedChannel prepared = prepare_channel(std::move(*channel), field_spacing(*scene), source);
  return PreparedScene{std::move(*scene), std::move(prepared.wall), std::move(prepared.distance)};
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
