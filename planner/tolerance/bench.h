// SPDX-License-Identifier: GPL-3.0-or-later
// A plan as one bench with its errors would run it: what its states become, how the body stands to the
// channel.
//
// A channel (1 + sigma) times as large about the entry point is looked at through a body 1 / (1 + sigma)
// times as large in the channel as planned: all its lengths, radii included, divided, its curvatures
// multiplied; distances found there count (1 + sigma) times. A rigid placement goes along with its
// translation divided.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"
#include "planner/plan/answer.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/search/problem.h"
#include "planner/tolerance/errors.h"

namespace withy {

/// Middle of the box around the channel's mesh, in E: what registration turns the channel about.
Eigen::Vector3d middle_of(const Channel& channel);

/// A: bend (rad) from pulls (mm) by least squares, over continuous routing; two rows, no columns without
/// tendons.
Eigen::MatrixXd bend_from_pulls(const Design& design);

/// The bends that a hunt takes the free region through about a planned state, one sweep of it
/// (planner/plan/lock_hunt.h).
struct HuntSweep {
  int lock = 0;
  std::vector<State> corners;                      ///< walked straight from each to the next
  double bend_rad = 0.0;                           ///< most that the region's bend is off the planned one
  Eigen::Vector2d line = Eigen::Vector2d::Zero();  ///< unit vector along which it all is; zero: any way
};

/// One motion of a plan. The route out repeats the route in, so each is listed once.
struct PlannedMotion {
  State from;
  State to;
  int action = 0;                                 ///< index into the plan's actions
  std::optional<HuntSweep> sweep = std::nullopt;  ///< then `from` and `to` are the state that is swept about
  bool in_front = false;                          ///< as planned none of the body passes the entry plane
};

/// A plan's motions, whatever the plan file says of their clearance, and after them the sweeps of hunts that
/// are made.
std::vector<PlannedMotion> motions_of(const Plan& plan, const MotionVerifier& verifier);

/// Does a body touch the wall? In order of how bad it is.
enum class Contact {
  clear,   ///< proved not to
  close,   ///< within kClearanceSlack_mm (planner/proof/lemmas/verify.h) of touching: not told
  touches  ///< proved to
};

class Bench {
 public:
  /// `channel_centre_E` is what registration turns the channel about.
  Bench(const Design& design, const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E);
  /// The same with bend_from_pulls at hand: for many benches of one design.
  Bench(const Design& design, const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E,
        const Eigen::MatrixXd& bend_per_pull);

  /// What the planned state becomes.
  State state(const State& planned) const;

  /// How this bench fares over the whole motion.
  Contact contact(const PlannedMotion& motion, const ChannelDistance& distance) const;

  /// Its clearance over the whole motion, as far as it takes to tell whether it is at least `required_mm`;
  /// infinite: within kClearanceSlack_mm.
  MotionClearance clearance(const PlannedMotion& motion, const ChannelDistance& distance,
                            double required_mm = kInfinity) const;

  /// The states that it passes, as the channel sees them: straight from each to the next, evenly over the
  /// motion; of a sweep its corners.
  std::vector<State> run_in_channel(const PlannedMotion& motion) const;
  /// The free curvature (1/mm, as it is) at the corners of a sweep.
  std::vector<Eigen::Vector2d> swept_bends(const HuntSweep& sweep) const;
  /// The body and where its carriage stands, as the channel sees them.
  Design design_in_channel() const;
  BodyPlacement placement_in_channel() const;
  /// 1 + sigma: what a length there is less than a real one.
  double scale() const { return scale_; }

  /// Distance (mm) from the tip of a planned state, as it comes out, to the target, as that lies.
  double tip_error(const State& planned, const Goal& goal) const;

  /// Does it end within the target's tolerance of place and direction, as the channel lies?
  bool hits(const State& planned, const Goal& goal) const;

  const ErrorDraw& errors() const { return errors_; }
  const Design& design() const { return design_; }

 private:
  Eigen::Isometry3d tip_in_channel(const State& planned) const;
  State scaled(const State& planned) const;

  const Design& design_;
  const ErrorDraw& errors_;
  Eigen::Isometry3d X_EB_;  // the carriage's frame in the channel's
  Eigen::Vector2d offset_bend_ = Eigen::Vector2d::Zero();
  Eigen::Vector2d insertion_bend_;  // for each mm
  Eigen::Matrix2d set_by_tendons_;
  double scale_;
};

}  // namespace withy
