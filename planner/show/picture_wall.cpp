// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture_wall.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>
#include <vector>

#include <Eigen/Geometry>
#include <fmt/core.h>

#include "planner/show/picture_tones.h"

namespace withy {
namespace {

constexpr Tone kWallSquare = {0.88, 0.90, 0.91};
constexpr Tone kWallEdge = {0.63, 0.69, 0.71};
constexpr Tone kOutline = {0.30, 0.37, 0.41};
constexpr double kScaleSize = 14.0;

using Triangle = std::array<int, 3>;

const Eigen::Vector3d& vertex(const TriangleMesh& mesh, int i) {
  return mesh.vertices[static_cast<std::size_t>(i)];
}

Eigen::Vector3d normal(const TriangleMesh& mesh, const Triangle& t) {
  const Eigen::Vector3d& a = vertex(mesh, t[0]);
  return (vertex(mesh, t[1]) - a).cross(vertex(mesh, t[2]) - a).normalized();
}

/// Turned away from the eye: the far side of the wall, seen from inside the lumen.
bool is_far(const TriangleMesh& mesh, const Triangle& t, const PictureView& view) {
  return normal(mesh, t).dot(view.towards_eye_E()) < 0.0;
}

}  // namespace

void draw_far_wall(PictureCanvas& canvas, const PictureView& view, const TriangleMesh& wall_E) {
  std::vector<std::pair<double, const Triangle*>> order;
  for (const Triangle& t : wall_E.triangles)
    if (is_far(wall_E, t, view))
      order.emplace_back(
          (vertex(wall_E, t[0]) + vertex(wall_E, t[1]) + vertex(wall_E, t[2])).dot(view.towards_eye_E()), &t);
  std::stable_sort(order.begin(), order.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  for (const auto& [unused, t] : order) {
    const double edge = std::pow(1.0 - std::abs(normal(wall_E, *t).dot(view.towards_eye_E())), 2.0);
    const auto mix = [edge](double a, double b) { return a + edge * (b - a); };
    const Tone tone = {mix(kWallSquare.red, kWallEdge.red), mix(kWallSquare.green, kWallEdge.green),
                       mix(kWallSquare.blue, kWallEdge.blue)};
    // The edge closes the hair's breadth that antialiasing leaves between neighbours.
    canvas.area({view.project(vertex(wall_E, (*t)[0])), view.project(vertex(wall_E, (*t)[1])),
                 view.project(vertex(wall_E, (*t)[2]))},
                tone, tone, 0.6);
  }
}

void draw_wall_outline(PictureCanvas& canvas, const PictureView& view, const TriangleMesh& wall_E) {
  struct Sides {
    int far = 0;
    int near = 0;
  };
  std::map<std::pair<int, int>, Sides> edges;
  for (const Triangle& t : wall_E.triangles)
    for (std::size_t k = 0; k < 3; ++k) {
      Sides& sides = edges[std::minmax(t[k], t[(k + 1) % 3])];
      ++(is_far(wall_E, t, view) ? sides.far : sides.near);
    }
  std::vector<PicturePoint> pairs;
  for (const auto& [edge, sides] : edges) {
    if (sides.far == 2 || sides.near == 2) continue;
    pairs.push_back(view.project(vertex(wall_E, edge.first)));
    pairs.push_back(view.project(vertex(wall_E, edge.second)));
  }
  canvas.segments(pairs, {.width = 1.4, .tone = kOutline, .alpha = 0.8, .end = LineEnd::round});
}

void draw_scale_bar(PictureCanvas& canvas, const PictureView& view) {
  const double room_mm = 0.16 * kPictureWidth / view.points_per_mm();
  double length = std::pow(10.0, std::floor(std::log10(room_mm)));
  length *= 5.0 * length <= room_mm ? 5.0 : 2.0 * length <= room_mm ? 2.0 : 1.0;
  const double right = kPictureWidth - 40.0;
  const double left = right - length * view.points_per_mm();
  const double y = kPictureHeight - 46.0;
  canvas.segments(
      {{left, y - 6.0}, {left, y + 6.0}, {right, y - 6.0}, {right, y + 6.0}, {left, y}, {right, y}},
      {.width = 2.0, .tone = kInk});
  canvas.words({left, y + 24.0}, fmt::format("{:g} mm", length), kScaleSize, kInk);
}

}  // namespace withy
