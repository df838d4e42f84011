// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_branches.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <functional>
#include <queue>
#include <unordered_map>
#include <utility>

#include "geometry/numbers/numbers.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

// A place is a neck when what lies beyond has this much more room: meshes of a plain tube are rough by less.
constexpr double kNeck = 1.3;
// A branch leads off by at least this share of the room where it leaves.
constexpr double kLeastShare = 0.25;
// Two ways are apart when they are by this many times the room: round the tightest handle it is pi / 2.
constexpr double kApart = 1.4;
// The middle of a far end is looked for within so many lumen radii of its last node: sqrt(2) in a flat end.
constexpr double kEndRadii = 2.0;
// What a step nearer to the end is worth in room: more than a tube's width varies by on its length.
constexpr double kNearer = 0.1;
// Of the room: two ways this near to one another are one.
constexpr double kMerge = 0.35;
// So many times the lumen's half width about its end, a node counts as beside it.
constexpr double kBeside = 2.5;

using Queue =
    std::priority_queue<std::pair<double, int>, std::vector<std::pair<double, int>>, std::greater<>>;

std::size_t at(int i) {
  return static_cast<std::size_t>(i);
}

/// A node that a branch may end at.
struct End {
  double off = 0.0;  // distance to the ways taken when it was queued
  int node = -1;
  int opening = -1;
  bool operator<(const End& other) const { return off != other.off ? off < other.off : node > other.node; }
};

class WayFinder {
 public:
  WayFinder(const LumenGraph& graph, const LumenWalls& walls, int handles, double branch_radii,
            const Effort& effort)
      : graph_(graph),
        walls_(walls),
        handles_(handles),
        branch_radii_(branch_radii),
        effort_(effort),
        cost_(graph.nodes.size(), kInfinity),
        from_(graph.nodes.size(), -1),
        off_(graph.nodes.size(), kInfinity),
        nearest_(graph.nodes.size(), -1),
        owner_(graph.nodes.size(), -1),
        served_(graph.opening_node.size(), false) {}

  std::vector<LumenWay> run(int start, int entry_opening) {
    grow_tree(start);
    owner_[at(start)] = 0;
    come_nearer({start});
    if (entry_opening >= 0) served_[at(entry_opening)] = true;
    queue_ends();
    while (!ends_.empty() && ways_.size() < shares::kLumenBranches && !effort_.cut_short()) {
      End end = ends_.top();
      ends_.pop();
      const double off = off_[at(end.node)];
      if (off >= end.off) {
        consider(end);
      } else if (off > 0.0 || end.opening >= 0) {  // ways were taken since: it waits for its turn
        end.off = off;
        ends_.push(end);
      }
    }
    if (ways_.empty()) ways_.push_back({{start}, -1, -1, -1, false});
    return std::move(ways_);
  }

 private:
  const LumenNode& node(int i) const { return graph_.nodes[at(i)]; }
  double step(int a, int b) const { return (node(a).p_E - node(b).p_E).norm(); }
  double price(int a, int b) const {
    const double d = 0.5 * (node(a).side_mm + node(b).side_mm);
    return step(a, b) / (d * d);
  }

  void grow_tree(int start) {
    Queue queue;
    cost_[at(start)] = 0.0;
    queue.emplace(0.0, start);
    while (!queue.empty()) {
      const auto [cost, a] = queue.top();
      queue.pop();
      if (cost > cost_[at(a)]) continue;
      for (const int b : node(a).neighbours) {
        const double next = cost + price(a, b);
        if (next >= cost_[at(b)]) continue;
        cost_[at(b)] = next;
        from_[at(b)] = a;
        queue.emplace(next, b);
      }
    }
  }

  /// Distances to the ways taken, after these nodes were.
  void come_nearer(const std::vector<int>& nodes) {
    Queue queue;
    for (const int n : nodes) {
      if (off_[at(n)] <= 0.0) continue;
      off_[at(n)] = 0.0;
      nearest_[at(n)] = n;
      queue.emplace(0.0, n);
    }
    while (!queue.empty()) {
      const auto [off, a] = queue.top();
      queue.pop();
      if (off > off_[at(a)]) continue;
      for (const int b : node(a).neighbours) {
        const double next = off + step(a, b);
        if (next >= off_[at(b)]) continue;
        off_[at(b)] = next;
        nearest_[at(b)] = nearest_[at(a)];
        queue.emplace(next, b);
      }
    }
  }

