// SPDX-License-Identifier: GPL-3.0-or-later
// The complete search: cells of all leaves, searched backward from the target, cut finer only where a way
// would lead.
//
// Cells are proved free or blocked as wholes (cell_probe.h); what is neither is mixed. They are kept in a
// store (cell_store.h). A way through free and mixed cells, leaf to leaf by links (links.h), is sought from
// the target's cells to the start by A* (cell_search.h):
//   * none: no state that reaches the target lies outside the cells that were reached, and the start does.
//   That is a proof.
//   * one whose every motion verifies exactly, also where it leads through free cells (way_threader.h): that
//   is a plan.
//   * else its mixed cells are split and the search goes on.
// This is cell decomposition with exact labels (D. Zhu and J.-C. Latombe, "New Heuristic Algorithms for
// Efficient Hierarchical Path Planning", IEEE Trans. Robotics and Automation 7(1), 1991), on the graph of
// leaves that the locks make. Before it, a short attempt seeks a simple route (direct_attempt.h); what it
// does not find proves nothing. Where that is asked for, proofs that leave most of the design out come before
// the cells as well (planner/proof/relaxations): the dimensions that locks add cost them nothing.
// So do, where asked for, boxes as wide as their leaves (planner/search/cells/span_proof.h): a little before
// the cells, more of them whenever the cells have taken a few times as long.
#pragma once

#include <iosfwd>
#include <optional>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/cells/cell_store.h"
#include "planner/search/cells/field_gate.h"
#include "planner/search/cells/span_proof.h"
#include "planner/search/route/cell_search.h"
#include "planner/search/route/direct_attempt.h"
#include "planner/search/route/known_states.h"
#include "planner/search/route/route.h"
#include "planner/search/route/route_search_settings.h"
#include "planner/search/route/search_work.h"
#include "planner/search/route/way_threader.h"

namespace withy {

/// Searches of one problem (which must outlive it) but for its goal. Deterministic: no randomness, no clock
/// but in the effort.
///
/// Cells and links don't depend on the target. So one search can answer for many, one after the other. What
/// it has found by then speeds up the next: after `found`, keep_route() makes every state of the route a
/// place to start from as good as the start; after `proved_none`, bury() takes the cells that were reached
/// out of the game, since no state in them comes from the start whatever the target is (every action can be
/// undone).
class RouteSearch {
 public:
  RouteSearch(const SearchProblem& problem, RouteSearchSettings settings);

  /// Seeks a route to `goal`; the problem's own is not asked for.
  SearchOutcome run(const Goal& goal);
  /// The same, with so much work from here on.
  SearchOutcome run(const Goal& goal, std::int64_t more_work);
  /// Goes on with the last goal. Precondition: a run().
  SearchOutcome resume();

  /// See DirectAttempt::way_out; the goal has no say in it.
  WayOut way_out(const State& from, const LockSet& held);

  /// What the search holds motions and switches against.
  const StepJudge& judge() const { return judge_; }

  void keep_route();  ///< precondition: the last run() found
  void bury();        ///< precondition: the last run() proved that there is none

  const Route& route() const { return found_.route; }  ///< after `found`
  /// So many of its first steps are those of a route that was kept. After `found`.
  std::size_t steps_known() const { return found_.steps_known; }
  Coverage coverage() const;  ///< precondition: a run()
  std::int64_t checks() const { return work_.checks(); }
  /// What the search has done so far, in a measure that does not depend on the machine: about microseconds of
  /// a fast one.
  std::int64_t work() const { return work_.done(); }

  /// The cells, and what the last run() knows of ways from them to its goal. After proved_none the reached
  /// cells hold every state that can reach the target.
  const CellStore& cells() const { return store_; }
  const CellLabels& labels() const { return cell_search_->labels(); }  ///< precondition: a run()
  /// The cells that the search has reached as JSON lines (reached_cells.h). Precondition: a run().
  void write_reached_cells(std::ostream& out) const;

  /// What the last run() rests on where it proved that there is none.
  ProofKind proof() const { return proof_; }
  /// Boxes that spans of insertion took in the last run(), where they proved it.
  std::int64_t span_looks() const { return spans_->looks_at_goal(); }
  /// What they know then: the buried cells hold every state that can reach the target.
  const CellStore& span_cells() const { return spans_->cells(); }
  /// Is it known that no lock can ever be engaged? Then only the leaf without engaged locks was searched.
  bool switchless() const { return switchless_; }

  /// The state whose tip came nearest to the target on any way that was tried by exact motions, and what
  /// stopped that way.
  const std::optional<Approach>& best_approach() const { return best_approach_; }

 private:
  void start_over();
  bool prove_by_relaxations();
  void begin_spans();
  std::int64_t first_span_work() const;
  bool prove_by_spans(std::int64_t most_work);
  bool spans_prove_by_now();
  std::optional<FoundRoute> without_cells();
  std::optional<Route> try_directly();
  std::optional<Route> try_notches();
  SearchOutcome search_cells();
  bool refine_coarse(const std::vector<CellRef>& way);
  bool refine_failed(const std::vector<CellRef>& way, const Threading& failed);
  bool refine_or_give_up(const CellRef& ref);
  void note_approach(const Threading& failed);

  const SearchProblem& problem_;
  RouteSearchSettings settings_;
  CellStore store_;
  FieldGate gate_;
  SearchWork work_;
  StepJudge judge_;
  KnownStates known_;
  WayThreader threader_;
  std::optional<SpanProof> spans_;  // from its first use on
  int coarse_ways_ = 0;
  bool switchless_ = false;

  // Of the last goal.
  Goal goal_;
  std::optional<CellSearch> cell_search_;
  ProofKind proof_ = ProofKind::cells;
  bool relaxations_due_ = false;
  bool spans_due_ = false;     // they may prove something yet
  bool spans_tried_ = false;   // before the cells
  bool spans_begun_ = false;   // with this goal
  std::int64_t run_from_ = 0;  // work done before
  std::int64_t spans_at_ = 0;  // work of the cells at which spans go on
  FoundRoute found_;
  std::optional<Approach> best_approach_;
};

}  // namespace withy
