// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own limits: does every state of a box break one?
//
// Used are only those that a certificate names. Each test answers true only where every state of the box
// breaks it; what it can't tell is false. Source of each: the contract's numbered sections.
//
//   curvature (2)   |u| <= kappa_max in every region; of a frozen region |theta| <= kappa_max f_e(d).
//   tendons (6)     stroke, with continuous routing: pull_k = r_t e_k . sum of theta (- d where the motors
//   stand).
//                   tension: the least total tension that makes the moment EI u pulls with the two tendons on
//                   either side of M' = EI u - T_pre r_t sum e_k, x_i = (M' x e_j) / (r_t e_i x e_j) beyond
//                   T_pre; at the base times exp(mu Lambda). A moment that no tendon can pull to has no
//                   tension at all. lock load: the tip's tensions make EI u, so the load is at least EI |u -
//                   u_frozen|.
#pragma once

#include <string>
#include <vector>

#include "planner/proof/recheck/body.h"

namespace withy::recheck {

/// Which limits a proof may use beside insertion and curvature.
struct LimitsUsed {
  bool clearance = true;
  bool tendons = true;
  bool field = true;
};

class Limits {
 public:
  Limits(const Robot& robot, const LimitsUsed& used);

  /// Does every state of the box break curvature, insertion or the tendons' limits?
  bool broken_by(const Body& body, const StateBox& box) const;
  /// The same of curvature and insertion only.
  bool curvature_broken_by(const Body& body, const StateBox& box) const;

  /// Does some state of the box surely break none? Asked of boxes as small as points. False where tendons run
  /// through disks, whose pulls are not looked at.
  bool may_be_kept_by(const Body& body, const StateBox& box) const;

  /// Does a state (a box of rounding's size) keep every limit to within `share` of it? Empty: it does. Else
  /// what it breaks, in words.
  std::string breach(const Body& body, const StateBox& state, double share) const;

 private:
  struct Loads {
    std::vector<Interval> pull;
    Interval tension;  // largest at the base
    bool possible = true;
    std::vector<Interval> lock_load;  // of the tip's tensions
    Interval friction_moment;         // no friction adds more to a lock's load than its upper end
  };
  Loads loads(const Body& body, const StateBox& box) const;
  Interval tension(const Interval2& u, bool& possible) const;
  std::vector<Interval2> curvatures(const Body& body, const StateBox& box) const;

  const Robot& robot_;
  bool tendons_;
  std::vector<Interval2> direction_;
  std::vector<std::pair<std::size_t, std::size_t>> sectors_;
  bool whole_turn_ = true;  // the sectors go all round
};

}  // namespace withy::recheck