  /// The openings, and the nodes that no neighbour costs more than.
  void queue_ends() {
    for (std::size_t o = 0; o < graph_.opening_node.size(); ++o)
      if (const int n = graph_.opening_node[o]; n >= 0 && !served_[o])
        ends_.push({off_[at(n)], n, static_cast<int>(o)});
    for (int i = 0; i < static_cast<int>(graph_.nodes.size()); ++i) {
      const auto& near = node(i).neighbours;
      const bool last = std::none_of(near.begin(), near.end(), [&](int b) {
        return cost_[at(b)] != cost_[at(i)] ? cost_[at(b)] > cost_[at(i)] : b > i;
      });
      if (last && owner_[at(i)] < 0) ends_.push({off_[at(i)], i, -1});
    }
  }

  /// From a node down its way to the first that a way taken has, that one too.
  std::vector<int> climb(int from) const {
    std::vector<int> way = {from};
    while (owner_[at(way.back())] < 0 && from_[at(way.back())] >= 0) way.push_back(from_[at(way.back())]);
    return way;
  }

  /// A way to a node without its beginning beside a way that is taken: where it comes so near, it starts on
  /// that one. The step there lies in the empty ball about the first node kept.
  /// A way that comes round begins, too, beside one that is taken.
  std::vector<int> apart_from_taken(std::vector<int> way, bool round = false) const {
    for (std::size_t i = 0; i < way.size(); ++i) {
      const int n = way[i];
      if (round && !apart(n)) continue;
      round = false;
      if (owner_[at(n)] >= 0 || off_[at(n)] > kMerge * node(n).side_mm) continue;
      way.erase(way.begin() + static_cast<std::ptrdiff_t>(i) + 1, way.end());
      way.push_back(nearest_[at(n)]);
      break;
    }
    return way;
  }

  /// Is the end of this way a far end or a chamber? `way` begins at the end.
  bool leads_off(const std::vector<int>& way) const {
    const double parent_mm = node(way.back()).side_mm;
    double most_mm = 0.0;
    for (const int u : way) {
      const double side_mm = node(u).side_mm;
      const double gone_mm = off_[at(way.front())] - off_[at(u)];
      most_mm = std::max(most_mm, side_mm);
      if (gone_mm < kLeastShare * parent_mm) continue;
      if (gone_mm >= branch_radii_ * most_mm) return true;
      if (most_mm >= kNeck * side_mm && most_mm >= kLeastShare * parent_mm && gone_mm >= most_mm &&
          off_[at(u)] >= side_mm)
        return true;
    }
    return false;
  }

  void consider(const End& end) {
    if (end.opening >= 0) {
      if (!served_[at(end.opening)]) take(climb(end.node), end.opening);
      return;
    }
    const std::vector<int> way = climb(end.node);
    if (way.size() < 2 || (!ways_.empty() && !leads_off(way))) return;
    const double lumen_mm = median_side(way);
    for (std::size_t o = 0; o < served_.size(); ++o) {
      const int n = graph_.opening_node[o];
      if (n < 0 || served_[o] || step(n, end.node) > kBeside * std::max(lumen_mm, node(n).side_mm)) continue;
      take(climb(n), static_cast<int>(o));
      return;
    }
    take(climb(middle_of_end(end.node, kEndRadii * lumen_mm)), -1);
    if (handles_ > 0) close_handle(end.node, kBeside * lumen_mm);
  }

  /// The last node of a far end lies in its rim. The one in the middle has the most room of those about it,
  /// and of those with much the same room lies nearest to the end.
  int middle_of_end(int end, double within_mm) const {
    int best = end;
    double most = -kInfinity;
    for (const int n : beside(end, within_mm)) {
      if (off_[at(n)] < 0.5 * off_[at(end)]) continue;
      const double worth = node(n).side_mm - kNearer * step(n, end);
      if (worth <= most) continue;
      most = worth;
      best = n;
    }
    return best;
  }

  double median_side(const std::vector<int>& way) const {
    std::vector<double> sides;
    for (const int n : way) sides.push_back(node(n).side_mm);
    const auto middle = sides.begin() + static_cast<std::ptrdiff_t>(sides.size() / 2);
    std::nth_element(sides.begin(), middle, sides.end());
    return *middle;
  }

  /// `way` begins at its end.
  int take(std::vector<int> way, int opening, bool round = false) {
    if (!ways_.empty()) way = apart_from_taken(std::move(way), round);
    const int id = static_cast<int>(ways_.size());
    const int parent = ways_.empty() ? -1 : owner_[at(way.back())];
    std::reverse(way.begin(), way.end());
    own(way, id);
    if (opening >= 0) served_[at(opening)] = true;
    ways_.push_back({std::move(way), parent, opening, -1, false});
    return id;
  }

  void own(const std::vector<int>& way, int id) {
    for (const int n : way)
      if (owner_[at(n)] < 0) owner_[at(n)] = id;
    come_nearer(way);
  }

