// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/body_lumen.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <map>
#include <numeric>
#include <utility>

#include <Eigen/Geometry>
#include <embree3/rtcore.h>

namespace withy {
namespace {

/// Directions from each face: a share is told to within about 0.06.
constexpr int kRays = 64;
constexpr double kOutsideShare = 0.5;

/// Rays start this share of the body's size off their face.
constexpr float kStartShare = 1e-5F;

/// The lumen's patches smaller than this share of the largest are nooks of the outside.
constexpr double kLeastShare = 0.02;

using Triangle = std::array<int, 3>;

Eigen::Vector3d corner(const TriangleMesh& mesh, int v) {
  return mesh.vertices[static_cast<std::size_t>(v)];
}

double area(const TriangleMesh& mesh, const Triangle& t) {
  const Eigen::Vector3d a = corner(mesh, t[0]);
  return 0.5 * (corner(mesh, t[1]) - a).cross(corner(mesh, t[2]) - a).norm();
}

/// A body in Embree.
class Occluder {
 public:
  explicit Occluder(const TriangleMesh& mesh)
      : device_(rtcNewDevice("threads=1")), scene_(rtcNewScene(device_)) {
    RTCGeometry geometry = rtcNewGeometry(device_, RTC_GEOMETRY_TYPE_TRIANGLE);
    auto* vertices = static_cast<float*>(rtcSetNewGeometryBuffer(
        geometry, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3, 3 * sizeof(float), mesh.vertices.size()));
    for (const Eigen::Vector3d& v : mesh.vertices)
      for (const double c : v) *vertices++ = static_cast<float>(c);
    auto* indices = static_cast<unsigned*>(rtcSetNewGeometryBuffer(
        geometry, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3, 3 * sizeof(unsigned), mesh.triangles.size()));
    for (const Triangle& t : mesh.triangles)
      for (const int v : t) *indices++ = static_cast<unsigned>(v);
    rtcCommitGeometry(geometry);
    rtcAttachGeometry(scene_, geometry);
    rtcReleaseGeometry(geometry);
    rtcCommitScene(scene_);
  }
  ~Occluder() {
    rtcReleaseScene(scene_);
    rtcReleaseDevice(device_);
  }
  Occluder(const Occluder&) = delete;
  Occluder& operator=(const Occluder&) = delete;

  bool escapes(const Eigen::Vector3f& from, const Eigen::Vector3f& along) const {
    RTCIntersectContext context;
    rtcInitIntersectContext(&context);
    RTCRay ray = {};
    ray.org_x = from.x(), ray.org_y = from.y(), ray.org_z = from.z();
    ray.dir_x = along.x(), ray.dir_y = along.y(), ray.dir_z = along.z();
    ray.tfar = std::numeric_limits<float>::infinity();
    ray.mask = ~0U;
    rtcOccluded1(scene_, &context, &ray);
    return ray.tfar > 0.0F;
  }

 private:
  RTCDevice device_;
  RTCScene scene_;
};

/// The k-th of kRays directions about z by the cosine law: a spiral of even steps (golden angle).
Eigen::Vector3d direction(int k) {
  const double r2 = (k + 0.5) / kRays;
  const double phi = k * EIGEN_PI * (3.0 - std::sqrt(5.0));
  const double r = std::sqrt(r2);
  return {r * std::cos(phi), r * std::sin(phi), std::sqrt(1.0 - r2)};
}

std::vector<bool> outside_faces(const TriangleMesh& body, const Effort& effort) {
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& v : body.vertices) box.extend(v);
  const float start = kStartShare * static_cast<float>(box.diagonal().norm());
  const Occluder occluder(body);
  std::vector<bool> outside;
  for (const Triangle& t : body.triangles) {
    if (effort.cut_short()) break;
    const Eigen::Vector3d a = corner(body, t[0]);
    const Eigen::Vector3d normal = (corner(body, t[1]) - a).cross(corner(body, t[2]) - a).normalized();
    const Eigen::Vector3d middle = (a + corner(body, t[1]) + corner(body, t[2])) / 3.0;
    const Eigen::Quaterniond turn = Eigen::Quaterniond::FromTwoVectors(Eigen::Vector3d::UnitZ(), normal);
    const Eigen::Vector3f from = middle.cast<float>() + start * normal.cast<float>();
    int free = 0;
    for (int k = 0; k < kRays; ++k) free += occluder.escapes(from, (turn * direction(k)).cast<float>());
    outside.push_back(free > kOutsideShare * kRays);
  }
  return outside;
}

/// Patches of faces that share edges and are alike; each patch's faces, the largest area first.
std::vector<std::vector<std::size_t>> patches(const TriangleMesh& mesh, const std::vector<bool>& kind,
                                              bool wanted) {
  std::vector<std::size_t> root(mesh.triangles.size());
  std::iota(root.begin(), root.end(), std::size_t{0});
  const auto find = [&](std::size_t f) {
    while (root[f] != f) f = root[f] = root[root[f]];
    return f;
  };
  std::map<std::pair<int, int>, std::size_t> first;
  for (std::size_t f = 0; f < mesh.triangles.size(); ++f) {
    if (kind[f] != wanted) continue;
    const Triangle& t = mesh.triangles[f];
    for (std::size_t k = 0; k < 3; ++k) {
      const auto [edge, fresh] = first.try_emplace(std::minmax(t[k], t[(k + 1) % 3]), f);
      if (!fresh) root[find(f)] = find(edge->second);
    }
  }
  std::map<std::size_t, std::vector<std::size_t>> by_root;
  for (std::size_t f = 0; f < mesh.triangles.size(); ++f)
    if (kind[f] == wanted) by_root[find(f)].push_back(f);
  std::vector<std::pair<double, std::vector<std::size_t>>> sized;
  for (auto& [unused, faces] : by_root) {
    double sum = 0.0;
    for (const std::size_t f : faces) sum += area(mesh, mesh.triangles[f]);
    sized.emplace_back(sum, std::move(faces));
  }
  std::stable_sort(sized.begin(), sized.end(),
                   [](const auto& a, const auto& b) { return a.first > b.first; });
  std::vector<std::vector<std::size_t>> out;
  for (auto& [size, faces] : sized)
    if (size >= kLeastShare * sized.front().first) out.push_back(std::move(faces));
  return out;
}

/// The faces of a patch, turned over.
TriangleMesh turned_over(const TriangleMesh& mesh, const std::vector<std::size_t>& faces) {
  TriangleMesh out;
  std::map<int, int> number;
  for (const std::size_t f : faces) {
    Triangle t = mesh.triangles[f];
    std::swap(t[0], t[1]);
    for (int& v : t) {
      const auto [own, fresh] = number.try_emplace(v, static_cast<int>(out.vertices.size()));
      if (fresh) out.vertices.push_back(corner(mesh, v));
      v = own->second;
    }
    out.triangles.push_back(t);
  }
  return out;
}

}  // namespace

std::vector<TriangleMesh> lumens_of_body(const TriangleMesh& body, const Effort& effort) {
  std::vector<bool> outside = outside_faces(body, effort);
  if (effort.cut_short()) return {};
  // Only the largest patch of them is the outside: others are wide places within.
  const auto skins = patches(body, outside, true);
  if (skins.empty()) return {};
  std::fill(outside.begin(), outside.end(), false);
  for (const std::size_t f : skins.front()) outside[f] = true;
  std::vector<TriangleMesh> lumens;
  for (const auto& faces : patches(body, outside, false)) lumens.push_back(turned_over(body, faces));
  return lumens;
}

}  // namespace withy
