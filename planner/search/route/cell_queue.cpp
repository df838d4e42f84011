// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/cell_queue.h"

#include <algorithm>
#include <cmath>

namespace withy {

namespace {

// Weight of the distance left to the start: above 1 it trades the shortest way for an earlier one, which any
// plan is made from anyway.
constexpr double kGreed = 2.0;
constexpr double kStuckCost = 1e5;

}  // namespace

double passing_cost(const CellStore& store, const CellRef& ref, double coarse_travel_mm) {
  if (store.is_stuck(ref)) return kStuckCost;  // be it free: a motion through it did not verify
  if (store.status(ref) == CellStatus::free) return 0.0;
  return coarse_travel_mm * (1.0 + std::max(0.0, std::log2(coarse_travel_mm / store.travel_mm(ref))));
}

double tip_lever_mm2(const Design& design) {
  return 0.5 * design.length_mm() * design.length_mm();
}

/// From a cell to the start, at least about: the locks that are engaged otherwise there, the insertion to
/// make up, and (where no switch is left) the bend.
double CellQueue::left_to_pay(const CellRef& ref) const {
  const CellTree& tree = store_.tree(ref.leaf);
  const auto centre = [&](int k) { return tree.centre(ref.cell, k); };
  const State& start = store_.problem().start;
  const double switches =
      kSwitchCost * static_cast<double>((store_.leaf(ref).engaged ^ start.engaged).count());
  const double bend = ref.leaf == store_.start_leaf()
                          ? tip_lever_mm2(store_.problem().design) *
                                (Eigen::Vector2d(centre(1), centre(2)) - start.u_free).norm()
                          : 0.0;
  return switches + kGreed * (std::abs(centre(0) - start.insertion_mm) + bend);
}

void CellQueue::push(const CellRef& ref, double cost) {
  CellLabel& label = labels_[ref];
  if (!label.reached()) touched_.push_back(ref);
  label.cost = cost;
  label.closed = false;
  label.ticket = ++tickets_;
  heap_.push_back({cost + left_to_pay(ref), label.ticket, ref});
  std::push_heap(heap_.begin(), heap_.end());
}

std::optional<CellRef> CellQueue::pop() {
  std::pop_heap(heap_.begin(), heap_.end());
  const Entry entry = heap_.back();
  heap_.pop_back();
  const CellLabel& label = labels_.of(entry.ref);
  if (label.ticket != entry.ticket || label.closed) return std::nullopt;
  return entry.ref;
}

void CellQueue::split(const CellRef& ref) {
  store_.split(ref);
  hand_down(ref);
}

void CellQueue::split(const CellRef& ref, int coordinate) {
  store_.split(ref, coordinate);
  hand_down(ref);
}

void CellQueue::hand_down(const CellRef& ref) {
  if (!labels_.reached(ref)) return;
  if (store_.status(ref) != CellStatus::free) {
    broken_.push_back(ref);
    return;
  }
  labels_[ref].closed = true;
  labels_[ref].expanded = true;
  const CellLabel parent = labels_[ref];
  for (const CellRef& part : store_.parts(ref)) {
    CellLabel& label = labels_[part];
    label.next = ref;
    label.lock = -1;
    label.switches = parent.switches;
    push(part, parent.cost);
  }
}

const std::vector<CellRef>& CellQueue::touched() {
  // What was sorted last time still is.
  const auto fresh = touched_.begin() + static_cast<std::ptrdiff_t>(touched_sorted_);
  std::sort(fresh, touched_.end());
  std::inplace_merge(touched_.begin(), fresh, touched_.end());
  touched_.erase(std::unique(touched_.begin(), touched_.end()), touched_.end());
  touched_sorted_ = touched_.size();
  return touched_;
}

}  // namespace withy
