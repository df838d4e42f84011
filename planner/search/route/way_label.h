// SPDX-License-Identifier: GPL-3.0-or-later
// Which of two ways from a cell to the target a search keeps (label correcting, e.g. D. P. Bertsekas,
// "Dynamic Programming and Optimal Control", vol. 1, 2nd ed., 2000, section 2.3.1, here with labels of two
// parts).
//
// Where switches are not limited, the cheaper way. Where they are, the way with fewer switches, and the
// cheaper one among equals: what leads on from the cell within the limit after more switches does so after
// fewer, so the fewest are all that has to be kept, and no cheaper way may take their place. A cell whose
// switches become fewer must be opened again, since what follows it may have been left out for the limit.
// Labels of a cell only fall in that order, and a way's labels rise along it by steps that cost something, so
// ways never run in a circle.
#pragma once

namespace withy {

struct WayLabel {
  int switches = 0;  ///< lock switches from the cell to the target
  double cost = 0.0;
};

/// Is `offered` to be kept instead of `held`? `closed`: the cell was expanded with `held`, after which a way
/// that is only cheaper comes too late.
inline bool improves(const WayLabel& offered, const WayLabel& held, bool closed, bool switches_limited) {
  if (switches_limited && offered.switches != held.switches) return offered.switches < held.switches;
  return !closed && offered.cost < held.cost;
}

}  // namespace withy
