// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/channel_json.h"

#include <algorithm>
#include <cmath>

#include <Eigen/Geometry>
#include <nlohmann/json.hpp>

#include "planner/show/page_facts.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

// Files are for people: a millionth is plenty.
constexpr double kWrittenSteps = 1e6;

// Beyond the rim by this much counts as the opening (mm, and share of the radius): a rim of single precision
// and a patch that is not quite round.
constexpr double kRimSpare_mm = 0.1;
constexpr double kRimSpare = 0.02;

Json point_json(const Eigen::Vector3d& v) {
  return {v.x(), v.y(), v.z()};
}

std::vector<double> written(const Eigen::Vector3d& v) {
  std::vector<double> list;
  for (const double c : v) list.push_back(std::round(c * kWrittenSteps) / kWrittenSteps + 0.0);
  return list;
}

/// Into the lumen: against the mean normal of the faces that fill the opening. Entry frame.
Eigen::Vector3d inward_E(const Channel& channel, const Opening& opening) {
  Eigen::Vector3d sum = Eigen::Vector3d::Zero();
  for (const int face : opening.faces) {
    const auto& t = channel.mesh_E.triangles[static_cast<std::size_t>(face)];
    const auto at = [&](int k) -> const Eigen::Vector3d& {
      return channel.mesh_E.vertices[static_cast<std::size_t>(t[static_cast<std::size_t>(k)])];
    };
    sum += (at(1) - at(0)).cross(at(2) - at(0));
  }
  return sum.norm() > 0.0 ? Eigen::Vector3d(-sum.normalized()) : Eigen::Vector3d(Eigen::Vector3d::UnitZ());
}

/// The entry plane at an opening, in the frame of the entry as it is.
struct OpeningPlane {
  Eigen::Vector3d point_E;
  Eigen::Vector3d axis_E;
  double radius_mm = 0.0;
};

OpeningPlane plane_of(const Channel& channel, const Opening& opening) {
  OpeningPlane plane{opening.centre_E, inward_E(channel, opening), 0.0};
  double deepest = 0.0;
  for (const int face : opening.faces)
    for (const int corner : channel.mesh_E.triangles[static_cast<std::size_t>(face)]) {
      const Eigen::Vector3d v = channel.mesh_E.vertices[static_cast<std::size_t>(corner)] - opening.centre_E;
      deepest = std::max(deepest, v.dot(plane.axis_E));
      plane.radius_mm = std::max(plane.radius_mm, v.norm());
    }
  plane.point_E += deepest * plane.axis_E;
  plane.radius_mm = (1.0 + kRimSpare) * std::hypot(plane.radius_mm, deepest) + kRimSpare_mm;
  return plane;
}

/// At right angles to `axis`, as near to `x` as can be.
Eigen::Vector3d across(const Eigen::Vector3d& axis, const Eigen::Vector3d& x) {
  const Eigen::Vector3d along = x - axis.dot(x) * axis;
  return along.norm() > 0.1 ? Eigen::Vector3d(along.normalized()) : axis.unitOrthogonal();
}

}  // namespace

Json channel_json(const LiveScene& scene, const DisplayMesh& display) {
  const Channel& channel = scene.prepared.wall().channel();
  Json out = channel_facts(channel, display);
  out["channel"] = scene.channel;
  out["mended"] = channel.mended;
  const Eigen::Isometry3d& X_SE = channel.entry.X_SE;
  for (std::size_t i = 0; i < channel.openings.size(); ++i)
    out["openings"][i]["into"] = point_json(X_SE.linear() * inward_E(channel, channel.openings[i]));
  return out;
}

Json centreline_json(const LiveScene& scene, const DisplayMesh& display, const Centreline& centreline) {
  const Channel& channel = scene.prepared.wall().channel();
  const Eigen::Isometry3d& X_SE = channel.entry.X_SE;
  Json branches = Json::array();
  std::vector<const CentrelinePoint*> all;
  for (const CentrelineBranch& branch : centreline.branches) {
    Json points = Json::array(), radius = Json::array();
    for (const CentrelinePoint& q : branch.points) {
      points.push_back(point_json(X_SE * q.p_E));
      radius.push_back(q.radius_mm);
      all.push_back(&q);
    }
    branches.push_back({{"points_mm", points}, {"radius_mm", radius}, {"length_mm", branch.length_mm()}});
  }
  std::vector<float> room;
  for (const Eigen::Vector3d& v : display.wall_E.vertices) {
    const auto near = std::min_element(all.begin(), all.end(), [&](const auto* a, const auto* b) {
      return (a->p_E - v).squaredNorm() < (b->p_E - v).squaredNorm();
    });
    room.push_back(near == all.end() ? 0.0F : static_cast<float>((*near)->radius_mm));
  }
  return {{"channel", scene.channel}, {"branches", branches}, {"room_mm", base64_of(room)}};
}

std::vector<SceneChange> entry_at(const LiveScene& scene, std::size_t opening) {
  const Channel& channel = scene.prepared.wall().channel();
  const OpeningPlane plane = plane_of(channel, channel.openings[opening]);
  const Eigen::Isometry3d& X_SE = channel.entry.X_SE;
  const Eigen::Vector3d axis_S = X_SE.linear() * plane.axis_E;
  return {{"entry.point_mm", written(X_SE * plane.point_E)},
          {"entry.axis", written(axis_S)},
          {"entry.x_axis", written(across(axis_S, X_SE.linear().col(0)))},
          {"entry.opening_radius_mm", std::round(plane.radius_mm * 1e3) / 1e3}};
}

}  // namespace withy
