// SPDX-License-Identifier: GPL-3.0-or-later
// Condition 2: the rim of H within each leaf is blocked.
#include <atomic>

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include "planner/proof/recheck/conditions.h"

namespace withy::recheck {
namespace {

// A face is cut into no more parts than this before it counts as undecided.
constexpr int kMostFaceParts = 200000;

/// Where part of a face can't be shown to be blocked: is some state of the face legal?
void find_legal(const Inquiry& inquiry, const Leaf& leaf, const Cell& face, const StateBox& box) {
  const StateBox middle = middle_of(box);
  const Cell best = climbed(leaf.cell(middle), face, [&](const Cell& point) {
    return inquiry.blocked.margin_guess(leaf.body(), leaf.states(point));
  });
  const StateBox state = leaf.states(best);
  if (inquiry.blocked.surely_legal(leaf.body(), state))
    inquiry.gathered.does_not_hold("a motion leads out of the states that are said to be all: " +
                                   words(leaf.body(), state) + " is legal and stands at their rim");
  else
    inquiry.gathered.could_not_decide("whether " + words(leaf.body(), box) + ", at the rim, is blocked");
}

/// Proves that every state of the cell is blocked, or says what is not.
void prove_blocked(const Inquiry& inquiry, const Leaf& leaf, const Cell& face) {
  std::vector<Cell> open = {face};
  int looked = 0;
  while (!open.empty() && !inquiry.over()) {
    const Cell cell = open.back();
    open.pop_back();
    const StateBox box = leaf.states(cell);
    const Blocked::Look look = inquiry.blocked.look(leaf.body(), box);
    if (look.blocked) continue;
    if (look.roomy && inquiry.blocked.surely_legal(leaf.body(), box)) {
      inquiry.gathered.does_not_hold("a motion leads out of the states that are said to be all: " +
                                     words(leaf.body(), box) + " is legal and stands at their rim");
      return;
    }
    const Widest cut = widest(leaf.body(), box, look.station_mm);
    const int k = cut.coordinate < 0 ? -1 : leaf_coordinate(leaf, cut.coordinate);
    const double middle = k < 0 ? 0.0 : 0.5 * (cell.low[at(k)] + cell.high[at(k)]);
    if (k < 0 || cut.share_mm < kFinest_mm || ++looked > kMostFaceParts ||
        !(middle > cell.low[at(k)] && middle < cell.high[at(k)]))
      return find_legal(inquiry, leaf, face, box);
    open.push_back(cell);
    open.back().low[at(k)] = middle;
    open.push_back(cell);
    open.back().high[at(k)] = middle;
  }
}

/// Does the end of coordinate k of the leaf's box lie where insertion, curvature or the tendons end too?
bool ends_there(const Inquiry& inquiry, const Cell& whole, int k, bool high) {
  const Robot& robot = inquiry.robot;
  if (k == 0) return high ? whole.high[0] >= robot.insertion_max_mm : whole.low[0] <= 0.0;
  if (k - 1 == inquiry.pinned && whole.low[at(k)] == 0.0 && whole.high[at(k)] == 0.0) return true;
  const double kappa = robot.segment.curvature_max_per_mm;
  return high ? whole.high[at(k)] >= kappa : whole.low[at(k)] <= -kappa;
}

void check_rim_of(const Inquiry& inquiry, const Leaf& leaf, const Cover& cover, const Cell& part) {
  for (int k = 0; k < 3; ++k)
    for (const bool high : {false, true}) {
      const double x = (high ? part.high : part.low)[at(k)];
      if (x != (high ? cover.whole().high : cover.whole().low)[at(k)]) {
        cover.each_beyond(part, k, high, [&](const Cell& face) { prove_blocked(inquiry, leaf, face); });
      } else if (!ends_there(inquiry, cover.whole(), k, high)) {
        Cell face = part;
        face.low[at(k)] = face.high[at(k)] = x;
        prove_blocked(inquiry, leaf, face);
      }
    }
}

}  // namespace

void check_rims(const Inquiry& inquiry) {
  struct Part {
    const Leaf* leaf;
    const Cover* cover;
    Cell cell;
  };
  std::vector<Part> parts;
  for (const Leaves::Entry& entry : inquiry.leaves.all())
    for (const Cover& cover : entry.levels)
      cover.each_part([&](const Cell& cell) { parts.push_back({&entry.leaf, &cover, cell}); });
  std::atomic<std::size_t> done{0};
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t i) {
    if (inquiry.over()) return;
    check_rim_of(inquiry, *parts[i].leaf, *parts[i].cover, parts[i].cell);
    if (const std::size_t n = ++done; n % 256 == 0)
      inquiry.settings.progress("motions", static_cast<double>(n) / static_cast<double>(parts.size()));
  });
}

}  // namespace withy::recheck
