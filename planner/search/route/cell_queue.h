// SPDX-License-Identifier: GPL-3.0-or-later
// The queue of A* and the labels of the cells that went through it.
//
// A cell whose label changed is pushed again; of its entries only the newest counts. Invariant: every reached
// cell that is not closed has an entry that counts.
#pragma once

#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "planner/search/cells/cell_store.h"
#include "planner/search/route/cell_labels.h"

namespace withy {

/// What a lock switch costs beside a millimetre of motion: routes with fewer switches are tried first
/// unless they lead through much that is unproved.
inline constexpr double kSwitchCost = 100.0;

/// What passing a cell costs: nothing where it is proved free, more the finer it has become where it is not.
/// A cell that can't be split any more is passed only when nothing else is left.
double passing_cost(const CellStore& store, const CellRef& ref, double coarse_travel_mm);

/// Motion of the tip (mm) for a change of curvature (1/mm), for costs.
double tip_lever_mm2(const Design& design);

class CellQueue {
 public:
  explicit CellQueue(CellStore& store) : store_(store), labels_(store) {}

  CellLabel& label(const CellRef& ref) { return labels_[ref]; }
  const CellLabels& labels() const { return labels_; }

  /// The cell is reached at this cost (its label says how) and waits to be expanded.
  void push(const CellRef& ref, double cost);
  /// Takes out the entry with the least key, about the cost of a way through it: its cell, or nothing where
  /// the entry does not count any more. Precondition: not empty.
  std::optional<CellRef> pop();
  bool empty() const { return heap_.empty(); }
  /// No entry has a lesser key. Precondition: not empty.
  double least_key() const { return heap_.front().key; }

  /// Splits a cell of the store, where it tells most or across one coordinate. A free cell that was reached
  /// stays a part of ways; its parts are reached through it. Of the parts of another one no way is known:
  /// what leads through it has to be mended.
  void split(const CellRef& ref);
  void split(const CellRef& ref, int coordinate);

  bool has_broken() const { return !broken_.empty(); }
  /// Cells that were reached and not free when they were split, since the last call.
  std::vector<CellRef> take_broken() { return std::exchange(broken_, {}); }

  /// The cells that were ever pushed, sorted.
  const std::vector<CellRef>& touched();

 private:
  struct Entry {
    double key;
    std::uint64_t ticket;
    CellRef ref;
    bool operator<(const Entry& other) const {
      return key != other.key ? key > other.key : ticket > other.ticket;
    }
  };
  double left_to_pay(const CellRef& ref) const;
  void hand_down(const CellRef& ref);

  CellStore& store_;
  CellLabels labels_;
  std::vector<Entry> heap_;
  std::uint64_t tickets_ = 0;
  std::vector<CellRef> broken_;
  std::vector<CellRef> touched_;
  std::size_t touched_sorted_ = 0;  // of its first ones: so many are, and each once
};

}  // namespace withy
