// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/centreline.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <queue>
#include <unordered_map>

#include <Eigen/Dense>

#include "geometry/numbers/numbers.h"

namespace withy {

namespace {

using Eigen::Vector3d;
using Index = std::array<int, 3>;

// A grid finer than this (mm) says no more than the mesh does.
constexpr double kFinestGrid_mm = 0.2;
// Across a wall two distances add up to the step exactly; rounding must not make them more.
constexpr double kRounding_mm = 1e-6;
constexpr int kMostBranches = 64;
// Rounds of moving the line to the middle and smoothing it.
constexpr int kCentringRounds = 12;

struct IndexHash {
  std::size_t operator()(const Index& i) const {
    return static_cast<std::size_t>(i[0]) * 73856093u ^ static_cast<std::size_t>(i[1]) * 19349663u ^
           static_cast<std::size_t>(i[2]) * 83492791u;
  }
};

/// The lumen as a graph of grid points, grown from the entry.
class LumenGraph {
 public:
  LumenGraph(const WallDistance& wall, double grid) : wall_(wall), grid_(grid) { grow(); }

  struct Node {
    Vector3d p;
    double d;
    std::vector<std::pair<int, double>> edges;  // node, length
  };
  const std::vector<Node>& nodes() const { return nodes_; }

 private:
  Vector3d place(const Index& i) const { return {i[0] * grid_, i[1] * grid_, (i[2] + 0.5) * grid_}; }

  int node(const Index& i) {
    const auto [found, fresh] = of_.try_emplace(i, -1);
    if (!fresh) return found->second;
    const Vector3d p = place(i);
    const double d = i[2] < 0 ? 0.0 : wall_.distance(p);
    if (d < 0.5 * grid_) return -1;
    found->second = static_cast<int>(nodes_.size());
    nodes_.push_back({p, d, {}});
    index_.push_back(i);
    return found->second;
  }

  void grow() {
    if (!wall_.inside(place({0, 0, 0})) || node({0, 0, 0}) < 0) return;
    // Points beyond the wall are looked at, but only what an edge leads to is grown from.
    std::vector<std::size_t> frontier = {0};
    std::vector<bool> met = {true};
    while (!frontier.empty()) {
      const std::size_t at = frontier.back();
      frontier.pop_back();
      const Index i = index_[at];
      for (int dx = -1; dx <= 1; ++dx)
        for (int dy = -1; dy <= 1; ++dy)
          for (int dz = -1; dz <= 1; ++dz) {
            if (dx == 0 && dy == 0 && dz == 0) continue;
            const double length = grid_ * std::sqrt(static_cast<double>(dx * dx + dy * dy + dz * dz));
            const int to = node({i[0] + dx, i[1] + dy, i[2] + dz});
            // Two empty balls that overlap: the straight way between their centres crosses no wall. Nor an
            // open outlet, unless one is nearer than the step.
            if (to < 0 || nodes_[at].d + nodes_[static_cast<std::size_t>(to)].d <= length + kRounding_mm)
              continue;
            if (wall_.has_open_outlet() && wall_.outlet_distance(nodes_[at].p) <= length) continue;
            nodes_[at].edges.emplace_back(to, length);
            met.resize(nodes_.size(), false);
            if (met[static_cast<std::size_t>(to)]) continue;
            met[static_cast<std::size_t>(to)] = true;
            frontier.push_back(static_cast<std::size_t>(to));
          }
    }
  }

