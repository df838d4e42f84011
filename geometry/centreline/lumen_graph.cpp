// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_graph.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include <Eigen/Geometry>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

// Half of a cube's diagonal over its edge.
const double kHalfDiagonal = std::sqrt(3.0) / 2.0;
// Across a wall two distances add up to the step exactly; rounding must not make them more.
constexpr double kRounding = 1e-9;

/// Leaves and inner cubes of an octree, with what is known of their centres.
class LumenOctree {
 public:
  LumenOctree(const WallDistance& wall, const LumenWalls& walls, const std::vector<LumenSample>& samples,
              double cell_share, const Effort& effort)
      : wall_(wall), walls_(walls), samples_(samples), cell_share_(cell_share), effort_(effort) {
    cut();
  }

  struct Cell {
    Eigen::Vector3d c_E = Eigen::Vector3d::Zero();
    double edge = 0.0;
    double side = 0.0;
    LumenWalls::NearestOpening opening;
    int first_child = -1;
    double room() const { return std::min(side, opening.distance_mm); }
  };

  const std::vector<Cell>& cells() const { return cells_; }
  bool whole() const { return whole_; }

  /// A cube that stands on an opening's plane has room for half its edge, but for rounding.
  bool may_be_node(const Cell& cell) const {
    return cell.first_child < 0 && cell.room() > (0.5 - kRounding) * cell.edge;
  }

  /// The leaf that holds a point, -1 outside the octree.
  int leaf_at(const Eigen::Vector3d& p_E) const {
    if (((p_E - cells_[0].c_E).array().abs() > 0.5 * cells_[0].edge).any()) return -1;
    int at = 0;
    while (cells_[static_cast<std::size_t>(at)].first_child >= 0) {
      const Cell& cell = cells_[static_cast<std::size_t>(at)];
      const Eigen::Vector3d r = p_E - cell.c_E;
      at = cell.first_child + (r.x() > 0.0 ? 1 : 0) + (r.y() > 0.0 ? 2 : 0) + (r.z() > 0.0 ? 4 : 0);
    }
    return at;
  }

 private:
  /// A cube to look at, with the samples that speak for a part of it.
  struct Task {
    int cell = 0;
    std::vector<int> samples;
    bool divides = false;
  };

  void look(Task& task) {
    if (effort_.cut_short()) return;  // nothing is divided any more, and the whole is dropped
    Cell& cell = cells_[static_cast<std::size_t>(task.cell)];
    cell.side = walls_.side_distance(cell.c_E);
    cell.opening = walls_.nearest_opening(cell.c_E);
    double wanted = kInfinity;
    std::vector<int> speak;
    const Eigen::AlignedBox3d box(cell.c_E.array() - 0.5 * cell.edge, cell.c_E.array() + 0.5 * cell.edge);
    for (const int i : task.samples) {
      const LumenSample& s = samples_[static_cast<std::size_t>(i)];
      if (box.exteriorDistance(s.p_E) > kReach * s.half_width_mm) continue;
      wanted = std::min(wanted, cell_share_ * s.half_width_mm);
      speak.push_back(i);
    }
    task.samples = std::move(speak);
    task.divides = cell.edge > wanted && !wholly_outside(cell);
  }

  bool wholly_outside(const Cell& cell) const {
    return cell.room() > kHalfDiagonal * cell.edge && !wall_.inside(cell.c_E);
  }

  void cut() {
    Eigen::AlignedBox3d bounds;
    for (const Eigen::Vector3d& v : wall_.channel().mesh_E.vertices) bounds.extend(v);
    Cell root;
    root.c_E = bounds.center();
    root.edge = bounds.sizes().maxCoeff();
    cells_.push_back(root);
    Task first;
    for (std::size_t i = 0; i < samples_.size(); ++i) first.samples.push_back(static_cast<int>(i));
    std::vector<Task> level = {std::move(first)};
    while (!level.empty()) {
      tbb::parallel_for(tbb::blocked_range<std::size_t>(0, level.size()), [&](const auto& range) {
        for (std::size_t i = range.begin(); i < range.end(); ++i) look(level[i]);
      });
      level = children(level);
    }
  }

  std::vector<Task> children(const std::vector<Task>& level) {
    std::vector<Task> next;
    for (const Task& task : level) {
      if (!task.divides) continue;
      if (cells_.size() + 8 > shares::kLumenCells) {
        whole_ = false;
        break;
      }
      const Cell parent = cells_[static_cast<std::size_t>(task.cell)];
      cells_[static_cast<std::size_t>(task.cell)].first_child = static_cast<int>(cells_.size());
      for (int k = 0; k < 8; ++k) {
        const Eigen::Vector3d way((k & 1) ? 1.0 : -1.0, (k & 2) ? 1.0 : -1.0, (k & 4) ? 1.0 : -1.0);
        Cell child;
        child.c_E = parent.c_E + 0.25 * parent.edge * way;
        child.edge = 0.5 * parent.edge;
        next.push_back({static_cast<int>(cells_.size()), task.samples, false});
        cells_.push_back(child);
      }
    }
    return next;
  }

  const WallDistance& wall_;
  const LumenWalls& walls_;
  const std::vector<LumenSample>& samples_;
  double cell_share_;
  const Effort& effort_;
  std::vector<Cell> cells_;
  bool whole_ = true;
};

using Links = std::vector<std::vector<int>>;

