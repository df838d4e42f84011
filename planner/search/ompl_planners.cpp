// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ompl_planners.h"

#include <functional>

#include <ompl/base/PlannerTerminationCondition.h>
#include <ompl/base/goals/GoalRegion.h>
#include <ompl/geometric/PathGeometric.h>
#include <ompl/geometric/planners/est/BiEST.h>
#include <ompl/geometric/planners/est/EST.h>
#include <ompl/geometric/planners/kpiece/KPIECE1.h>
#include <ompl/geometric/planners/kpiece/LBKPIECE1.h>
#include <ompl/geometric/planners/prm/PRM.h>
#include <ompl/geometric/planners/rrt/RRT.h>
#include <ompl/geometric/planners/rrt/RRTConnect.h>
#include <ompl/geometric/planners/sbl/SBL.h>
#include <ompl/util/Console.h>
#include <ompl/util/RandomNumbers.h>

namespace withy {

namespace ob = ompl::base;
namespace og = ompl::geometric;

namespace {

using Maker = std::function<ob::PlannerPtr(const ob::SpaceInformationPtr&)>;

template <class P>
Maker maker() {
  return [](const ob::SpaceInformationPtr& information) { return std::make_shared<P>(information); };
}

struct Named {
  std::string name;
  Maker make;
};

const std::vector<Named>& stock() {
  static const std::vector<Named> planners = {
      {"rrt", maker<og::RRT>()},
      {"rrt-connect", maker<og::RRTConnect>()},
      {"prm", maker<og::PRM>()},
      {"est", maker<og::EST>()},
      {"bi-est", maker<og::BiEST>()},
      {"kpiece", maker<og::KPIECE1>()},
      {"lb-kpiece", maker<og::LBKPIECE1>()},
      {"sbl", maker<og::SBL>()},
  };
  return planners;
}

}  // namespace

CompleteSearch::CompleteSearch(const OmplProblem& problem)
    : ob::Planner(problem.information(), "CompleteSearch"), problem_(problem) {
  specs_.recognizedGoal = ob::GOAL_REGION;
  specs_.approximateSolutions = false;
  specs_.directed = true;
}

void CompleteSearch::clear() {
  Planner::clear();
}

ob::PlannerStatus CompleteSearch::solve(const ob::PlannerTerminationCondition& stop) {
  checkValidity();
  RouteSearchSettings settings;
  settings.stop = [&] { return stop(); };
  RouteSearch search(problem_.problem(), settings);
  switch (search.run()) {
    case SearchOutcome::stopped:
      return ob::PlannerStatus::TIMEOUT;
    case SearchOutcome::proved_none:
      proved_none_ = true;
      return ob::PlannerStatus::ABORT;
    case SearchOutcome::found:
      break;
  }
  auto path = std::make_shared<og::PathGeometric>(si_);
  ob::State* state = si_->allocState();
  const auto append = [&](const State& value) {
    SegmentSpace::value(state) = value;
    path->append(state);
  };
  append(start_state());
  for (const RouteStep& step : search.route().steps) append(step.to);
  si_->freeState(state);
  pdef_->addSolutionPath(path, false, 0.0, getName());
  return ob::PlannerStatus::EXACT_SOLUTION;
}

const std::vector<std::string>& stock_planner_names() {
  static const std::vector<std::string> names = [] {
    std::vector<std::string> out;
    for (const Named& planner : stock()) out.push_back(planner.name);
    return out;
  }();
  return names;
}

ob::PlannerPtr stock_planner(const std::string& name, const OmplProblem& problem) {
  for (const Named& planner : stock())
    if (planner.name == name) return planner.make(problem.information());
  return nullptr;
}

std::optional<Route> route_by_stock_planner(const std::string& name, const OmplProblem& problem,
                                            double seconds, std::uint64_t seed) {
  ompl::msg::setLogLevel(ompl::msg::LOG_ERROR);
  ompl::RNG::setSeed(static_cast<std::uint_fast32_t>(seed));
  const auto planner = stock_planner(name, problem);
  const auto definition = problem.definition();
  planner->setProblemDefinition(definition);
  planner->setup();
  if (planner->solve(ob::timedPlannerTerminationCondition(seconds)) != ob::PlannerStatus::EXACT_SOLUTION)
    return std::nullopt;
  const auto* path = definition->getSolutionPath()->as<og::PathGeometric>();
  std::vector<State> states;
  for (std::size_t i = 0; i < path->getStateCount(); ++i)
    states.push_back(SegmentSpace::value(path->getState(i)));
  return problem.route_along(states);
}

}  // namespace withy
