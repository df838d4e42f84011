// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own notch lattice: which sums of bends a lock can hold.
//
// At a lock the bends from the base to it sum to S (rad) and backbone k has slid by r_b e_k . S, e_k = (cos
// psi_k, sin psi_k). S is latchable when every slide is a whole number n_k of pitches. A backbone's angle is
// a rounded number, so every least-squares solution of r_b e_k . S = n_k p whose residuals are within that
// rounding counts. Where no bend but the straight one puts all backbones on notches at once, there is no
// other.
//
// Three kinds: a lattice of points; parallel lines, where all backbones lie in one plane; every bend, without
// notches.
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "planner/proof/recheck/body.h"

namespace withy::recheck {

using Notches = std::vector<int>;  ///< n_k of each backbone; empty: any bend

class Lattice {
 public:
  enum class Kind { points, lines, everything };

  explicit Lattice(const std::optional<LatchHardware>& latch);

  Kind kind() const { return kind_; }

  /// The bends with these notches: a point, or for lines the point of it nearest to 0. Nothing where the
  /// notches don't go together.
  std::optional<Interval2> bend(const Notches& notches) const;

  /// For lines: the line's direction; for everything: the axes x and y. Rows.
  const std::vector<Interval2>& axes() const { return axes_; }

  /// Hands out the notches of every latchable S that may lie in the box (for lines: every line that may meet
  /// it).
  void each_in(const Interval2& box, const std::function<void(const Notches&, const Interval2&)>& take) const;

  /// False only where no latchable S lies in the box.
  bool may_hold(const Interval2& box) const;

 private:
  void each_choice(Notches& notches, std::size_t k, const Interval2& near, const Interval2& box,
                   const std::function<void(const Notches&, const Interval2&)>& take) const;
  Interval slide(std::size_t k, const Interval2& bend) const;

  Kind kind_ = Kind::everything;
  double pitch_ = 0.0;
  double radius_ = 0.0;
  std::vector<Interval2> direction_;
  std::size_t first_ = 0;  // the two backbones nearest to square
  std::size_t second_ = 0;
  std::array<Interval, 4> inverse_;  // least squares: S = inverse (sum of e_k n_k) p / r_b
  std::vector<Interval2> axes_;
};

}  // namespace withy::recheck
