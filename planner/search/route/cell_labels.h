// SPDX-License-Identifier: GPL-3.0-or-later
// What a search to one target knows of a way from each cell to the target.
#pragma once

#include <cstdint>
#include <vector>

#include "planner/search/cells/cell_store.h"

namespace withy {

struct CellLabel {
  double cost = 0.0;
  CellRef next;   ///< towards the target; none where the way ends
  int lock = -1;  ///< the lock that switches on the way to `next`; -1 within a leaf
  bool engages = false;
  bool closed = false;
  bool expanded = false;   ///< ways of other cells may lead through it
  bool goal = false;       ///< may hold the goal
  bool witnessed = false;  ///< does, or is too small to matter
  enum class Way : std::uint8_t { unknown, stands, lost } way = Way::unknown;  ///< while ways are mended
  std::int16_t switches = 0;                                                   ///< from here to the target
  std::uint64_t ticket = 0;  ///< of its newest entry in the queue; 0: not reached

  bool reached() const { return ticket != 0; }
  /// Nothing is known of a way to the target any more.
  void forget() {
    next = CellRef{};
    lock = -1;
    switches = 0;
    closed = false;
    expanded = false;
    ticket = 0;
  }
};

/// One label for each cell of a store, which must outlive it.
class CellLabels {
 public:
  explicit CellLabels(const CellStore& store) : store_(store) {}

  CellLabel& operator[](const CellRef& ref) {
    const auto leaf = static_cast<std::size_t>(ref.leaf);
    const auto cell = static_cast<std::size_t>(ref.cell);
    if (labels_.size() <= leaf) labels_.resize(static_cast<std::size_t>(store_.leaf_count()));
    std::vector<CellLabel>& of_leaf = labels_[leaf];
    if (of_leaf.size() <= cell) of_leaf.resize(static_cast<std::size_t>(store_.tree(ref.leaf).size()));
    return of_leaf[cell];
  }

  const CellLabel& of(const CellRef& ref) const {
    static const CellLabel none;
    const auto leaf = static_cast<std::size_t>(ref.leaf);
    const auto cell = static_cast<std::size_t>(ref.cell);
    return leaf < labels_.size() && cell < labels_[leaf].size() ? labels_[leaf][cell] : none;
  }

  bool reached(const CellRef& ref) const { return of(ref).reached(); }

 private:
  const CellStore& store_;
  std::vector<std::vector<CellLabel>> labels_;
};

}  // namespace withy
