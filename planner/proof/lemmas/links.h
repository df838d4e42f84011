// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 17 (links). How leaves hang together: which lock switches lead out of a box of states, and where they
// lead.
//
// Engaging lock i splits the region that holds it; releasing it joins the two regions it parts, where their
// curvatures are equal. Neither moves anything, so insertion and free curvature carry over. A link is the set
// of states from which one switch is possible, bounded by boxes on both sides: never too small, so that a
// search that can't pass it has proved something.
//
// Two readings of the contract: bends are locked exactly on a notch (the engage window is the hardware's
// tolerance for calibration, not room to plan in); and a lock with no exposed flexible length proximal to it
// in its region (inside the guide, with its body half out, or touching the engaged lock before it) may be
// switched whatever the curvature distal of it is when a proof is sought, but only with equal curvatures when
// a plan is made. The same goes for releasing a lock whose distal region, ended by another lock, has no
// flexible length out: it has no curvature to differ by.
//
//   Statement: where a switch leads from a state of the box to a state of another leaf, both allowed, some
//   link has its lock, direction and leaf, `here` holds the one state and `there` the other.
//   With a play of the stations (BendChart), the switches are those of all layouts whose locks sit within it,
//   and the states are mapped to the design's as lemma 27 says (planner/search/layouts/station_box.h): bends
//   and the free curvature are kept, and every flexible length between two locks is known to twice the play.
//   Premises: the lock's bend is on a notch exactly; curvatures on both sides are equal within
//   kEqualCurvature_per_mm, or one side of the lock has no exposed flexible length.
//   Derivation: the exposed flexible length f grows with the insertion, so theta = u f is bounded by products
//   and quotients of intervals. Rounding: every derived interval is let out by kLinkRounding (links.cpp).
#pragma once

#include <functional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/proof/lemmas/leaf.h"

namespace withy {

/// One possible switch out of a box.
struct SwitchLink {
  int lock = -1;
  bool engages = false;
  Leaf other;  ///< the leaf on the other side
  Box here;    ///< bounds of the switch's states in this leaf (within the box asked about)
  Box there;   ///< bounds of them in the other leaf
};

/// Hands out all switches possible somewhere in `box` of `leaf`, in an order that never changes, until `take`
/// returns false or the effort is cut short; false then. Each is made when its turn comes: a fine notch pitch
/// makes millions.
bool for_each_link(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
                   const Effort& effort, const std::function<bool(const SwitchLink&)>& take);

/// The same for the switches that release one engaged lock, all of which lead to one leaf.
void for_each_release(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
                      int lock, const std::function<bool(const SwitchLink&)>& take);

/// All of them, into `out` (cleared first).
void links_of(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
              std::vector<SwitchLink>& out);

}  // namespace withy
