// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own tendons: what a box of states asks of them, enclosed (scenes/MODEL.md, section 9).
//
//   pull      continuous routing: r_t e_k . sum of theta. Through disks at stations 0, h, 2h, .., L: the
//   straight
//             length less the distances from hole to hole. A gap of one curvature u and length l has
//             l sinc(kappa l / 2) (1 - r_t e_k . u), which is Jones and Walker's 2 sin(kappa l / 2) (1 /
//             kappa - r_t cos(phi - beta)) (IEEE Trans. Robotics 22(1), 2006); in any other gap the second
//             hole is placed from the first by the spans and arcs between them. Motors that stand: less d.
//   tension   the least total tension that makes M = EI u pulls, beyond T_pre, with the two tendons on either
//             side of M' = EI u - T_pre r_t sum e_k: x_i = (M' x e_j) / (r_t e_i x e_j). At the base times
//             exp(mu Lambda). Tendons with no neighbour less than half a turn on pull alone, along
//             themselves.
//   lock load |sum t_k r_t e_k - EI u_frozen|, each t_k at its worst between exp(-mu Lambda) and
//             exp(mu Lambda) times T_k. A length is convex, so the worst is at one of the corners: every
//             tendon at one end or the other. Each corner is enclosed, and the worst of them.
#pragma once

#include <string>
#include <vector>

#include "planner/proof/recheck/body.h"

namespace withy::recheck {

class Tendons {
 public:
  /// Precondition: the robot has tendons. It must outlive this.
  explicit Tendons(const Robot& robot);

  /// Of every tendon, mm.
  std::vector<Interval> pulls(const Body& body, const StateBox& box) const;

  struct Tensions {
    /// False: no tensions make the moment in any state of the box.
    bool possible = false;
    /// At the tip, of every tendon, one list for each pair of tendons that may be the one that pulls.
    std::vector<std::vector<Interval>> tip_N;
    Interval exponent;  ///< mu Lambda
    Interval most_N;    ///< the largest at the base
  };
  Tensions tensions(const Body& body, const StateBox& box) const;
  /// The base's, of every tendon: the hull over all pairs.
  std::vector<Interval> at_base(const Tensions& tensions) const;

  /// What each engaged lock carries, N mm. `limit_Nmm`: loads that are surely on one side of it are enclosed
  /// more loosely.
  std::vector<Interval> lock_loads(const Body& body, const StateBox& box, const Tensions& tensions,
                                   double limit_Nmm) const;

  /// Curvatures of all regions, the free one last.
  static std::vector<Interval2> curvatures(const Body& body, const StateBox& box);

 private:
  /// Tendons that pull beyond T_pre; second < 0: one alone.
  struct Pair {
    int first;
    int second;
  };
  bool tensions_of(const Pair& pair, const Interval2& need, std::vector<Interval>& tip_N) const;
  Interval worst_load(const std::vector<Interval>& tip_N, const Interval2& moment, const Interval2& rest,
                      const Interval& grown) const;
  std::vector<Interval> drawn_through_disks(const Body& body, const StateBox& box) const;

  const Robot& robot_;
  std::vector<Interval2> direction_;
  std::vector<Pair> pairs_;
};

}  // namespace withy::recheck
