// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own field: does no allowed field switch a lock, in any state of a box?
//
// What a switch of lock i asks of the field B (contract, section 7, and bench.md section 2): for the angles a
// of its stroke, s_i (t_i x m_i(a)) . B + c >= switch torque; for every other lock j at its present stop, s_j
// (t_j x m_j) . B + c <= hold torque, s the sense of turning (away from the stop); |B| <= strength_max. c is
// what the other locks' magnets add, at most mu0 m^2 / (2 pi r^3) from each, r the distance along the
// straight segment less what bending can take off; where nothing is known of r, nothing is proved. So with or
// without coupling, and with or without a disturbing field (which only asks for more), refused here is
// refused by the contract.
//
// Refused: with a_k . B >= b_k the demands, numbers l_k >= 0 with |sum l_k a_k| strength_max < sum l_k b_k
// (J. Farkas, "Theorie der einfachen Ungleichungen", J. reine angew. Math. 124, 1902). The l_k are found in
// doubles by Hildreth's rule (C. Hildreth, "A quadratic programming procedure", Naval Res. Logistics 4,
// 1957); that they do is checked in intervals for the whole box.
#pragma once

#include <string>

#include "planner/proof/recheck/body.h"

namespace withy::recheck {

class FieldLimits {
 public:
  FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field);

  /// Is switching `lock` refused in every state of the box? `body` and `box` as before the switch.
  bool refused(const Body& body, const StateBox& box, int lock) const;

  /// What keeps the field B from switching `lock` in a state (a box of rounding's size): too strong, too
  /// little torque at some angle of the stroke, another lock turned off its stop. Empty: nothing. Coupling is
  /// left out.
  std::string fault_of(const Body& body, const StateBox& state, int lock, const Eigen::Vector3d& B_E) const;

 private:
  const Robot& robot_;
  std::optional<FieldHardware> field_;
};

}  // namespace withy::recheck
