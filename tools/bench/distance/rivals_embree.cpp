// SPDX-License-Identifier: GPL-3.0-or-later
#include <array>
#include <cmath>
#include <limits>

#include <embree3/rtcore.h>

#include "tools/bench/distance/rivals.h"

namespace withy::bench {
namespace {

struct Wall {
  std::vector<Eigen::Vector3f> vertices;
  std::vector<std::array<unsigned, 3>> triangles;
  RTCDevice device;
  RTCScene scene;

  explicit Wall(const Channel& channel) : device(rtcNewDevice(nullptr)), scene(rtcNewScene(device)) {
    for (const Eigen::Vector3d& v : channel.mesh_E.vertices) vertices.push_back(v.cast<float>());
    // Embree reads vertices sixteen bytes at a time.
    vertices.emplace_back(Eigen::Vector3f::Zero());
    vertices.emplace_back(Eigen::Vector3f::Zero());
    for (std::size_t f = 0; f < channel.role.size(); ++f) {
      if (channel.role[f] != FaceRole::wall) continue;
      const auto& t = channel.mesh_E.triangles[f];
      triangles.push_back(
          {static_cast<unsigned>(t[0]), static_cast<unsigned>(t[1]), static_cast<unsigned>(t[2])});
    }
    RTCGeometry geometry = rtcNewGeometry(device, RTC_GEOMETRY_TYPE_TRIANGLE);
    rtcSetSharedGeometryBuffer(geometry, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3, vertices.data(), 0, 12,
                               vertices.size() - 2);
    rtcSetSharedGeometryBuffer(geometry, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3, triangles.data(), 0, 12,
                               triangles.size());
    rtcCommitGeometry(geometry);
    rtcAttachGeometry(scene, geometry);
    rtcReleaseGeometry(geometry);
    rtcCommitScene(scene);
  }
  Wall(const Wall&) = delete;
  Wall& operator=(const Wall&) = delete;
  ~Wall() {
    rtcReleaseScene(scene);
    rtcReleaseDevice(device);
  }
};

/// Squared distance from p to a triangle (C. Ericson, "Real-Time Collision Detection", 2005, section 5.1.5).
float squared_distance(const Eigen::Vector3f& p, const Eigen::Vector3f& a, const Eigen::Vector3f& b,
                       const Eigen::Vector3f& c) {
  const Eigen::Vector3f ab = b - a;
  const Eigen::Vector3f ac = c - a;
  const Eigen::Vector3f ap = p - a;
  const float d1 = ab.dot(ap);
  const float d2 = ac.dot(ap);
  if (d1 <= 0.0F && d2 <= 0.0F) return ap.squaredNorm();
  const Eigen::Vector3f bp = p - b;
  const float d3 = ab.dot(bp);
  const float d4 = ac.dot(bp);
  if (d3 >= 0.0F && d4 <= d3) return bp.squaredNorm();
  const float vc = d1 * d4 - d3 * d2;
  if (vc <= 0.0F && d1 >= 0.0F && d3 <= 0.0F) return (ap - d1 / (d1 - d3) * ab).squaredNorm();
  const Eigen::Vector3f cp = p - c;
  const float d5 = ab.dot(cp);
  const float d6 = ac.dot(cp);
  if (d6 >= 0.0F && d5 <= d6) return cp.squaredNorm();
  const float vb = d5 * d2 - d1 * d6;
  if (vb <= 0.0F && d2 >= 0.0F && d6 <= 0.0F) return (ap - d2 / (d2 - d6) * ac).squaredNorm();
  const float va = d3 * d6 - d5 * d4;
  if (va <= 0.0F && d4 >= d3 && d5 >= d6)
    return (bp - (d4 - d3) / ((d4 - d3) + (d5 - d6)) * (c - b)).squaredNorm();
  const float scale = 1.0F / (va + vb + vc);
  return (ap - vb * scale * ab - vc * scale * ac).squaredNorm();
}

bool shrink(RTCPointQueryFunctionArguments* arguments) {
  const auto& wall = *static_cast<const Wall*>(arguments->userPtr);
  const auto& t = wall.triangles[arguments->primID];
  const Eigen::Vector3f p(arguments->query->x, arguments->query->y, arguments->query->z);
  const float square = squared_distance(p, wall.vertices[t[0]], wall.vertices[t[1]], wall.vertices[t[2]]);
  if (square >= arguments->query->radius * arguments->query->radius) return false;
  arguments->query->radius = std::sqrt(square);
  return true;
}

/// One search radius for the whole body: a station only looks as far as the nearest wall so far.
double running_minimum(const Wall& wall, const Body& body, bool running) {
  float least = std::numeric_limits<float>::infinity();
  RTCPointQueryContext context;
  rtcInitPointQueryContext(&context);
  for (const Eigen::Vector3d& p : body.points) {
    RTCPointQuery query;
    query.x = static_cast<float>(p.x());
    query.y = static_cast<float>(p.y());
    query.z = static_cast<float>(p.z());
    query.time = 0.0F;
    query.radius = running ? least : std::numeric_limits<float>::infinity();
    rtcPointQuery(wall.scene, &query, &context, &shrink, const_cast<Wall*>(&wall));
    least = std::min(least, query.radius);
  }
  return static_cast<double>(least) - body.radius_mm;
}

}  // namespace

std::vector<Rival> embree_rivals(const std::shared_ptr<const Channel>& channel) {
  const auto wall = std::make_shared<const Wall>(*channel);
  return {{"Embree point query", [wall](const Body& body) { return running_minimum(*wall, body, false); }},
          {"Embree point query, running minimum",
           [wall](const Body& body) { return running_minimum(*wall, body, true); }}};
}

}  // namespace withy::bench
