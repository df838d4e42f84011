// SPDX-License-Identifier: GPL-3.0-or-later
// Planners as OMPL knows them: withy's complete search among the stock ones, all on the same problem.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include <ompl/base/Planner.h>

#include "planner/effort/effort.h"
#include "planner/search/ompl/segment_space.h"
#include "planner/search/route/route_search.h"

namespace withy {

/// The complete search (route_search.h) as an ompl::base::Planner. ABORT is a proof that there is no way
/// (this OMPL has no status for that; see proved_none()); TIMEOUT says nothing, and another solve() goes on
/// from there. What depends on the design and the channel alone is laid out by setup(), and anew by clear(),
/// which forgets everything else.
class CompleteSearch : public ompl::base::Planner {
 public:
  explicit CompleteSearch(const OmplProblem& problem);
  void setup() override;
  ompl::base::PlannerStatus solve(const ompl::base::PlannerTerminationCondition& stop) override;
  void clear() override;
  /// Of the last solve().
  bool proved_none() const { return proved_none_; }

 private:
  void lay_out();

  const OmplProblem& problem_;
  std::unique_ptr<RouteSearch> search_;
  bool begun_ = false;  // a further solve() goes on with the search
  const ompl::base::PlannerTerminationCondition* stop_ = nullptr;  // during solve()
  bool proved_none_ = false;
};

/// Names that `stock_planner` knows, in the order of the README.
const std::vector<std::string>& stock_planner_names();

/// A stock OMPL planner by name, with OMPL's own settings; null for a name not in the list.
ompl::base::PlannerPtr stock_planner(const std::string& name, const OmplProblem& problem);

/// The same for OMPL's control planners, which are given the actions as controls.
const std::vector<std::string>& control_planner_names();
ompl::base::PlannerPtr control_planner(const std::string& name, const OmplProblem& problem);

/// The states along a solution, a control path's between its steps included.
std::vector<State> states_along(const ompl::base::Path& path);

/// Runs a stock planner; the route it found, or nothing until the effort was cut short. Its work does not
/// count.
std::optional<Route> route_by_stock_planner(const std::string& name, const OmplProblem& problem,
                                            const Effort& effort, std::uint64_t seed);

}  // namespace withy
