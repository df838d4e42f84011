// SPDX-License-Identifier: GPL-3.0-or-later
// One question of a place search: do locks at these stations, in whatever clocking of a list, reach the
// target with so much clearance?
//
// Clockings matter to the field alone. So the search runs without the field first: a proof that there is no
// route then holds for every clocking at once; and a route that is found is asked, switch by switch, which
// clockings allow it. Only where none does, each clocking is searched for itself.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <set>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/search/layouts/layout_grid.h"
#include "planner/search/problem.h"
#include "planner/search/route/route.h"
#include "planner/search/route/route_search_settings.h"

namespace withy {

/// A layout that reaches, and how well.
struct PlacedDesign {
  LockLayout layout;
  Plan plan;  ///< its clearance is what designs are judged by
  int switches = 0;
  double field_mT = 0.0;       ///< strongest that a switch of the plan takes; 0 without [field] or switches
  double field_reserve = 0.0;  ///< least of any switch; infinite without [field] or switches
  std::int64_t work = 0;       ///< of the trial that found it
  std::optional<Standing> standing = {};  ///< of its plan made to stand, where benches were asked for
};

struct Trial {
  Verdict verdict = Verdict::undecided;  ///< at the clearance asked about, for all clockings together
  std::optional<PlacedDesign> design;    ///< reached only: the clocking that switches most surely
  /// unreachable only: the places to pass (their indices) that decided it, of one clocking or another. Such
  /// proofs have no certificate, which speaks of the target alone.
  std::set<std::size_t> places = {};
};

class LayoutTrials {
 public:
  using Certified = std::function<void(recheck::Certificate)>;

  /// `base` is the question with any layout; what it refers to must outlive this. The effort ends every
  /// trial; its work counts for none. `certified`, where there is one, gets the certificates of every
  /// "unreachable" at the base's own clearance.
  LayoutTrials(const SearchProblem& base, std::vector<Clockings> clockings, const Effort& effort,
               Certified certified = {});

  /// Each search does at most `most_work` (RouteSearch::work), the clockings of one trial together at most so
  /// much again. Precondition: a design can have these stations.
  Trial ask(const Stations& stations, double clearance_mm, std::int64_t most_work);

  /// RouteSearch::work of all trials.
  std::int64_t work() const { return work_; }
  const SearchProblem& base() const { return base_; }

 private:
  /// What one search came to.
  struct Searched {
    SearchOutcome outcome = SearchOutcome::stopped;
    Route route;  ///< tidied, after `found`
    std::int64_t work = 0;
    std::optional<recheck::Certificate> certificate;  ///< after `proved_none`, where it is wanted
    std::optional<std::size_t> place;                 ///< after `proved_none`: of a place to pass, which
  };

  Searched search(const SearchProblem& problem, std::int64_t most_work);
  Trial ask_any_clocking(const Stations& stations, double clearance_mm, std::int64_t most_work);
  std::optional<PlacedDesign> surest(const SearchProblem& problem, const Route& route) const;
  Trial ask_each_clocking(const Stations& stations, double clearance_mm, std::int64_t most_work);

  bool wants_certificate(const SearchProblem& problem) const;

  const SearchProblem& base_;
  std::vector<Clockings> clockings_;
  Effort effort_;  // its work is not asked
  Certified certified_;
  std::int64_t work_ = 0;
};

}  // namespace withy
