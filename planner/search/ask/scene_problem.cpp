// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/scene_problem.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "planner/effort/shares.h"

namespace withy {

namespace {

double spacing_for(const Segment& segment) {
  return std::clamp(segment.radius_mm / 4.0, kFieldFinest_mm, kFieldCoarsest_mm);
}

}  // namespace

double field_spacing(const Scene& scene) {
  return spacing_for(scene.parts.segment);
}

std::shared_ptr<const ChannelDistance> prepare_distance(std::shared_ptr<const WallDistance> wall,
                                                        double spacing_mm, DistanceSource source) {
  const double affordable = std::cbrt(enclosed_volume(wall->channel().mesh_E) / shares::kFieldNodes);
  std::shared_ptr<const DistanceField> field;
  if (source == DistanceSource::field) field = DistanceField::make(wall, std::max(spacing_mm, affordable));
  return std::make_shared<const ChannelDistance>(std::move(wall), std::move(field));
}

Result<PreparedScene> prepare_scene(const std::filesystem::path& file, DistanceSource source) {
  auto scene = read_scene(file);
  if (!scene) return tl::unexpected(scene.error());
  auto wall = read_wall(*scene);
  if (!wall) return tl::unexpected(wall.error());
  auto distance = prepare_distance(std::move(*wall), field_spacing(*scene), source);
  return PreparedScene{std::move(*scene), std::move(distance)};
}

namespace {

Goal goal_of(const Scene& scene, const Target& target) {
  Goal goal;
  goal.point_E = scene.entry.X_SE.inverse() * target.point_S;
  goal.tolerance_mm = target.tolerance_mm;
  if (target.direction_S) goal.direction_E = scene.entry.X_SE.linear().transpose() * *target.direction_S;
  goal.direction_tolerance_rad = target.direction_tolerance_rad;
  return goal;
}

}  // namespace

Result<SearchProblem> make_problem(const PreparedScene& prepared, int locks,
                                   std::optional<double> clearance_mm) {
  const Scene& scene = prepared.scene;
  auto design = scene.design(locks);
  if (!design) return tl::unexpected(design.error());
  SearchProblem problem{std::move(*design),
                        prepared.distance,
                        goal_of(scene, scene.target),
                        clearance_mm.value_or(scene.required_clearance_mm),
                        {}};
  for (const Target& via : scene.vias) problem.vias.push_back(goal_of(scene, via));
  return problem;
}

SearchProblem in_larger_channel(const SearchProblem& problem, double factor) {
  auto channel = std::make_shared<Channel>(problem.distance->exact().channel());
  for (Eigen::Vector3d& p_E : channel->mesh_E.vertices) p_E *= factor;
  for (Opening& opening : channel->openings) {
    opening.centre_E *= factor;
    opening.radius_mm *= factor;
    opening.z_min_mm *= factor;
    opening.z_max_mm *= factor;
  }
  channel->entry.opening_radius_mm *= factor;
  SearchProblem larger = problem;
  larger.distance = prepare_distance(
      std::make_shared<const WallDistance>(std::move(channel)), spacing_for(problem.design.segment()),
      problem.distance->field() ? DistanceSource::field : DistanceSource::exact);
  larger.goal.point_E *= factor;
  for (Goal& via : larger.vias) via.point_E *= factor;
  return larger;
}

}  // namespace withy
