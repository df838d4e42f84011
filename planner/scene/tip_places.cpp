// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/tip_places.h"

#include <cmath>

#include <fmt/core.h>

namespace withy {
namespace {

/// Less past the entry plane prints as 0.000.
constexpr double kOnPlane_mm = 0.0005;

}  // namespace

double tip_room_mm(const Scene& scene) {
  return scene.parts.segment.radius_mm + scene.required_clearance_mm;
}

std::optional<RoomyPlace> place_for_tip(const Scene& scene, const WallDistance& wall, const Target& target) {
  const Eigen::Vector3d p_E = scene.entry.X_SE.inverse() * target.point_S;
  auto near = nearest_room(wall, p_E, tip_room_mm(scene), target.tolerance_mm);
  if (near && near->kind != RoomyPlace::Kind::widest) return near;
  return nearest_room(wall, p_E, tip_room_mm(scene));
}

std::string spoken_place_S(const Scene& scene, const Eigen::Vector3d& place_E) {
  const Eigen::Vector3d p = ((scene.entry.X_SE * place_E).array() * 1000.0).round() / 1000.0 + 0.0;
  return fmt::format("[{:.3f}, {:.3f}, {:.3f}]", p.x(), p.y(), p.z());
}

std::optional<std::string> why_not_in_channel(const Scene& scene, const WallDistance& wall,
                                              const Target& target) {
  const Eigen::Vector3d p_E = scene.entry.X_SE.inverse() * target.point_S;
  if (!wall.inside(p_E)) {
    const double off_mm = wall.distance(p_E);
    if (p_E.z() < 0.0 && -p_E.z() < off_mm && p_E.head<2>().norm() <= scene.entry.opening_radius_mm)
      return fmt::format("lies {:.3f} mm in front of the entry plane, outside the channel", -p_E.z());
    return fmt::format("lies {:.3f} mm outside the channel", off_mm);
  }
  if (p_E.z() > -target.tolerance_mm) return std::nullopt;
  return fmt::format(
      "lies {:.3f} mm in front of the entry plane, where the lumen comes back but no wall is held against "
      "the "
      "body",
      -p_E.z());
}

std::string place_inside(const Scene& scene, const WallDistance& wall, const Target& target) {
  const auto near = place_for_tip(scene, wall, target);
  if (!near) return "give a point inside its lumen, past the entry";
  const std::string place = spoken_place_S(scene, near->place_E);
  switch (near->kind) {
    case RoomyPlace::Kind::nearest:
      return "give a point inside its lumen; the nearest where the tip fits is " + place;
    case RoomyPlace::Kind::fits:
      return "give a point inside its lumen; a place where the tip fits is " + place;
    case RoomyPlace::Kind::widest:
      break;
  }
  return fmt::format(
      "give a point inside its lumen, and a thinner body or less clearance: the tip needs {:.3f} mm of room, "
      "and the "
      "widest place found, {}, has {:.3f}",
      tip_room_mm(scene), place, near->room_mm);
}

std::optional<std::string> fault_at_entry(const Scene& scene, const WallDistance& wall) {
  const double depth_mm = scene.target_point_E().z();
  const double tolerance_mm = scene.target.tolerance_mm;
  if (depth_mm >= tolerance_mm) return std::nullopt;
  const std::string fault = fmt::format(
      "it lies {}, and its tolerance of {:g} mm reaches in front of the channel: a tip that has not gone in "
      "meets it too",
      std::abs(depth_mm) < kOnPlane_mm ? std::string("on the entry plane")
                                       : fmt::format("{:.3f} mm {} the entry plane", std::abs(depth_mm),
                                                     depth_mm < 0.0 ? "in front of" : "past"),
      tolerance_mm);
  const auto near = place_for_tip(scene, wall, scene.target);
  if (!near || near->kind == RoomyPlace::Kind::widest || near->place_E.z() < tolerance_mm)
    return fault + "; give a smaller tolerance: no place so deep has room for the tip";
  return fault + "; the nearest place where the tip fits, and is in the channel to meet it, is " +
         spoken_place_S(scene, near->place_E);
}

}  // namespace withy
