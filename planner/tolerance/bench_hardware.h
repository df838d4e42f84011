// SPDX-License-Identifier: GPL-3.0-or-later
// How one bench fares at a plan's switches and limits.
//
// Engaging. Lock i stands in the free region, f_p of the region's exposed flexible length f before it. Where
// the plan has the bend up to it on a notch, the bench has it off by dTheta, which shows as the slide
// w = r_b dTheta (hunt.h), e_k . w at backbone k. The latch drops in where
//   no hunt   |e_k . w| <= W for every backbone, W the engage window;
//   a hunt    the same of p + w for some point p of its track: on a chord from p_0 to p_1 these are the
//             intersection of one interval of fractions for each backbone,
// and no other notch may be found, which is sure where |w| + h + W < pitch / 2, h the hunt's radius or 0.
// Where an elastic slide (elastic_slides.h) is counted, w has its d besides, backbone k its rest beside
// e_k . w, and the largest rest joins |w|.
// A lock in a frozen region, or with no flexible length before it, has the slide of what holds it; no hunt
// moves it. A friction lock engages on every bend, and holds the one that the tendons gave it, their errors
// and those of locks engaged before it included: with E the error of the bend up to it then, e_i its
// backlash, it has e_i + E from there on.
//
// Switching. The plan's currents, 1 + gamma times as strong, act on magnets 1 + mu times as strong in the
// poses that the bench's body has, which the carriage has brought elsewhere and turned. It switches where the
// reserve of that (field.h) is 1 or more and the field within its limit at every lock.
//
// Limits: stroke, tension and lock load (hardware.h) of the states that the bench comes to, at the rims of
// hunts too.
#pragma once

#include <vector>

#include "planner/plan/answer.h"
#include "planner/segment/hardware.h"
#include "planner/segment/hunt.h"
#include "planner/tolerance/bench.h"
#include "planner/tolerance/elastic_slides.h"

namespace withy {

/// One switch of a plan. The way out switches the same locks in the same states the other way round, so each
/// is listed by itself.
struct PlannedSwitch {
  State before;
  int lock = 0;
  bool engages = false;
  Currents current_A;  ///< none where the field is not checked
  HuntTrack hunt;      ///< none where none is made
  int action = 0;      ///< index into the plan's actions
  ElasticSlide elastic = {};
};

std::vector<PlannedSwitch> switches_in(const Design& design, const Plan& plan,
                                       const ElasticSlides& slides = {});

/// Every state of a plan, each once.
std::vector<State> states_in(const Plan& plan);

/// One bench's errors with what friction locks froze of them (bend_at_lock). One draw, and where a lock
/// engages again, one more for what it held before: each is the bench's for some part of the plan.
/// `bend_per_pull` is bend_from_pulls.
std::vector<ErrorDraw> with_frozen_errors(const Design& design, const std::vector<PlannedSwitch>& switches,
                                          const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E,
                                          const Eigen::MatrixXd& bend_per_pull);

/// The states at the rims of the sweeps of a plan's hunts: pulls, tensions and lock loads are greatest there,
/// each of them growing with the bend along a line.
std::vector<State> swept_rims(const Design& design, const Plan& plan);

/// The bench of a design as far as switches and limits go; all must outlive it.
class BenchHardware {
 public:
  BenchHardware(const Hardware& hardware, const Bench& bench) : hardware_(hardware), bench_(bench) {}

  /// w: how far the slides at a lock are off the planned ones by the errors.
  Eigen::Vector2d slide_error_mm(const State& before, int lock) const;

  /// Does the latch drop in where it is to? True of a lock that lets go.
  bool engages(const PlannedSwitch& planned) const;

  /// Do the planned currents switch the lock alone, within the field's limit?
  bool switches(const PlannedSwitch& planned) const;

  bool keeps_limits(const State& planned) const { return !hardware_.state_breach(bench_.state(planned)); }

 private:
  const Hardware& hardware_;
  const Bench& bench_;
};

}  // namespace withy
