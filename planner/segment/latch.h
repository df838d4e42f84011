// SPDX-License-Identifier: GPL-3.0-or-later
// Which bends a lock can hold: the notches of the secondary backbones.
#pragma once
#include <optional>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

/// Slide of every backbone (mm) at a lock whose bending angle vectors sum to `theta_sum` (rad) from the base
/// to it: delta_k = r_b (cos psi_k, sin psi_k) . theta_sum.
Eigen::VectorXd backbone_slides(const LatchHardware& latch, const Eigen::Vector2d& theta_sum);

/// The bend the latch pulls `theta_sum` onto: the least-squares solution of delta_k = n_k p with n_k the
/// nearest whole numbers, when every |delta_k - n_k p| is within the engage window; nothing when the bend is
/// not latchable. A friction lock (p = 0) holds what it is given.
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

/// One line of latchable bends: offset + t direction (direction a unit vector).
struct BendLine {
  Eigen::Vector2d offset;
  Eigen::Vector2d direction;
};
/// All lines within `radius_rad` of `centre`. Precondition: lattice_kind is lines.
std::vector<BendLine> lattice_lines(const LatchHardware& latch, const Eigen::Vector2d& centre,
                                    double radius_rad);

}  // namespace withy
