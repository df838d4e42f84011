// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/centreline.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

#include "geometry/centreline/blind_ends.h"
#include "geometry/centreline/lumen_branches.h"
#include "geometry/centreline/lumen_graph.h"
#include "geometry/centreline/lumen_line.h"
#include "geometry/centreline/lumen_samples.h"
#include "geometry/centreline/lumen_walls.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/geometry_shares.h"

namespace withy {

namespace {

using Eigen::Vector3d;

// Cubes of this share of the lumen's half width are finer than the 1 / sqrt(3) that a tube asks for, by as
// much again; where an opening stays unreached they are halved.
constexpr double kCellShare = 0.3;

int entry_of(const Channel& channel) {
  for (std::size_t o = 0; o < channel.openings.size(); ++o)
    if (channel.openings[o].is_entry) return static_cast<int>(o);
  return -1;
}

/// Of a closed surface: V - E + F = 2 - 2 g (Euler and Poincare), and 2 E = 3 F.
int genus(const TriangleMesh& mesh) {
  std::vector<bool> used(mesh.vertices.size(), false);
  for (const auto& t : mesh.triangles)
    for (const int v : t) used[static_cast<std::size_t>(v)] = true;
  const auto vertices = static_cast<int>(std::count(used.begin(), used.end(), true));
  return 1 - (vertices - static_cast<int>(mesh.triangles.size()) / 2) / 2;
}

std::vector<int> missed(const LumenGraph& graph, const Channel& channel) {
  std::vector<int> out;
  for (std::size_t o = 0; o < graph.opening_node.size(); ++o)
    if (graph.opening_node[o] < 0 && !channel.openings[o].is_entry) out.push_back(static_cast<int>(o));
  return out;
}

LumenGraph graph_of(const WallDistance& wall, const LumenWalls& walls, const Effort& effort,
                    Centreline& out) {
  const std::vector<LumenSample> samples = sample_lumen(wall.channel(), walls, effort);
  LumenGraph best;
  double share = kCellShare;
  for (int k = 0; k <= shares::kLumenHalvings && !effort.cut_short(); ++k, share *= 0.5) {
    LumenGraph graph = make_lumen_graph(wall, walls, samples, share, effort);
    const std::vector<int> lost = missed(graph, wall.channel());
    const bool whole = graph.whole;
    if (k == 0 || (best.nodes.empty() && !graph.nodes.empty()) ||
        (!graph.nodes.empty() && lost.size() < out.missed_openings.size())) {
      out.missed_openings = lost;
      best = std::move(graph);
    }
    if ((lost.empty() && !best.nodes.empty()) || !whole) break;
  }
  out.finest_mm = best.finest_mm;
  return best;
}

double median_radius(const LumenGraph& graph, const LumenWay& way) {
  std::vector<double> radii;
  for (const int n : way.nodes) radii.push_back(graph.nodes[static_cast<std::size_t>(n)].side_mm);
  const auto middle = radii.begin() + static_cast<std::ptrdiff_t>(radii.size() / 2);
  std::nth_element(radii.begin(), middle, radii.end());
  return *middle;
}

double length_of(const std::vector<Vector3d>& line) {
  double length = 0.0;
  for (std::size_t i = 1; i < line.size(); ++i) length += (line[i] - line[i - 1]).norm();
  return length;
}

/// The point in an opening that a line ends at: its centre, where no side lies between, or the nearest.
Vector3d end_in(const Opening& opening, const LumenNode& node) {
  return (opening.centre_E - node.p_E).norm() < node.side_mm ? opening.centre_E : node.opening.point_E;
}

/// The line through a way's nodes, with its ends.
std::vector<Vector3d> raw_line(const Channel& channel, const LumenGraph& graph,
                               const std::vector<LumenWay>& ways, std::size_t w) {
  const LumenWay& way = ways[w];
  std::vector<Vector3d> line;
  if (way.parent < 0) line.emplace_back(Vector3d::Zero());
  for (const int n : way.nodes) line.push_back(graph.nodes[static_cast<std::size_t>(n)].p_E);
  if (way.joins >= 0) {
    const int n = ways[static_cast<std::size_t>(way.joins)].nodes.back();
    line.push_back(graph.nodes[static_cast<std::size_t>(n)].p_E);
  }
  if (way.opening >= 0)
    line.push_back(end_in(channel.openings[static_cast<std::size_t>(way.opening)],
                          graph.nodes[static_cast<std::size_t>(way.nodes.back())]));
  return line;
}

double station_on(const CentrelineBranch& branch, const Vector3d& p) {
  double least = kInfinity;
  double station = 0.0;
  for (const CentrelinePoint& q : branch.points)
    if (const double d = (q.p_E - p).norm(); d < least) {
      least = d;
      station = q.station_mm;
    }
  return station;
}

}  // namespace

double CentrelineBranch::tortuosity() const {
  if (points.size() < 2) return 1.0;
  const double chord = (points.back().p_E - points.front().p_E).norm();
  return chord > 0.0 ? length_mm() / chord : kInfinity;
}

double Centreline::station_of(const Vector3d& p_E) const {
  return branches.empty() ? 0.0 : station_on(branches.front(), p_E);
}

Centreline compute_centreline(const WallDistance& wall, const CentrelineSettings& settings) {
  Centreline out;
  const Channel& channel = wall.channel();
  const LumenWalls walls(channel);
  if (!walls.has_sides()) return out;
  const Effort& effort = settings.effort;
  const LumenGraph graph = graph_of(wall, walls, effort, out);
  if (effort.cut_short()) return {};
  const auto ways =
      find_lumen_ways(graph, walls, entry_of(channel), genus(channel.mesh_E), settings.branch_radii, effort);
  for (std::size_t w = 0; w < ways.size(); ++w) {
    if (effort.cut_short()) return {};
    const LumenWay& way = ways[w];
    std::vector<Vector3d> line = raw_line(channel, graph, ways, w);
    const double radius = median_radius(graph, way);
    const bool far_end = way.opening < 0 && way.joins < 0 && !way.goes_on;
    double spacing = std::min(settings.spacing_mm, settings.spacing_radii * radius);
    spacing = std::max(spacing, length_of(line) / shares::kLinePoints);
    line = settled(walls, wall, line, spacing);
    if (far_end) lead_on(walls, wall, spacing, line);
    CentrelineBranch branch;
    branch.parent = way.parent;
    branch.opening = way.opening;
    branch.joins = way.joins;
    const std::vector<Vector3d> even = resampled(line, spacing);
    branch.points = measured(walls, keeps_inside(walls, even) ? even : line);
    if (way.parent >= 0)
      branch.parent_station_mm =
          station_on(out.branches[static_cast<std::size_t>(way.parent)], branch.points.front().p_E);
    out.branches.push_back(std::move(branch));
  }
  drop_blind_corners(out.branches, effort);
  if (effort.cut_short()) return {};
  return out;
}

}  // namespace withy
