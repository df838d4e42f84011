// SPDX-License-Identifier: GPL-3.0-or-later
// The complete search: cells of all leaves, searched backward from the target, cut finer only where a way
// would lead.
//
// Cells are proved free or blocked as wholes (cell_probe.h); what is neither is mixed. A way through free and
// mixed cells, leaf to leaf by links (links.h), is sought from the target's cells to the start by A*:
//   * none: no state that reaches the target lies outside the cells that were reached, and the start does.
//   That is a proof.
//   * one, through free cells only, or through mixed ones whose motions verify exactly: that is a plan.
//   * else its mixed cells are split and the search goes on.
// This is cell decomposition with exact labels (D. Zhu and J.-C. Latombe, "New Heuristic Algorithms for
// Efficient Hierarchical Path Planning", IEEE Trans. Robotics and Automation 7(1), 1991), on the graph of
// leaves that the locks make.
#pragma once

#include <functional>
#include <iosfwd>
#include <limits>
#include <map>
#include <memory>
#include <optional>
#include <vector>

#include "planner/search/answer.h"
#include "planner/search/cell_probe.h"
#include "planner/search/links.h"
#include "planner/search/route.h"
#include "planner/search/thread.h"

namespace withy {

struct RouteSearchSettings {
  double coarse_travel_mm = 6.0;  ///< mixed cells coarser than this are split at once, on sight
  double attempt_travel_mm =
      1.0;  ///< mixed cells finer than this are tried by exact motions before they are split
  double finest_travel_mm = 0.004;  ///< mixed cells finer than this are not split any more
  int most_switches = 1000;         ///< ways with more switches are not looked at
  std::int64_t most_work = std::numeric_limits<std::int64_t>::max();  ///< see work()
  /// Asked often: true ends the search undecided.
  std::function<bool()> stop = [] { return false; };
};

enum class SearchOutcome { found, proved_none, stopped };

/// One search of one problem (which must outlive it). Deterministic: no randomness, no clock but in `stop`.
class RouteSearch {
 public:
  RouteSearch(const SearchProblem& problem, RouteSearchSettings settings);
  ~RouteSearch();

  SearchOutcome run();

  /// What the search holds motions and switches against.
  const StepJudge& judge() const { return judge_; }
  const Route& route() const { return route_; }  ///< after `found`
  Coverage coverage() const;
  std::int64_t checks() const { return probe_.checks() + goal_checks_; }
  /// What the search has done so far, in a measure that does not depend on the machine: about microseconds of
  /// a fast one.
  std::int64_t work() const { return 10 * checks() + 4 * expansions_ + 1000 * tries_; }

  /// The cells of the last optimistic search as JSON lines: leaf, u-cell, d-interval. After proved_none they
  /// hold every state that can reach the target.
  void write_reached_cells(std::ostream& out) const;

  /// The state whose tip came nearest to the target on any way that was tried by exact motions, and what
  /// stopped that way.
  const std::optional<Approach>& best_approach() const { return best_approach_; }

 private:
  struct CellRef {
    int leaf = -1;
    int cell = -1;
    bool operator==(const CellRef&) const = default;
  };
  struct Visit {
    double cost = 0.0;
    CellRef next;   ///< towards the target
    int lock = -1;  ///< the lock that switches on the way to `next`; -1 within a leaf
    bool engages = false;
    bool closed = false;
    std::uint32_t stamp = 0;
    std::int16_t switches = 0;
  };
  struct LeafRecord {
    Leaf leaf;
    CellTree tree;
    std::vector<Visit> visits;
    std::vector<int> goal_cells;
    std::vector<bool> stuck;
    bool goals_sought = false;
  };
  struct QueueEntry {
    double key;
    std::uint64_t order;
    CellRef ref;
    bool operator<(const QueueEntry& other) const {
      return key != other.key ? key > other.key : order > other.order;
    }
  };
  enum class SwitchRule : unsigned char { both_ways, one_way, never };

  int leaf_index(const Leaf& leaf);
  bool leaf_possible(const Leaf& leaf) const;
  void open_goal_leaves(int engaged_count);
  void open_leaves_from(const Leaf& leaf, int next_lock, int still_to_engage, std::vector<int>& out);
  void seek_goals(int leaf, int cell, std::vector<int>& found);
  void seed(int leaf);

  enum class Sweep : unsigned char { start_reached, exhausted, stopped };
  Sweep search_once();
  void expand(const CellRef& ref);
  void reach(const CellRef& from, int leaf, const Box& query, int lock, bool engages, double extra);
  void relax(const CellRef& from, const CellRef& to, int lock, bool engages, double extra);
  void push(const CellRef& ref, double cost);
  double heuristic(const CellRef& ref) const;
  double cell_penalty(const CellRef& ref) const;
  CellStatus look(const CellRef& ref);
  void refine(const CellRef& ref);
  void split(const CellRef& ref);
  bool holds_start(const CellRef& ref) const;
  bool must_stop() const { return work() > settings_.most_work || settings_.stop(); }
  SwitchRule switch_rule(int leaf, const SwitchLink& link, int other);

  std::vector<CellRef> path_from(CellRef start) const;
  bool refine_coarse(const std::vector<CellRef>& path);
  void note_approach(const Threading& threading);
  bool try_straight_for_it();
  /// True: route_ holds the way. Else what failed was refined; false in `progress` when nothing was left to
  /// refine.
  bool try_path(const std::vector<CellRef>& path, bool& progress);

  LeafRecord& record(int leaf) { return *leaves_[static_cast<std::size_t>(leaf)]; }
  const LeafRecord& record(int leaf) const { return *leaves_[static_cast<std::size_t>(leaf)]; }
  Box box(const CellRef& ref) const { return record(ref.leaf).tree.box(ref.cell); }
  Visit& visit(const CellRef& ref);

  const SearchProblem& problem_;
  RouteSearchSettings settings_;
  BendChart chart_;
  CellProbe probe_;
  StepJudge judge_;
  double tip_lever_mm2_;
  std::vector<std::unique_ptr<LeafRecord>> leaves_;
  std::map<LeafKey, int> leaf_of_key_;
  std::vector<std::vector<int>> goal_leaves_;  // by engaged count, opened so far
  std::map<std::tuple<int, int, int>, SwitchRule> rules_;
  std::vector<QueueEntry> queue_;
  std::uint64_t pushed_ = 0;
  std::uint32_t stamp_ = 0;
  std::int64_t expansions_ = 0;
  std::int64_t tries_ = 0;
  std::int64_t goal_checks_ = 0;
  CellRef found_start_;
  Route route_;
  std::optional<Approach> best_approach_;
};

}  // namespace withy