  /// Is a node farther from all that is taken than either of them has room?
  bool apart(int n) const {
    return off_[at(n)] >= kApart * std::max(node(n).side_mm, node(nearest_[at(n)]).side_mm);
  }

  /// Does the way of a node come round apart from all that is taken? Remembers what it found on the way.
  bool comes_round(int from, std::unordered_map<int, bool>& known) const {
    const std::vector<int> way = climb(from);
    bool round = false;
    for (std::size_t i = way.size(); i-- > 0;) {
      const auto [found, fresh] = known.try_emplace(way[i], false);
      if (fresh) found->second = round || apart(way[i]);
      round = found->second;
    }
    return round;
  }

  /// The nodes within some distance of one, as the graph joins them.
  std::vector<int> beside(int centre, double within_mm) const {
    std::vector<int> found = {centre};
    std::unordered_map<int, bool> seen = {{centre, true}};
    for (std::size_t i = 0; i < found.size(); ++i)
      for (const int b : node(found[i]).neighbours)
        if (step(b, centre) <= within_mm && seen.try_emplace(b, true).second) found.push_back(b);
    return found;
  }

  /// Does a wall stand between a way that begins at its end and what a way taken has beyond the place where
  /// the two meet? Looked at in a few places along both, counted from the end.
  bool parted(const std::vector<int>& taken, const std::vector<int>& other) const {
    const auto meets = std::find(taken.begin(), taken.end(), other.back());
    const auto beyond =
        static_cast<std::size_t>(taken.end() - (meets == taken.end() ? taken.begin() : meets));
    for (const std::size_t quarter : {1, 2, 3}) {
      const int a = taken[taken.size() - 1 - quarter * (beyond - 1) / 4];
      const int b = other[quarter * (other.size() - 1) / 4];
      if (!walls_.sees(node(a).p_E, node(b).p_E)) return true;
    }
    return false;
  }

  /// After a way was taken to `end`: if a way comes round to it from elsewhere, both end where they meet.
  void close_handle(int end, double within_mm) {
    const int first = static_cast<int>(ways_.size()) - 1;
    std::unordered_map<int, bool> known;
    std::pair<int, int> meeting{-1, -1};
    double least = kInfinity;
    for (const int a : beside(end, within_mm)) {
      if (comes_round(a, known) || owner_[at(climb(a).back())] != first) continue;
      for (const int b : node(a).neighbours) {
        const double cost = cost_[at(a)] + cost_[at(b)] + price(a, b);
        if (cost >= least || !comes_round(b, known)) continue;
        least = cost;
        meeting = {a, b};
      }
    }
    if (meeting.first < 0) return;
    const std::vector<int> other = climb(meeting.second);
    if (!parted(ways_[at(first)].nodes, other)) return;
    lead_to(first, meeting.first);
    if (owner_[at(meeting.second)] >= 0 || ways_.size() >= shares::kLumenBranches) return;
    const int second = take(other, -1, true);
    ways_[at(second)].joins = first;
    ways_[at(first)].goes_on = true;
    --handles_;
  }

  /// Lets a way end at another node, which climbs to it.
  void lead_to(int id, int end) {
    const std::vector<int> last = apart_from_taken(climb(end));
    std::vector<int>& nodes = ways_[at(id)].nodes;
    const auto meets = std::find(nodes.begin(), nodes.end(), last.back());
    if (meets == nodes.end()) return;
    nodes.erase(meets + 1, nodes.end());
    nodes.insert(nodes.end(), last.rbegin() + 1, last.rend());
    own(last, id);
  }

  const LumenGraph& graph_;
  const LumenWalls& walls_;
  int handles_;  // that may still be found
  double branch_radii_;
  const Effort& effort_;
  std::vector<double> cost_;
  std::vector<int> from_;
  std::vector<double> off_;   // distance to the ways taken
  std::vector<int> nearest_;  // the node of a way taken that this is to
  std::vector<int> owner_;    // the way that a node lies on, -1: none
  std::vector<bool> served_;
  std::priority_queue<End> ends_;
  std::vector<LumenWay> ways_;
};

}  // namespace

std::vector<LumenWay> find_lumen_ways(const LumenGraph& graph, const LumenWalls& walls, int entry_opening,
                                      int handles, double branch_radii, const Effort& effort) {
  if (graph.nodes.empty()) return {};
  int start = entry_opening >= 0 ? graph.opening_node[at(entry_opening)] : -1;
  if (start < 0) {
    const auto nearest =
        std::min_element(graph.nodes.begin(), graph.nodes.end(),
                         [](const auto& a, const auto& b) { return a.p_E.norm() < b.p_E.norm(); });
    start = static_cast<int>(nearest - graph.nodes.begin());
  }
  return WayFinder(graph, walls, handles, branch_radii, effort).run(start, entry_opening);
}

}  // namespace withy
