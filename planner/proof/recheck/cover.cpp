// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/cover.h"

#include <algorithm>

namespace withy::recheck {
namespace {

// Cuts one in another; what visits parts nests as deep. A coordinate can be halved some 50 times before its
// halves are as wide as rounding.
constexpr int kDeepest = 1000;

double middle(const Cell& box, int k) {
  return 0.5 * (box.low[at(k)] + box.high[at(k)]);
}

/// Do the closed boxes share a point?
bool meet(const Cell& a, const Cell& b) {
  for (int k = 0; k < a.dimensions; ++k)
    if (a.low[at(k)] > b.high[at(k)] || b.low[at(k)] > a.high[at(k)]) return false;
  return true;
}

/// Does the part take anything of the box that is more than its rim? Where the box has no width, touching
/// counts.
bool takes_of(const Cell& part, const Cell& box) {
  for (int k = 0; k < part.dimensions; ++k) {
    const bool flat = box.low[at(k)] == box.high[at(k)];
    const bool apart = flat ? part.low[at(k)] > box.high[at(k)] || part.high[at(k)] < box.low[at(k)]
                            : part.low[at(k)] >= box.high[at(k)] || part.high[at(k)] <= box.low[at(k)];
    if (apart) return false;
  }
  return true;
}

bool within(const Cell& a, const Cell& whole) {
  for (int k = 0; k < a.dimensions; ++k)
    if (a.low[at(k)] < whole.low[at(k)] || a.high[at(k)] > whole.high[at(k)]) return false;
  return true;
}

}  // namespace

bool Cover::read(const Cell& whole, std::string_view parts) {
  whole_ = whole;
  nodes_.assign(1, Node{});
  std::size_t next = 0;
  const bool good = read_node(parts, next, whole, 0) && next == parts.size();
  if (!good) nodes_.clear();
  return good;
}

bool Cover::read_node(std::string_view parts, std::size_t& next, Cell box, std::size_t node) {
  struct Open {
    Cell box;
    std::size_t node;
    int depth;
  };
  std::vector<Open> open = {{box, node, 0}};
  while (!open.empty()) {
    const Open here = open.back();
    open.pop_back();
    if (next >= parts.size()) return false;
    const char c = parts[next++];
    if (c == '0' || c == '1') {
      nodes_[here.node].in = c == '1';
      continue;
    }
    const int k = c - 'a';
    if (k < 0 || k >= here.box.dimensions || here.depth >= kDeepest) return false;
    const double cut = middle(here.box, k);
    if (!(cut > here.box.low[at(k)] && cut < here.box.high[at(k)])) return false;
    nodes_[here.node].cut = static_cast<std::int8_t>(k);
    nodes_[here.node].first_child = static_cast<std::int32_t>(nodes_.size());
    const std::size_t first = nodes_.size();
    nodes_.resize(first + 2);
    Open upper{here.box, first + 1, here.depth + 1};
    upper.box.low[at(k)] = cut;
    Open lower{here.box, first, here.depth + 1};
    lower.box.high[at(k)] = cut;
    open.push_back(upper);
    open.push_back(lower);
  }
  return true;
}

/// Visits parts; `visit(node, box)` returns false where nothing below is wanted.
template <class Visit>
void Cover::walk(std::size_t node, Cell& box, Visit&& visit) const {
  const Node& n = nodes_[node];
  if (!visit(n, box)) return;
  if (n.first_child < 0) return;
  const int k = n.cut;
  const double cut = middle(box, k);
  const double high = box.high[at(k)];
  box.high[at(k)] = cut;
  walk(static_cast<std::size_t>(n.first_child), box, visit);
  box.high[at(k)] = high;
  const double low = box.low[at(k)];
  box.low[at(k)] = cut;
  walk(static_cast<std::size_t>(n.first_child) + 1, box, visit);
  box.low[at(k)] = low;
}

Cover::Says Cover::about(const Cell& query) const {
  if (nodes_.empty()) return Says::out;
  bool in = false;
  bool out = !within(query, whole_);
  Cell box = whole_;
  walk(0, box, [&](const Node& node, const Cell& part) {
    if ((in && out) || !meet(part, query)) return false;
    if (node.first_child >= 0) return true;
    if (node.in)
      in = true;
    else if (takes_of(part, query))
      out = true;
    return false;
  });
  if (in && out) return Says::mixed;
  return in ? Says::in : Says::out;
}

void Cover::each_part(const std::function<void(const Cell&)>& take) const {
  if (nodes_.empty()) return;
  Cell box = whole_;
  walk(0, box, [&](const Node& node, const Cell& part) {
    if (node.first_child < 0 && node.in) take(part);
    return true;
  });
}

void Cover::each_beyond(const Cell& part, int k, bool high,
                        const std::function<void(const Cell&)>& take) const {
  Cell face = part;
  (high ? face.low : face.high)[at(k)] = (high ? part.high : part.low)[at(k)];
  const double x = face.low[at(k)];
  Cell box = whole_;
  walk(0, box, [&](const Node& node, const Cell& other) {
    const bool beyond = high ? other.low[at(k)] <= x && other.high[at(k)] > x
                             : other.high[at(k)] >= x && other.low[at(k)] < x;
    if (!beyond) return false;
    for (int i = 0; i < face.dimensions; ++i) {
      if (i == k) continue;
      const bool flat = face.low[at(i)] == face.high[at(i)];
      if (flat ? other.low[at(i)] > face.high[at(i)] || other.high[at(i)] < face.low[at(i)]
               : other.low[at(i)] >= face.high[at(i)] || other.high[at(i)] <= face.low[at(i)])
        return false;
    }
    if (node.first_child >= 0 || node.in) return node.first_child >= 0;
    Cell shared = face;
    for (int i = 0; i < face.dimensions; ++i) {
      shared.low[at(i)] = std::max(face.low[at(i)], other.low[at(i)]);
      shared.high[at(i)] = std::min(face.high[at(i)], other.high[at(i)]);
    }
    shared.low[at(k)] = shared.high[at(k)] = x;
    take(shared);
    return false;
  });
}

}  // namespace withy::recheck
