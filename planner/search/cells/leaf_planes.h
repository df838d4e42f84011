// SPDX-License-Identifier: GPL-3.0-or-later
// Planes of one insertion that no legal state of a leaf lies in, of some planes that are put forward in
// order.
//
// Each plane is looked at by its parts (slice_look.h), all of them in turn, a little at first and twice as
// much each time. Of neighbours that may be without legal states one is enough: once one is proved to be,
// those that no plane with a legal state parts from it are left alone. What is not found may be there all the
// same.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "planner/search/cells/slice_look.h"

namespace withy {

class LeafPlanes {
 public:
  /// Insertions (mm) in ascending order, within the box of leaf coordinates.
  LeafPlanes(const Leaf& leaf, const Box& box, const std::vector<double>& insertions_mm);

  /// Goes on until no more is to be found; false where `over` says so before.
  bool find(CellProbe& probe, const std::function<bool()>& over);

  /// Of each insertion, whether its plane is proved to hold no legal state.
  std::vector<bool> parting() const;

  /// As SliceLook::looks of all of them.
  std::int64_t looks() const { return looks_; }

 private:
  bool is_wanted(std::size_t plane) const;
  bool meets_parting(std::size_t plane, int step) const;

  std::vector<SliceLook> planes_;
  std::size_t next_ = 0;    // of this turn
  std::int64_t share_ = 0;  // looks that each has had at least after this turn
  bool any_left_ = false;   // to be looked at in another turn
  std::int64_t looks_ = 0;
};

}  // namespace withy
