// SPDX-License-Identifier: GPL-3.0-or-later
// The segment's states as an OMPL state space, so that any OMPL planner can be put to the same problem.
//
// A state is a withy::State as it stands. Two states of one leaf are joined by a straight motion. Two states
// of leaves that differ by one lock are joined by three steps: a straight motion to a state where that lock
// can be switched, the switch, and a straight motion on; back they are joined by the same steps reversed, as
// planners that search from both ends take for granted. Other pairs are not joined. Distances are those of
// the tip, at most, plus a fixed price for each lock that differs.
#pragma once

#include <memory>
#include <optional>

#include <ompl/base/ProblemDefinition.h>
#include <ompl/base/StateSpace.h>
#include <ompl/base/goals/GoalSampleableRegion.h>
#include <ompl/control/SpaceInformation.h>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/route/joining.h"

namespace withy {

/// A state that no validity checker accepts: what stands for "there is none" where OMPL wants a state.
State past_all_limits();

class SegmentSpace : public ompl::base::StateSpace {
 public:
  class StateType : public ompl::base::State {
   public:
    withy::State value;
  };

  SegmentSpace(const SearchProblem& problem, const BendChart& chart);

  static withy::State& value(ompl::base::State* state) { return state->as<StateType>()->value; }
  static const withy::State& value(const ompl::base::State* state) { return state->as<StateType>()->value; }

  unsigned int getDimension() const override { return 3; }
  double getMaximumExtent() const override;
  double getMeasure() const override;
  void enforceBounds(ompl::base::State* state) const override;
  bool satisfiesBounds(const ompl::base::State* state) const override;
  void copyState(ompl::base::State* to, const ompl::base::State* from) const override;
  bool equalStates(const ompl::base::State* a, const ompl::base::State* b) const override;
  double distance(const ompl::base::State* a, const ompl::base::State* b) const override;
  void interpolate(const ompl::base::State* from, const ompl::base::State* to, double t,
                   ompl::base::State* out) const override;
  ompl::base::StateSamplerPtr allocDefaultStateSampler() const override;
  ompl::base::State* allocState() const override { return new StateType; }
  void freeState(ompl::base::State* state) const override { delete state->as<StateType>(); }
  void registerProjections() override;

  const SearchProblem& problem() const { return problem_; }
  const BendChart& chart() const { return chart_; }

 private:
  const SearchProblem& problem_;
  const BendChart& chart_;
};

/// One problem as OMPL sees it: space, validity, verified motions, actions as controls (action_controls.h),
/// goal. The problem must outlive it.
class OmplProblem {
 public:
  explicit OmplProblem(const SearchProblem& problem);

  /// For geometric planners and for control planners alike.
  const ompl::control::SpaceInformationPtr& information() const { return information_; }
  /// Start and goal. Any path will do: planners that make paths shorter stop at their first.
  ompl::base::ProblemDefinitionPtr definition() const;
  const StepJudge& judge() const { return judge_; }
  const SearchProblem& problem() const { return problem_; }

  /// The route along a solution path of states; motions between them are joined as the space joins them.
  std::optional<Route> route_along(const std::vector<State>& states) const;

 private:
  const SearchProblem& problem_;
  BendChart chart_;
  Hardware hardware_;
  StepJudge judge_;
  ompl::control::SpaceInformationPtr information_;
};

}  // namespace withy
