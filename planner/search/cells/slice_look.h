// SPDX-License-Identifier: GPL-3.0-or-later
// Is any state of a box legal, or none? By its parts: the box is cut until each part is proved blocked
// (cell_probe.h), or until the middle of one is legal.
//
// The part with most room in its middle is looked at first: where states are legal one is found in a few
// looks, and a box that takes many holds none, or hardly one. It goes on where it stopped.
#pragma once

#include <cstdint>
#include <vector>

#include "planner/search/cells/cell_probe.h"

namespace withy {

class SliceLook {
 public:
  enum class Finding : unsigned char {
    open,       ///< not known yet
    blocked,    ///< proved: no state of the box is legal
    some_legal  ///< one is legal, or may be as far as the finest parts tell: more looks are in vain
  };

  SliceLook(const Leaf& leaf, const Box& slice) : leaf_(leaf), parts_{{slice, 0.0}} {}

  /// Takes about so many looks more.
  Finding go_on(CellProbe& probe, std::int64_t looks);

  Finding finding() const { return finding_; }
  /// Cells and middles that were looked at.
  std::int64_t looks() const { return looks_; }
  /// Parts of which nothing is known yet.
  std::size_t left() const { return parts_.size(); }

 private:
  struct Part {
    Box box;
    double room_mm;  // in its middle
    bool operator<(const Part& other) const { return room_mm < other.room_mm; }
  };
  void look_at(CellProbe& probe, const Box& box);
  void add(CellProbe& probe, const Box& box);
  bool middle_is_legal(CellProbe& probe, const Part& part);

  Leaf leaf_;
  std::vector<Part> parts_;  // a heap
  Finding finding_ = Finding::open;
  std::int64_t looks_ = 0;
};

}  // namespace withy
