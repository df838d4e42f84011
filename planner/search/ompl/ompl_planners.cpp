// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ompl/ompl_planners.h"

#include <functional>

#include <ompl/base/PlannerTerminationCondition.h>
#include <ompl/control/PathControl.h>
#include <ompl/control/planners/est/EST.h>
#include <ompl/control/planners/kpiece/KPIECE1.h>
#include <ompl/control/planners/pdst/PDST.h>
#include <ompl/control/planners/rrt/RRT.h>
#include <ompl/control/planners/sst/SST.h>
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
namespace oc = ompl::control;
namespace og = ompl::geometric;

namespace {

using Maker = std::function<ob::PlannerPtr(const oc::SpaceInformationPtr&)>;

template <class P>
Maker maker() {
  return [](const oc::SpaceInformationPtr& information) { return std::make_shared<P>(information); };
}

/// SST's radii are lengths in the space's metric. Its own, 0.2 and 0.1, are meant for a space a few units
/// wide; a space of some hundred mm gets the same parts of its extent as ten units would.
ob::PlannerPtr make_sst(const oc::SpaceInformationPtr& information) {
  auto planner = std::make_shared<oc::SST>(information);
  planner->setSelectionRadius(0.02 * information->getMaximumExtent());
  planner->setPruningRadius(0.01 * information->getMaximumExtent());
  return planner;
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

const std::vector<Named>& control() {
  static const std::vector<Named> planners = {
      {"control-rrt", maker<oc::RRT>()},
      {"control-est", maker<oc::EST>()},
      {"control-kpiece", maker<oc::KPIECE1>()},
      {"control-pdst", maker<oc::PDST>()},
      {"control-sst", make_sst},
  };
  return planners;
}

std::vector<std::string> names_of(const std::vector<Named>& planners) {
  std::vector<std::string> names;
  for (const Named& planner : planners) names.push_back(planner.name);
  return names;
}

ob::PlannerPtr make(const std::vector<Named>& planners, const std::string& name, const OmplProblem& problem) {
  for (const Named& planner : planners)
    if (planner.name == name) return planner.make(problem.information());
  return nullptr;
}

}  // namespace

CompleteSearch::CompleteSearch(const OmplProblem& problem)
    : ob::Planner(problem.information(), "CompleteSearch"), problem_(problem) {
  specs_.recognizedGoal = ob::GOAL_REGION;
  specs_.approximateSolutions = false;
  specs_.directed = true;
}

void CompleteSearch::setup() {
  Planner::setup();
  if (!search_) lay_out();
}

void CompleteSearch::clear() {
  Planner::clear();
  proved_none_ = false;
  lay_out();
}

void CompleteSearch::lay_out() {
  RouteSearchSettings settings;
  settings.effort = Effort().until_stop([this] { return stop_ != nullptr && (*stop_)(); });
  search_ = std::make_unique<RouteSearch>(problem_.problem(), settings);
  begun_ = false;
}

ob::PlannerStatus CompleteSearch::solve(const ob::PlannerTerminationCondition& stop) {
  checkValidity();
  proved_none_ = false;
  stop_ = &stop;
  const SearchOutcome outcome = begun_ ? search_->resume() : search_->run(problem_.problem().goal);
  begun_ = true;
  stop_ = nullptr;
  switch (outcome) {
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
  for (const RouteStep& step : search_->route().steps) append(step.to);
  si_->freeState(state);
  pdef_->addSolutionPath(path, false, 0.0, getName());
  return ob::PlannerStatus::EXACT_SOLUTION;
}

const std::vector<std::string>& stock_planner_names() {
  static const std::vector<std::string> names = names_of(stock());
  return names;
}

ob::PlannerPtr stock_planner(const std::string& name, const OmplProblem& problem) {
  return make(stock(), name, problem);
}

const std::vector<std::string>& control_planner_names() {
  static const std::vector<std::string> names = names_of(control());
  return names;
}

ob::PlannerPtr control_planner(const std::string& name, const OmplProblem& problem) {
  return make(control(), name, problem);
}

std::vector<State> states_along(const ob::Path& path) {
  const auto* by_controls = dynamic_cast<const oc::PathControl*>(&path);
  const og::PathGeometric states =
      by_controls != nullptr ? by_controls->asGeometric() : dynamic_cast<const og::PathGeometric&>(path);
  std::vector<State> out;
  for (std::size_t i = 0; i < states.getStateCount(); ++i)
    out.push_back(SegmentSpace::value(states.getState(static_cast<unsigned>(i))));
  return out;
}

std::optional<Route> route_by_stock_planner(const std::string& name, const OmplProblem& problem,
                                            const Effort& effort, std::uint64_t seed) {
  ompl::msg::setLogLevel(ompl::msg::LOG_ERROR);
  ompl::RNG::setSeed(static_cast<std::uint_fast32_t>(seed));
  const auto planner = stock_planner(name, problem);
  const auto definition = problem.definition();
  planner->setProblemDefinition(definition);
  planner->setup();
  const ob::PlannerTerminationCondition end([&effort] { return effort.cut_short(); });
  if (planner->solve(end) != ob::PlannerStatus::EXACT_SOLUTION) return std::nullopt;
  return problem.route_along(states_along(*definition->getSolutionPath()));
}

}  // namespace withy
