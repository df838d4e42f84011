// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own field: does no allowed field switch a lock, in any state of a box?
//
// What a switch of lock i asks of the coils' field B, uniform (scenes/MODEL.md, 17, reserve 1): with n_k(a) =
// t_k x m_k(a) of lock k's magnet at angle a, s the sense of turning,
//     s_i n_i(a) . (B + B_i) >= switch torque + m A   for the angles a of its stroke, s_i towards the other
//     stop; s_j n_j . (B + B_j)    <= hold torque - m A     for every other lock j at its present stop, s_j
//     off it; |B| <= strength_max.
// B_k is the field of the other magnets at lock k: each a dipole, mu0 / (4 pi r^3) (3 (m . r^) r^ - m) (J. D.
// Jackson, "Classical Electrodynamics", 3rd ed., 5.56), resting ones at their stops, the switching one
// anywhere on its stroke: at each angle of it lock j's demand must hold, so some angles of it give demands.
// B_k holds the ambient field too where it is known; A is the strength of one of unknown direction. With
// coils that have places, B differs from lock to lock, and only what lock i asks for itself is held against
// it.
//
// Refused: with a_k . B >= b_k the demands, numbers l_k >= 0 with |sum l_k a_k| strength_max < sum l_k b_k
// (J. Farkas, "Theorie der einfachen Ungleichungen", J. reine angew. Math. 124, 1902). The l_k are found in
// doubles by Hildreth's rule (C. Hildreth, "A quadratic programming procedure", Naval Res. Logistics 4,
// 1957); that they do is checked in intervals for the whole box.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "planner/proof/recheck/body.h"

namespace withy::recheck {

using Interval3 = std::array<Interval, 3>;

class FieldLimits {
 public:
  /// `R_SE`: the entry frame in the scene frame.
  FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field, const Eigen::Matrix3d& R_SE);

  /// Is switching `lock` refused in every state of the box? `body` and `box` as before the switch.
  bool refused(const Body& body, const StateBox& box, int lock) const;

  /// A lock that the other magnets, all at their stops, surely push off its own in every state of the box,
  /// with more than the hold torque; -1: none.
  int pushed_off(const Body& body, const StateBox& box) const;
  /// Do the magnets surely leave one another on their stops in every state of the box?
  bool surely_rest(const Body& body, const StateBox& box) const;
  /// May magnets ever push one another off? Not where 2 m^2 / r^3 of all others, at the least distances that
  /// the curvature limit allows (an arc's chord: A. Schur's theorem, e.g. M. P. do Carmo, "Differential
  /// Geometry of Curves and Surfaces", section 5-7), stays below the hold torque.
  bool may_push_off() const;

  /// Places of the locks' centres, E, mm.
  std::vector<Interval3> places(const Body& body, const StateBox& box) const;

  /// The reserve of switching `lock` with the coils' field `coils_mT` at each lock (E): the largest x with
  /// torque >= x switch torque towards the other stop at every angle of the stroke, and every other lock
  /// pushed off its stop by at most hold torque / x; other magnets and ambient field at their worst. For a
  /// state (a box of rounding's size); `engaged`: locks before the switch, whatever the state's are.
  ///
  /// Over the stroke the torque is a sinusoid of the angle. On less than half a turn one that is positive at
  /// both ends is so between them, hence concave there and least at an end.
  Interval reserve(const Body& body, const StateBox& state, const std::vector<int>& engaged, int lock,
                   const std::vector<Interval3>& coils_mT) const;

 private:
  /// A lock's cross-section over a box of states.
  struct Section {
    Interval3 x;  ///< local axes in E
    Interval3 y;
    Interval3 p;  ///< place, mm, up to what all places share
    bool engaged = false;
  };
  /// One demand a . B >= b.
  struct Demand {
    Interval3 a;
    double b = 0.0;
  };
  std::vector<Section> sections_of(const Body& body, const StateBox& box,
                                   const std::vector<int>& engaged) const;
  Interval3 moment(const Section& section, int lock, const Interval& angle) const;
  Interval3 lever(const Section& section, int lock, const Interval& angle) const;
  /// Of the other magnets, the switching one at `angle` of its stroke, and of the ambient field.
  Interval3 field_of_others(const std::vector<Section>& sections, int at, int switching,
                            const Interval& angle) const;
  std::vector<Demand> demands(const std::vector<Section>& sections, int lock) const;
  bool infeasible(const std::vector<Demand>& demands) const;
  Interval amplitude(const std::vector<Section>& sections, int other, int switching) const;
  Interval push_at_rest(const std::vector<Section>& sections, int lock) const;
  Interval push_reserve(const std::vector<Section>& sections, int other, int switching,
                        const Interval3& coils_mT) const;
  double stop_angle(const Section& section) const;
  Interval angle_at(const Interval& share) const;
  double turning() const;

  const Robot& robot_;
  std::optional<FieldHardware> field_;
  Interval3 ambient_E_;      ///< that is known, mT
  double ambient_mT_ = 0.0;  ///< A
};

}  // namespace withy::recheck