/// The 26 ways from a cube to those about it, in edges.
std::vector<Eigen::Vector3d> ways_around() {
  std::vector<Eigen::Vector3d> ways;
  for (const double x : {-1.0, 0.0, 1.0})
    for (const double y : {-1.0, 0.0, 1.0})
      for (const double z : {-1.0, 0.0, 1.0})
        if (x != 0.0 || y != 0.0 || z != 0.0) ways.emplace_back(x, y, z);
  return ways;
}

/// Touching leaves whose empty balls overlap. Each is found from the smaller of the two, or from either where
/// they are alike.
Links links_of(const LumenOctree& tree) {
  const std::vector<Eigen::Vector3d> around = ways_around();
  const auto& cells = tree.cells();
  Links links(cells.size());
  for (std::size_t i = 0; i < cells.size(); ++i) {
    const auto& cell = cells[i];
    if (!tree.may_be_node(cell)) continue;
    for (const Eigen::Vector3d& way : around) {
      const int to = tree.leaf_at(cell.c_E + cell.edge * way);
      if (to < 0) continue;
      const auto& other = cells[static_cast<std::size_t>(to)];
      if (other.edge < 0.75 * cell.edge || !tree.may_be_node(other)) continue;
      if (cell.room() + other.room() <= (1.0 + kRounding) * (cell.c_E - other.c_E).norm()) continue;
      links[i].push_back(to);
      links[static_cast<std::size_t>(to)].push_back(static_cast<int>(i));
    }
  }
  for (std::vector<int>& l : links) {
    std::sort(l.begin(), l.end());
    l.erase(std::unique(l.begin(), l.end()), l.end());
  }
  return links;
}

/// Leaves inside the lumen beside the entry opening; where there are none, the one at the entry point.
std::vector<int> seeds_of(const LumenOctree& tree, const WallDistance& wall) {
  const auto& openings = wall.channel().openings;
  const auto& cells = tree.cells();
  std::vector<int> seeds;
  for (std::size_t i = 0; i < cells.size(); ++i) {
    const auto& cell = cells[i];
    if (!tree.may_be_node(cell) || cell.opening.opening < 0 || cell.opening.distance_mm > cell.side) continue;
    if (!openings[static_cast<std::size_t>(cell.opening.opening)].is_entry) continue;
    if (cell.opening.distance_mm > 2.0 * cell.edge || !wall.inside(cell.c_E)) continue;
    seeds.push_back(static_cast<int>(i));
  }
  if (!seeds.empty()) return seeds;
  for (const double z_mm : {0.1, 1.0}) {
    const int leaf = tree.leaf_at({0.0, 0.0, z_mm});
    if (leaf < 0) continue;
    const auto& cell = cells[static_cast<std::size_t>(leaf)];
    if (tree.may_be_node(cell) && wall.inside(cell.c_E)) return {leaf};
  }
  return {};
}

/// Where a line that ends in an opening leaves the nodes: next to the opening and far from the sides.
void find_opening_nodes(std::size_t openings, LumenGraph& graph) {
  graph.opening_node.assign(openings, -1);
  std::vector<double> best(openings, -kInfinity);
  for (std::size_t i = 0; i < graph.nodes.size(); ++i) {
    const LumenNode& node = graph.nodes[i];
    if (node.opening.opening < 0 || node.opening.distance_mm > node.side_mm) continue;
    const auto o = static_cast<std::size_t>(node.opening.opening);
    const double worth = node.side_mm - node.opening.distance_mm;
    if (worth <= best[o]) continue;
    best[o] = worth;
    graph.opening_node[o] = static_cast<int>(i);
  }
}

}  // namespace

LumenGraph make_lumen_graph(const WallDistance& wall, const LumenWalls& walls,
                            const std::vector<LumenSample>& samples, double cell_share,
                            const Effort& effort) {
  const LumenOctree tree(wall, walls, samples, cell_share, effort);
  if (effort.cut_short()) return {};
  const Links links = links_of(tree);
  LumenGraph graph;
  graph.whole = tree.whole();
  graph.finest_mm = kInfinity;
  for (const auto& cell : tree.cells()) graph.finest_mm = std::min(graph.finest_mm, cell.edge);
  std::vector<int> of(tree.cells().size(), -1);
  std::vector<int> frontier = seeds_of(tree, wall);
  std::vector<int> order;
  for (const int s : frontier) of[static_cast<std::size_t>(s)] = 0;
  while (!frontier.empty()) {
    const int at = frontier.back();
    frontier.pop_back();
    order.push_back(at);
    for (const int to : links[static_cast<std::size_t>(at)]) {
      if (of[static_cast<std::size_t>(to)] >= 0) continue;
      of[static_cast<std::size_t>(to)] = 0;
      frontier.push_back(to);
    }
  }
  std::sort(order.begin(), order.end());
  for (std::size_t i = 0; i < order.size(); ++i) of[static_cast<std::size_t>(order[i])] = static_cast<int>(i);
  for (const int at : order) {
    const auto& cell = tree.cells()[static_cast<std::size_t>(at)];
    LumenNode node{cell.c_E, cell.edge, cell.side, cell.room(), cell.opening, {}};
    for (const int to : links[static_cast<std::size_t>(at)])
      node.neighbours.push_back(of[static_cast<std::size_t>(to)]);
    graph.nodes.push_back(std::move(node));
  }
  find_opening_nodes(wall.channel().openings.size(), graph);
  return graph;
}

}  // namespace withy
