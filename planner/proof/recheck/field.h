// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own field: does no allowed field switch a lock, in any state of a box?
//
// What a switch of lock i asks of the coils' field B, uniform (contract: model.md section 7, bench.md section
// 2, reserve 1): with n_k(a) = t_k x m_k(a) of lock k's magnet at angle a, s the sense of turning,
//     s_i n_i(a) . (B + B_i) >= switch torque + m A   for the angles a of its stroke, s_i towards the other
//     stop; s_j n_j . (B + B_j)    <= hold torque - m A     for every other lock j at its present stop, s_j
//     off it; |B| <= strength_max.
// B_k is the field of the other magnets at lock k: each a dipole, mu0 / (4 pi r^3) (3 (m . r^) r^ - m) (J. D.
// Jackson, "Classical Electrodynamics", 3rd ed., 5.56), resting ones at their stops, the switching one
// anywhere on its stroke. A is the strength of the disturbing field of unknown direction. Where the segment's
// table of the field knows no disturbing field, planning knows neither A nor B_k; a switch then counts as
// refused only if it is so with them and without. With coils that have places, B differs from lock to lock,
// and only what lock i asks for itself is held against it.
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
  FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field);

  /// Is switching `lock` refused in every state of the box? `body` and `box` as before the switch.
  bool refused(const Body& body, const StateBox& box, int lock) const;

  /// What keeps the field B from switching `lock` in a state (a box of rounding's size): too strong, too
  /// little torque at some angle of the stroke, another lock turned off its stop. Empty: nothing. Magnets act
  /// on one another as said above where planning knows of that.
  std::string fault_of(const Body& body, const StateBox& state, int lock, const Eigen::Vector3d& B_E) const;

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
  std::vector<Section> sections_of(const Body& body, const StateBox& box) const;
  Interval3 moment(const Section& section, int lock, const Interval& angle) const;
  Interval3 lever(const Section& section, int lock, const Interval& angle) const;
  Interval3 field_of_others(const std::vector<Section>& sections, int at, int switching,
                            const Interval& switching_angle) const;
  std::vector<Demand> demands(const std::vector<Section>& sections, int lock, bool coupled) const;
  bool infeasible(const std::vector<Demand>& demands) const;
  double stop_angle(const Section& section) const;
  Interval stroke() const;

  const Robot& robot_;
  std::optional<FieldHardware> field_;
  bool coupling_is_planned_ = false;
  bool uniform_ = true;
  double ambient_mT_ = 0.0;        ///< A
  double known_ambient_mT_ = 0.0;  ///< strength of a disturbing field of known direction
};

}  // namespace withy::recheck
