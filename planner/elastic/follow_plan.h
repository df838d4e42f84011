// SPDX-License-Identifier: GPL-3.0-or-later
// A plan's pulls played to the elastic body, action by action.
//
// The motors go where the plan's motions send them: insertion and the ideal segment's curvature linear, the
// pulls those of the ideal segment plus corrections. The body follows in steps along which the ideal tip
// moves by about kLookStep_mm, so that friction sees every turn. Where a lock engages off its notch or opens
// under load the body snaps: its way there is looked at along bodies_between. Each step is looked at:
// clearance at stations at most kStation_mm apart, both radii at the ends of lock bodies. That is a dense
// look and no proof.
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/effort/effort.h"
#include "planner/elastic/elastic_segment.h"
#include "planner/motion/clearance.h"
#include "planner/plan/answer.h"
#include "planner/plan/pull_corrections.h"

namespace withy {

inline constexpr double kLookStep_mm = 0.5;
/// Where many are followed, or pulls are looked for. Chosen: `withy elastic` looks four times as densely.
inline constexpr double kCoarseStep_mm = 2.0;
inline constexpr double kStation_mm = 1.0;
/// Bodies kept of one action, where they are asked for: enough for the eye, which sees them joined linearly.
inline constexpr int kKeptBodies = 12;

/// The elastic body in one state of the plan.
struct FollowedState {
  ElasticState state;
  ElasticReading reading;
  double tip_shift_mm = 0.0;   ///< from the ideal tip
  double body_shift_mm = 0.0;  ///< the most along the body
  double clearance_mm = kInfinity;
  bool unstable = false;  ///< ElasticSegment::unstable, where asked for
};

/// The most that limits are held against, of all bodies taken.
struct ElasticExtremes {
  double pull_mm = 0.0;        ///< of any tendon, either way
  double base_N = 0.0;         ///< tension of any tendon at the base
  double lock_load_Nmm = 0.0;  ///< of any lock
  double compression_N = 0.0;  ///< of any held backbone

  void take(const ElasticState& state, const ElasticReading& reading);
};

/// The body at one moment of an action.
struct FollowedBody {
  double t = 0.0;                         ///< fraction of the action
  std::vector<Eigen::Vector3d> points_E;  ///< its centreline, base to tip, evenly spread
};

struct FollowedAction {
  int from = 0;
  int to = 0;
  int steps = 0;
  double clearance_mm = kInfinity;  ///< least over its steps
  double body_shift_mm = 0.0;       ///< most over its steps
  /// lock: each backbone's own slide less the planned one (mm), and the farthest.
  Eigen::VectorXd slide_off_mm = {};
  double slide_error_mm = 0.0;
  /// lock, unlock: how far the tip moves by the switch alone.
  double jump_mm = 0.0;
  std::vector<FollowedBody> bodies;  ///< in order; empty unless asked for
};

struct FollowedPlan {
  std::vector<FollowedState> states;    ///< as the plan's
  std::vector<FollowedAction> actions;  ///< as the plan's
  std::optional<ElasticFault> fault;    ///< what ended it early; states and actions are then shorter
  double clearance_mm = kInfinity;
  ElasticExtremes most;
  int steps = 0;
  std::int64_t work = 0;  ///< as Effort counts it
};

/// How the wall stands to the entry frame that motions are made in.
struct WallPlacement {
  Eigen::Isometry3d X_WE = Eigen::Isometry3d::Identity();
  double scale = 1.0;  ///< the wall is so many times as large, about its entry point
};

/// What the motors make of the pulls that they are told.
struct PullErrors {
  double gain = 0.0;          ///< all pulls are (1 + gain) times what they should be
  Eigen::VectorXd offset_mm;  ///< of each tendon's zero; empty: none
};

struct FollowSettings {
  int elements = kUsualElements;
  double step_mm = kLookStep_mm;
  /// Stations of the bodies that are kept of each action; 0: none.
  int body_stations = 0;
  /// The wall; null: clearances are left out.
  const ChannelDistance* distance = nullptr;
  WallPlacement placement = {};
  PullErrors pull_errors = {};
  /// Are states asked whether they are stable?
  bool wants_stability = false;
  /// What it may take; null: no bound. Where it is spent, what is followed ends there.
  const Effort* effort = nullptr;
  /// Where the tip and the body are compared with; null: the design followed. For benches that are not the
  /// design the plan was made for.
  const Design* planned = nullptr;
};

/// Ideal pulls (of the motors) in a state.
Eigen::VectorXd ideal_pulls(const Design& design, const State& state);

/// How many steps a motion is followed in.
int steps_of_motion(const Design& design, const State& from, const State& to, double step_mm);

/// The states that the sweep of a lock action passes, `before` first and last; empty where there is none.
std::vector<State> sweep_states(const Design& design, const State& before, const PlannedAction& action);

/// The least clearance (mm) of a body's stations beyond the entry plane, the shaft's included; infinite where
/// there is none.
double clearance_of(ElasticSegment& segment, const ElasticState& state, const ChannelDistance& distance,
                    const WallPlacement& placement = {});

/// On the straight way of the strains from one body to another of the same insertion, neither among them, so
/// many that no point of the body moves by more than `step_mm` (`kMostBetween` at most). They aren't in
/// equilibrium.
std::vector<ElasticState> bodies_between(ElasticSegment& segment, const ElasticState& from,
                                         const ElasticState& to, double step_mm);
inline constexpr int kMostBetween = 400;

FollowedPlan follow_plan(const Design& design, const Plan& plan, const PullCorrections& corrections,
                         const FollowSettings& settings);

/// The largest difference of slides, tips and clearances (mm) when all elements are halved; infinite where no
/// equilibrium is found on the way.
double halving_error_mm(const Design& design, const Plan& plan, const PullCorrections& corrections,
                        const FollowSettings& settings);

}  // namespace withy
