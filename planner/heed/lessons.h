// SPDX-License-Identifier: GPL-3.0-or-later
// What a look at the elastic body teaches, as the question that the next plan is an answer to.
//
//     too near to the wall       the required clearance is raised by what the elastic body keeps less;
//     a limit broken             the ideal segment's is lowered in proportion;
//     the target's direction     where it is missed, it is turned against half the drift between the ideal
//                                and the elastic tip, its cone shrinking to where both stay inside the one
//                                that was asked for;
//     the target                 moves likewise against half the drift of the tip, whichever of these failed:
//                                a plan that keeps farther from the wall would else end at the edge of the
//                                tolerance, and its elastic body outside. Of the drift only what compensated
//                                pulls leave counts, which the two bending directions don't mend.
#pragma once

#include <optional>
#include <vector>

#include "planner/elastic/follow_plan.h"
#include "planner/search/problem.h"
#include "planner/search/route/route.h"

namespace withy {

class Lessons {
 public:
  /// `problem` must outlive this.
  explicit Lessons(const SearchProblem& problem) : problem_(problem), asked_(problem) {}

  /// The question with all that was learnt. A plan for it is one for the problem as well.
  const SearchProblem& asked() const { return asked_; }

  /// Learns from a plan that was followed to its end with compensated pulls and is not kept. False where that
  /// teaches nothing new. Precondition: no fault.
  bool learn(const Plan& plan, const FollowedPlan& followed);

 private:
  bool learn_clearance(const Plan& plan, const FollowedPlan& followed);
  bool learn_target(const Plan& plan, const FollowedPlan& followed);
  bool learn_direction(const Plan& plan, const FollowedPlan& followed);
  bool learn_limits(const FollowedPlan& followed);

  const SearchProblem& problem_;
  SearchProblem asked_;
};

/// A route whose last state is aimed along a line through the target: along what the elastic tip misses it by
/// with compensated pulls. These meet the target as far as two bending directions go, wherever in its
/// tolerance the plan ends; what such aims change is the insertion. First to half the drift; then, by what
/// two looks say of clearance, miss and direction along the line, taken as linear, to where the least of what
/// they spare, in shares of the tolerances, is greatest.
class AimLine {
 public:
  /// The first look, followed to its end. `problem` must outlive this.
  AimLine(const SearchProblem& problem, const Plan& plan, const FollowedPlan& followed);
  /// Another, of the same route.
  void take(const Plan& plan, const FollowedPlan& followed);
  /// The point to aim at next; nothing where that can't be told, or nowhere is all kept.
  std::optional<Eigen::Vector3d> next_E() const;

 private:
  struct Look {
    double shift_mm = 0.0;  ///< the planned tip is so far from the target, against `away_`
    double miss_mm = 0.0;   ///< the elastic one so far along it
    double clearance_mm = 0.0;
    double direction_rad = 0.0;
  };
  double spared(double shift_mm) const;

  const SearchProblem& problem_;
  Eigen::Vector3d away_ = Eigen::Vector3d::Zero();  // zero: there is no line
  std::vector<Look> looks_;
};

/// The plan by the same switches whose tip is led on to the middle of this goal, or half the way there;
/// nothing where that hardly moves it, or nothing of it holds for the judge's problem.
std::optional<Plan> aimed_anew(const StepJudge& judge, const Plan& plan, const Goal& goal);

}  // namespace withy