  const WallDistance& wall_;
  double grid_;
  std::vector<Node> nodes_;
  std::vector<Index> index_;
  std::unordered_map<Index, int, IndexHash> of_;
};

struct Paths {
  std::vector<double> cost;
  std::vector<int> from;
};

/// Cheapest ways from `sources`; `weight(length, d)` prices an edge.
template <class Weight>
Paths dijkstra(const LumenGraph& graph, const std::vector<int>& sources, Weight&& weight) {
  const auto& nodes = graph.nodes();
  Paths out{std::vector<double>(nodes.size(), kInfinity), std::vector<int>(nodes.size(), -1)};
  using Entry = std::pair<double, int>;
  std::priority_queue<Entry, std::vector<Entry>, std::greater<>> queue;
  for (const int s : sources) {
    out.cost[static_cast<std::size_t>(s)] = 0.0;
    queue.emplace(0.0, s);
  }
  while (!queue.empty()) {
    const auto [cost, at] = queue.top();
    queue.pop();
    const auto a = static_cast<std::size_t>(at);
    if (cost > out.cost[a]) continue;
    for (const auto& [to, length] : nodes[a].edges) {
      const auto b = static_cast<std::size_t>(to);
      const double next = cost + weight(length, 0.5 * (nodes[a].d + nodes[b].d));
      if (next >= out.cost[b]) continue;
      out.cost[b] = next;
      out.from[b] = at;
      queue.emplace(next, to);
    }
  }
  return out;
}

std::vector<Vector3d> resampled(const std::vector<Vector3d>& line, double spacing) {
  double length = 0.0;
  for (std::size_t i = 1; i < line.size(); ++i) length += (line[i] - line[i - 1]).norm();
  const int parts = std::max(1, static_cast<int>(std::lround(length / spacing)));
  std::vector<Vector3d> out = {line.front()};
  double walked = 0.0;
  std::size_t i = 1;
  for (int k = 1; k < parts; ++k) {
    const double target = length * k / parts;
    while (i + 1 < line.size() && walked + (line[i] - line[i - 1]).norm() < target)
      walked += (line[i] - line[i - 1]).norm(), ++i;
    const double step = (line[i] - line[i - 1]).norm();
    out.push_back(
        step > 0.0 ? Vector3d(line[i - 1] + (line[i] - line[i - 1]) * std::min(1.0, (target - walked) / step))
                   : line[i]);
  }
  out.push_back(line.back());
  return out;
}

/// Moves a point across `along` to where the wall is farthest, by compass steps that shrink.
Vector3d centred(const WallDistance& wall, Vector3d p, const Vector3d& along, double step) {
  const Vector3d side = along.unitOrthogonal();
  const Vector3d up = along.cross(side);
  double d = wall.distance(p);
  for (int k = 0; k < 6; ++k) {
    bool better = false;
    for (const Vector3d& way : {side, Vector3d(-side), up, Vector3d(-up)})
      if (const double there = wall.distance(p + step * way); there > d) {
        d = there;
        p += step * way;
        better = true;
      }
    if (!better) step *= 0.5;
  }
  return p;
}

/// To the middle, then smooth, again and again; the ends of the line stay.
std::vector<Vector3d> settled(const WallDistance& wall, std::vector<Vector3d> line, double spacing) {
  line = resampled(line, spacing);
  for (int round = 0; round < kCentringRounds; ++round) {
    for (std::size_t i = 1; i + 1 < line.size(); ++i) {
      const Vector3d along = (line[i + 1] - line[i - 1]).normalized();
      if (round % 4 == 0) line[i] = centred(wall, line[i], along, 0.5 * spacing);
    }
    std::vector<Vector3d> smooth = line;
    for (std::size_t i = 1; i + 1 < line.size(); ++i)
      smooth[i] = 0.25 * line[i - 1] + 0.5 * line[i] + 0.25 * line[i + 1];
    line = resampled(smooth, spacing);
  }
  return line;
}

/// Frenet figures at point i of an evenly spaced line, from a cubic over `reach` points each way.
void add_frenet(const std::vector<Vector3d>& line, double spacing, int i, int reach, CentrelinePoint& out) {
  const int n = static_cast<int>(line.size());
  const int from = std::max(0, i - reach);
  const int to = std::min(n - 1, i + reach);
  if (to - from < 4) return;
  Eigen::MatrixXd powers(to - from + 1, 4);
  Eigen::MatrixXd places(to - from + 1, 3);
  for (int k = from; k <= to; ++k) {
    const double t = (k - i) * spacing;
    powers.row(k - from) << 1.0, t, t * t, t * t * t;
    places.row(k - from) = line[static_cast<std::size_t>(k)].transpose();
  }
  const Eigen::MatrixXd c = powers.colPivHouseholderQr().solve(places);
  const Vector3d r1 = c.row(1).transpose();
  const Vector3d r2 = 2.0 * c.row(2).transpose();
  const Vector3d r3 = 6.0 * c.row(3).transpose();
  const Vector3d cross = r1.cross(r2);
  if (r1.norm() <= 0.0) return;
  out.curvature_per_mm = cross.norm() / std::pow(r1.norm(), 3);
  // A line this straight (1/mm) has no plane of bending, so no torsion to speak of.
  if (out.curvature_per_mm > 1e-3) out.torsion_per_mm = cross.dot(r3) / cross.squaredNorm();
}

/// Leads the line straight on from where it was cut off until it meets the wall, by steps that no wall is
/// within.
void extend(const WallDistance& wall, std::vector<Vector3d>& line, double spacing) {
  if (line.size() < 3) return;
  const std::size_t back = std::min<std::size_t>(line.size() - 1, 5);
  const Vector3d along = (line.back() - line[line.size() - 1 - back]).normalized();
  const double most = 2.0 * wall.distance(line.back());
  Vector3d p = line.back();
  double gone = 0.0;
  for (double step = wall.distance(p); step > 0.1 * spacing && gone < most; step = wall.distance(p)) {
    p += step * along;
    gone += step;
  }
  line.push_back(p);
}

CentrelineBranch finished(const WallDistance& wall, const std::vector<Vector3d>& raw, double spacing) {
  CentrelineBranch branch;
  auto line = settled(wall, raw, spacing);
  extend(wall, line, spacing);
  line = resampled(line, spacing);
  double station = 0.0;
  for (std::size_t i = 0; i < line.size(); ++i) {
    if (i > 0) station += (line[i] - line[i - 1]).norm();
    CentrelinePoint point;
    point.station_mm = station;
    point.p_E = line[i];
    point.radius_mm = wall.distance(line[i]);
    branch.points.push_back(point);
  }
  const double step = line.size() > 1 ? station / static_cast<double>(line.size() - 1) : spacing;
  for (std::size_t i = 0; i < line.size(); ++i) {
    const int reach = std::max(4, static_cast<int>(2.0 * branch.points[i].radius_mm / step));
    add_frenet(line, step, static_cast<int>(i), reach, branch.points[i]);
  }
  return branch;
}

/// The branch and station nearest to a point.
std::pair<int, double> attach(const std::vector<CentrelineBranch>& branches, const Vector3d& p) {
  std::pair<int, double> best{-1, 0.0};
  double least = kInfinity;
  for (std::size_t b = 0; b < branches.size(); ++b)
    for (const CentrelinePoint& q : branches[b].points)
      if (const double d = (q.p_E - p).norm(); d < least) {
        least = d;
        best = {static_cast<int>(b), q.station_mm};
      }
  return best;
}

}  // namespace

double CentrelineBranch::tortuosity() const {
  if (points.size() < 2) return 1.0;
  const double chord = (points.back().p_E - points.front().p_E).norm();
  return chord > 0.0 ? length_mm() / chord : kInfinity;
}

double Centreline::station_of(const Vector3d& p_E) const {
  return branches.empty() ? 0.0 : attach({branches.front()}, p_E).second;
}

Centreline compute_centreline(const WallDistance& wall, const CentrelineSettings& settings) {
  Centreline out;
  out.grid_mm =
      std::max(kFinestGrid_mm, std::cbrt(enclosed_volume(wall.channel().mesh_E) / settings.most_nodes));
  const LumenGraph graph(wall, out.grid_mm);
  const auto& nodes = graph.nodes();
  if (nodes.empty()) return out;
  const Paths middle = dijkstra(graph, {0}, [](double length, double d) { return length / (d * d); });
  std::vector<int> found = {0};
  while (static_cast<int>(out.branches.size()) < kMostBranches) {
    const Paths off = dijkstra(graph, found, [](double length, double) { return length; });
    int far = -1;
    for (std::size_t i = 0; i < nodes.size(); ++i)
      if (std::isfinite(off.cost[i]) && (far < 0 || off.cost[i] > off.cost[static_cast<std::size_t>(far)]))
        far = static_cast<int>(i);
    if (far < 0) break;
    std::vector<int> way;
    for (int at = far; at >= 0; at = middle.from[static_cast<std::size_t>(at)]) {
      way.push_back(at);
      if (!out.branches.empty() && off.cost[static_cast<std::size_t>(at)] == 0.0) break;
    }
    double widest = 0.0;
    for (const int at : way) widest = std::max(widest, nodes[static_cast<std::size_t>(at)].d);
    if (!out.branches.empty() && off.cost[static_cast<std::size_t>(far)] < settings.branch_radii * widest)
      break;
    // The farthest point of an end lies in its rim: the last of the way leads there and not along the
    // lumen.
    std::vector<double> widths;
    for (const int at : way) widths.push_back(nodes[static_cast<std::size_t>(at)].d);
    std::nth_element(widths.begin(), widths.begin() + static_cast<std::ptrdiff_t>(widths.size() / 2),
                     widths.end());
    const double lumen = widths[widths.size() / 2];
    double gone = 0.0;
    std::size_t cut = 0;
    while (cut + 3 < way.size() && gone < 1.5 * lumen) {
      gone += (nodes[static_cast<std::size_t>(way[cut + 1])].p - nodes[static_cast<std::size_t>(way[cut])].p)
                  .norm();
      ++cut;
    }
    std::vector<Vector3d> line;
    for (std::size_t i = way.size(); i-- > cut;) line.push_back(nodes[static_cast<std::size_t>(way[i])].p);
    if (out.branches.empty()) line.insert(line.begin(), Vector3d::Zero());
    if (line.size() < 2) break;
    CentrelineBranch branch = finished(wall, line, settings.spacing_mm);
    if (!out.branches.empty())
      std::tie(branch.parent, branch.parent_station_mm) = attach(out.branches, line.front());
    out.branches.push_back(std::move(branch));
    found.insert(found.end(), way.begin(), way.end());
  }
  return out;
}

}  // namespace withy
