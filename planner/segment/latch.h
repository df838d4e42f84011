// SPDX-License-Identifier: GPL-3.0-or-later
// Which bends a lock can hold: the notches of the secondary backbones.
//
// Backbone k, fixed at the base, at radius r_b and angle psi_k, has slid by delta_k = r_b (cos psi_k, sin
// psi_k) . Theta at a lock, Theta (rad) being the sum of the bending angle vectors from the base to it. Its
// notches have pitch p. A bend is latchable when every delta_k is a whole multiple n_k p within the engage
// window and the bend that the latch then pulls it onto, the least-squares solution of delta_k = n_k p, is so
// too (a latch that sits down elsewhere than it caught does not hold). So the latched bends are exactly those
// solutions, over all whole n, whose every residual is within the window; with evenly spread backbones the
// residuals are zero and the window plays no part. A window wider than half a pitch is no wider than half a
// pitch.
//
// A bench may engage within its window, a plan may not: there every slide is a whole multiple of the pitch,
// which is what the same rules say of exact_latch(latch).
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include <Eigen/Core>

#include "planner/effort/effort.h"
#include "planner/segment/design.h"

namespace withy {

/// The latch as plans are held against it: the window is nothing but rounding, so a bend is latchable where
/// every slide is a whole multiple of the pitch. Where no bend but the straight one puts all backbones on
/// notches at once, plans have no other. `rounding_rad`: what sums of bends, or a file's decimals, may part
/// the bend that is asked about from the latched one by; a slide is then off by r_b times that.
LatchHardware exact_latch(LatchHardware latch, double rounding_rad = 0.0);

/// Slide of every backbone (mm) at a lock whose bending angle vectors sum to `theta_sum` (rad) from the base
/// to it: delta_k = r_b (cos psi_k, sin psi_k) . theta_sum.
Eigen::VectorXd backbone_slides(const LatchHardware& latch, const Eigen::Vector2d& theta_sum);

/// The bend the latch pulls `theta_sum` onto: the least-squares solution of delta_k = n_k p with n_k the
/// nearest whole numbers, when every |delta_k - n_k p| is within the engage window, before and after; nothing
/// when the bend is not latchable. Backbones all in one plane settle the bend in that plane only. A friction
/// lock (p = 0) holds what it is given.
std::optional<Eigen::Vector2d> latched_bend(const LatchHardware& latch, const Eigen::Vector2d& theta_sum);

/// How the latchable bends lie in the plane of bending angle vectors.
enum class LatticeKind {
  everything,  ///< friction lock, or no backbones: every bend
  lines,       ///< all backbones in one plane: parallel lines of bends
  points       ///< isolated bends
};
LatticeKind lattice_kind(const LatchHardware& latch);

/// All latched bends within `radius_rad` of `centre`, sorted by x then y. Precondition: lattice_kind is
/// points.
std::vector<Eigen::Vector2d> lattice_points(const LatchHardware& latch, const Eigen::Vector2d& centre,
                                            double radius_rad);

/// Hands out the same bends, for an exact latch (exact_latch), until `take` returns false or the effort is
/// cut short; false then. Where they are few, in the order of lattice_points; where a fine pitch makes them
/// many (shares::kLatticeAtOnce), as they are found, row by row from the one nearest to `centre` outwards: no
/// more are made than are taken.
bool for_each_lattice_point(const LatchHardware& latch, const Eigen::Vector2d& centre, double radius_rad,
                            const Effort& effort, const std::function<bool(const Eigen::Vector2d&)>& take);

/// One line of latchable bends: offset + t direction (direction a unit vector).
struct BendLine {
  Eigen::Vector2d offset;
  Eigen::Vector2d direction;
};
/// Hands out all lines within `radius_rad` of `centre`, in order, until `take` returns false; false then.
/// Precondition: lattice_kind is lines.
bool for_each_lattice_line(const LatchHardware& latch, const Eigen::Vector2d& centre, double radius_rad,
                           const std::function<bool(const BendLine&)>& take);
/// All lines within `radius_rad` of `centre`. Precondition: lattice_kind is lines.
std::vector<BendLine> lattice_lines(const LatchHardware& latch, const Eigen::Vector2d& centre,
                                    double radius_rad);

}  // namespace withy
