// SPDX-License-Identifier: GPL-3.0-or-later
// What is kept of a cell where switches are limited, against every count of switches written out.
#include "planner/search/route/way_label.h"

#include <limits>
#include <queue>
#include <random>
#include <set>
#include <vector>

#include <catch2/catch.hpp>

using namespace withy;

namespace {

struct Edge {
  int to;
  double cost;
  int switches;
};

using Graph = std::vector<std::vector<Edge>>;

/// Brute force: nodes from which a goal is at most `most` switches away, each with every count of switches.
std::set<int> within_limit(const Graph& backward, const std::vector<int>& goals, int most) {
  std::set<std::pair<int, int>> seen;
  std::vector<std::pair<int, int>> todo;
  for (const int goal : goals) todo.push_back({goal, 0});
  while (!todo.empty()) {
    const auto at = todo.back();
    todo.pop_back();
    if (!seen.insert(at).second) continue;
    for (const Edge& edge : backward[static_cast<std::size_t>(at.first)])
      if (at.second + edge.switches <= most) todo.push_back({edge.to, at.second + edge.switches});
  }
  std::set<int> nodes;
  for (const auto& [node, switches] : seen) nodes.insert(node);
  return nodes;
}

/// Best first with one label a node, in an order of its own (the search's heuristic is no bound either).
std::set<int> by_labels(const Graph& backward, const std::vector<int>& goals, int most,
                        const std::vector<double>& heuristic) {
  struct Node {
    WayLabel label;
    bool reached = false;
    bool closed = false;
  };
  std::vector<Node> nodes(backward.size());
  std::priority_queue<std::pair<double, int>, std::vector<std::pair<double, int>>, std::greater<>> queue;
  const auto offer = [&](int at, const WayLabel& label) {
    Node& node = nodes[static_cast<std::size_t>(at)];
    if (node.reached && !improves(label, node.label, node.closed, true)) return;
    node = {label, true, false};
    queue.push({label.cost + heuristic[static_cast<std::size_t>(at)], at});
  };
  for (const int goal : goals) offer(goal, {0, 0.0});
  while (!queue.empty()) {
    const int at = queue.top().second;
    queue.pop();
    Node& node = nodes[static_cast<std::size_t>(at)];
    if (node.closed) continue;
    node.closed = true;
    const WayLabel label = node.label;
    for (const Edge& edge : backward[static_cast<std::size_t>(at)])
      if (label.switches + edge.switches <= most)
        offer(edge.to, {label.switches + edge.switches, label.cost + edge.cost});
  }
  std::set<int> reached;
  for (std::size_t i = 0; i < nodes.size(); ++i)
    if (nodes[i].reached) reached.insert(static_cast<int>(i));
  return reached;
}

}  // namespace

TEST_CASE("One label a cell reaches all that can be reached with so many switches") {
  const unsigned seed = 175;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> cost(0.01, 100.0);
  int limited = 0;
  for (int trial = 0; trial < 2000; ++trial) {
    const int nodes = 4 + static_cast<int>(random() % 20);
    Graph backward(static_cast<std::size_t>(nodes));
    for (int i = 0; i < 3 * nodes; ++i)
      backward[random() % backward.size()].push_back(
          {static_cast<int>(random() % backward.size()), cost(random), static_cast<int>(random() % 2)});
    std::vector<double> heuristic(backward.size());
    for (double& h : heuristic) h = cost(random);
    const std::vector<int> goals = {0, static_cast<int>(random() % backward.size())};
    const int most = static_cast<int>(random() % 4);
    const auto expected = within_limit(backward, goals, most);
    if (expected.size() < within_limit(backward, goals, nodes).size()) ++limited;
    CAPTURE(trial, nodes, most);
    REQUIRE(by_labels(backward, goals, most, heuristic) == expected);
  }
  CHECK(limited > 300);
}

TEST_CASE("Fewer switches are kept whatever they cost, and only where switches are limited") {
  CHECK(improves({1, 500.0}, {2, 10.0}, true, true));
  CHECK_FALSE(improves({2, 10.0}, {1, 500.0}, false, true));
  CHECK(improves({1, 10.0}, {1, 20.0}, false, true));
  CHECK_FALSE(improves({1, 10.0}, {1, 20.0}, true, true));
  CHECK(improves({5, 10.0}, {1, 20.0}, false, false));
  CHECK_FALSE(improves({1, 500.0}, {2, 10.0}, true, false));
}
