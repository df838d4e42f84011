// SPDX-License-Identifier: GPL-3.0-or-later
// Where the locks should sit: the layouts that reach the target with the widest clearance.
//
// First the grid (layout_grid.h): as soon as designs are known, every other layout is only asked whether it
// reaches with more clearance than those, and a search that ends without a route settles it (branch and
// bound: A. H. Land and A. G. Doig, "An Automatic Method of Solving Discrete Programming Problems",
// Econometrica 28(3), 1960, with the complete search as its bound). All layouts get a little work before any
// gets much; then a coarse part of the grid is asked, what stands beside the best, and, with a share of the
// work until then, the rest. The clearance of a design is raised step by step until searches find no wider
// route, and they give up the sooner the less work the last wider route took.
//
// Then between the points of the grid, about each of the best: NLopt's GN_DIRECT_L (J. M. Gablonsky and C. T.
// Kelley, "A Locally-Biased Form of the DIRECT Algorithm", J. Global Optimization 21, 2001), which needs no
// derivatives, takes functions with steps, and makes no random choices.
//
// Where errors of a bench are given, the designs kept are each planned to stand most
// (planner/stand/improve.h) and ranked by that: chance to fail, then reserve. Which ones are kept is still a
// matter of clearance.
//
// Until then designs are compared by clearance in steps of kClearanceStep_mm, then by fewer switches, then by
// the weaker field. Deterministic where the clock cuts nothing short: work is counted, not time.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/search/layouts/layout_trial.h"
#include "planner/tolerance/errors.h"

namespace withy {

/// Clearances (mm) closer than this are as good: what a plan's figure may be below the truth.
inline constexpr double kClearanceStep_mm = 0.05;

struct PlaceSettings {
  int locks = 1;
  double station_step_mm = 5.0;
  double clock_step_rad = 0.78539816339744831;  // an eighth of a turn
  std::size_t keep = 3;                         ///< so many best designs are sought
  int polish_trials =
      shares::kPlacePolishTrials;  ///< layouts tried between the points of the grid about each of the best
  /// How large a bench's errors may be: the best are then ranked by what they stand.
  std::optional<ErrorSizes> errors = std::nullopt;
  /// Its work (RouteSearch::work) is for one question about one layout; its clock ends the whole search.
  Effort effort = Effort::of_work(shares::kPlaceWork);
  /// Handed a certificate of each layout that is proved not to reach with the required clearance: one for all
  /// clockings of its stations, or one for each. Its scene is not filled in (name_scene). Empty: none is
  /// made.
  LayoutTrials::Certified certified;
  /// Told what goes on, what is known so far, and the share of what goes on that is done.
  std::function<void(const std::string&, const std::string&, double)> progress =
      [](const std::string&, const std::string&, double) {};
};

struct PlaceResult {
  std::vector<PlacedDesign> best;  ///< best first, at most `keep`
  std::size_t stations = 0;        ///< combinations of stations on the grid
  double clockings = 0.0;          ///< of each
  // What became of those combinations, each with all its clockings:
  std::size_t reached = 0;      ///< a plan was found
  std::size_t unreachable = 0;  ///< proved at the required clearance
  /// Of `unreachable`, those that each place to pass decided, of one clocking at least, by its index.
  std::vector<std::size_t> stopped_at_place = {};
  /// Searched to the end without a route that has more clearance than the best `keep`. That nothing else
  /// makes them better (fewer switches, a weaker field, less than a step of clearance) is not said.
  std::size_t no_better_found = 0;
  std::size_t undecided = 0;  ///< the work, or the time, ran out
  std::int64_t work = 0;
};

/// Is `a` better than `b`?
bool better_design(const PlacedDesign& a, const PlacedDesign& b);

/// `base` is the question with any layout of locks. Precondition: its design has lock hardware.
PlaceResult search_place(const SearchProblem& base, const PlaceSettings& settings);

}  // namespace withy
