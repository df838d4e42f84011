// SPDX-License-Identifier: GPL-3.0-or-later
// Errors under which every lock of a plan is proved to engage and to switch, and every limit to hold
// (bench_hardware.h says what these mean on one bench).
//
// With n locks engaged before lock i, |e_j| <= e their errors (n = 0: none), phi = g G + A o (errors.h) with
// |phi| <= g |G| + a o, and s = f_p / f the part of the free region before lock i:
//
// Engaging. The bend up to the lock is off by e_n + s (phi - e_n), so |w| <= r_b ((1 - s) e + s |phi|); in a
// frozen region by a mean of its ends' errors, |w| <= r_b e. A spiral's rim is met within W of w where
// |w| <= h + 0.94 W (its chords keep to 0.05 W of it), its turns where |w| <= h (hunt.h); along a line the
// part of w across it, r_b (1 - s) e at most, must be within W itself. An elastic slide (elastic_slides.h)
// adds |d| to |w|, its part across a line to what is across, and its largest rest takes as much of W: with a
// spiral of the 0.24 W between its turns (hunt.h). Without a hunt |w| and the largest |o_k| are within W
// together.
//
// Switching. Up to the lock the body turns by at most omega = (2 n - 1) e + s (e + |phi|) + alpha (the first
// term none for n = 0), and the lock is off by at most delta = omega s_i + p_e + alpha |p|. A demand
// n . B >= x tau / m + base on the coils' field B at the lock (field.h, 3) then loses
//     |B| h(omega) + |dB/dp| delta          (h the chord; coils.h, 4), and gamma of what is left,
// asks for tau / (m (1 -+ mu)), and its base grows by at most
//     |B_ambient| h(omega) + C (mu + 2 h(omega) + 6 delta / (r - delta) (r / (r - delta))^3),
// C the sum of 2 kDipole m / r^3 over the other magnets at distances r, which is no less than their field;
// the last term for |dD/dr| <= 3 / r of that, both locks being off. It is asked in the planned pose and,
// where a hunt is made, along both its sweeps in steps, omega being larger by the turn of half a step
// between.
//
// Limits. Every motion's states under the errors lie in boxes about parts of it: frozen bends e about the
// first, 2 e about others, free curvatures (e + |phi|) / f about the part's, with a guide none past what the
// segment can bend or the plan bends it (bench.h), whose box is halved for that; so do those of every chord
// of a hunt's sweeps. Hardware::states_over holds these boxes to the limits; a part that is not settled is
// halved, a few times.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "planner/tolerance/bench_hardware.h"
#include "planner/tolerance/directed_bound.h"

namespace withy {

/// A lock at which the field of a switch may not do what it must.
struct FieldFault {
  int lock = 0;
  bool too_strong = false;  ///< for the field's limit
};

/// `hardware` must outlive it.
class ProvedHardware {
 public:
  ProvedHardware(const Hardware& hardware, const Plan& plan, const ElasticSlides& slides = {});

  /// Each: what is not proved under errors of these sizes, as half a sentence; nothing where all is.
  std::optional<std::string> not_engaging(const ErrorSizes& sizes) const;
  std::optional<std::string> not_switching(const ErrorSizes& sizes) const;
  /// The same in the planned poses alone, whatever a hunt sweeps.
  std::optional<std::string> not_switching_as_planned(const ErrorSizes& sizes) const;
  std::optional<std::string> not_within_limits(const ErrorSizes& sizes) const;
  /// The same of the motions alone, and of the sweeps of hunts alone.
  std::optional<std::string> motions_not_within_limits(const ErrorSizes& sizes) const;
  std::optional<std::string> sweeps_not_within_limits(const ErrorSizes& sizes) const;

  const std::vector<PlannedSwitch>& switches() const { return switches_; }
  /// Every state of the plan, each once.
  const std::vector<State>& states() const { return states_; }
  /// Where its hunts ask most of tendons and locks (swept_rims).
  const std::vector<State>& rims() const { return rims_; }

 private:
  /// Sizes as the bounds want them, in one state.
  struct Bends {
    double lock_rad = 0.0;  ///< e
    double free_rad = 0.0;  ///< |phi|
  };
  /// With a guide, at any insertion up to the state's, or the deeper one that is given.
  Bends bends(const State& state, const ErrorSizes& sizes, double deepest_mm = 0.0) const;
  double turn_up_to(const State& state, int lock, const Bends& bends) const;
  bool engages(const PlannedSwitch& planned, const ErrorSizes& sizes) const;
  /// Each: where a switch's field is not proved to do what it must, or nothing.
  std::optional<FieldFault> failing_in_pose(const PlannedSwitch& planned, const State& pose,
                                            double more_turn_rad, const ErrorSizes& sizes) const;
  std::optional<FieldFault> failing_as_planned(const PlannedSwitch& planned, const ErrorSizes& sizes) const;
  std::optional<FieldFault> failing_in_hunt(const PlannedSwitch& planned, const ErrorSizes& sizes) const;
  bool keeps_limits(StateBox box, double most_per_mm, int halvings) const;
  bool keeps_limits(const State& from, const State& to, const ErrorSizes& sizes, int halvings) const;

  const Hardware& hardware_;
  const Design& design_;
  double bend_per_offset_;
  Eigen::Matrix2d set_by_tendons_;
  Eigen::Vector2d insertion_bend_;
  std::vector<PlannedSwitch> switches_;
  std::vector<std::vector<SweepCorners>> sweeps_;  // of each switch whose hunt is made
  std::vector<State> states_;
  std::vector<State> rims_;
  std::vector<std::pair<State, State>> motions_;
};

}  // namespace withy
