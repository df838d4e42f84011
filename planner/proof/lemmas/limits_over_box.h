// SPDX-License-Identifier: GPL-3.0-or-later
// Limits of states over a box of them.
//
// Lemma 1 (bends that some insertion allows). Every state of a box that keeps the curvature limit kappa_max
// lies in AllowedBox::of(box).
//   Premises: the box lies in the leaf; its continuous frozen coordinates t are measured along unit vectors
//   at right angles to one another and to the leaf's base (BendChart).
//   Derivation: an allowed state has |Theta_r| <= kappa_max f_r(d), f_r the exposed flexible length of region
//   r; f_r grows with d, so f_r(d) <= f_r(d_high). With base and axes at right angles |t| <= |Theta_r|.
//   Rounding: f_r is wrong by less than kLengthRounding_mm, by which f_r may also fail to grow. The limit
//   counts as kCurvatureRounding times itself (action.h: within_limits), two more products are covered by
//   squaring that. A region with less than kNoLength_mm out can't bend at all (state.h).
//
// Lemma 2 (curvature over a box). `blocked`: no state of the box keeps the curvature limit. `free`: all do.
//   Premises: as lemma 1.
//   Derivation: |u| over a rectangle is least at its point nearest to 0 and greatest at its farthest corner;
//   likewise |Theta_r| over the rectangle of its components. A state keeps the limit where |u| <= kappa_max
//   and |Theta_r| <= kappa_max f_r(d), and f_r(d_low) <= f_r(d) <= f_r(d_high).
//   Rounding: a norm of two numbers is right to 1e-15 of itself and so is a product, below what
//   kCurvatureRounding leaves (of the limit, which a state is held against with the same factor); lengths as
//   in lemma 1, up for `blocked` and down for `free`.
#pragma once

#include "planner/proof/lemmas/cell_status.h"
#include "planner/proof/lemmas/leaf.h"
#include "planner/proof/lemmas/premises.h"
#include "planner/segment/hardware.h"

namespace withy {

/// A box less the frozen bends that no insertion of it allows (lemma 1). Lemmas that speak of allowed states
/// take this, so that their centre is no farther from what is allowed than it has to be.
class AllowedBox {
 public:
  static AllowedBox of(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box);
  const Box& box() const { return box_; }

 private:
  explicit AllowedBox(const Box& box) : box_(box) {}
  Box box_;
};

/// Lemma 2.
CellStatus curvature_over(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box);

/// The box as the hardware's bounds want it.
StateBox state_box(const BendChart& chart, const Leaf& leaf, const Box& box);

}  // namespace withy
