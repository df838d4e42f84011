// SPDX-License-Identifier: GPL-3.0-or-later
// The complete search: cells of all leaves, searched backward from the target, cut finer only where a way
// would lead.
//
// Cells are proved free or blocked as wholes (cell_probe.h); what is neither is mixed. A way through free and
// mixed cells, leaf to leaf by links (links.h), is sought from the target's cells to the start by A*:
//   * none: no state that reaches the target lies outside the cells that were reached, and the start does.
//   That is a proof.
//   * one whose every motion verifies exactly, also where it leads through free cells: that is a plan.
//   * else its mixed cells are split and the search goes on: what was reached through them is forgotten, and
//   reached again from what still stands (after S. Koenig, M. Likhachev and D. Furcy, "Lifelong Planning A*",
//   Artificial Intelligence 155, 2004, but for the costs, which may stay too high where a shorter way opens).
// This is cell decomposition with exact labels (D. Zhu and J.-C. Latombe, "New Heuristic Algorithms for
// Efficient Hierarchical Path Planning", IEEE Trans. Robotics and Automation 7(1), 1991), on the graph of
// leaves that the locks make. Before it, a short attempt looks for a simple way (direct_attempt.h); what it
// does not find is no matter.
#pragma once

#include <compare>
#include <functional>
#include <iosfwd>
#include <limits>
#include <map>
#include <memory>
#include <optional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/plan/answer.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/search/cells/cell_probe.h"
#include "planner/search/cells/links.h"
#include "planner/search/route/route.h"
#include "planner/search/route/thread.h"

namespace withy {

struct RouteSearchSettings {
  double coarse_travel_mm = 6.0;  ///< mixed cells coarser than this are split at once, on sight
  double attempt_travel_mm =
      1.0;  ///< mixed cells finer than this are tried by exact motions before they are split
  /// Cells at the goal that may hold it and are finer than this count as goals.
  double finest_goal_mm = 0.05;
  /// The same where frozen bends are continuous, which are more dimensions to be fine in.
  double finest_goal_with_friction_mm = 3.0;
  double finest_travel_mm = 0.004;  ///< mixed cells finer than this are not split any more
  /// What the short attempt before the cells may take (direct_attempt.h) for each lock, and without locks; 0:
  /// there is no such attempt.
  std::int64_t direct_work = shares::kDirectWork;
  /// Where frozen bends are continuous: what looking for a plan with some of them may take before the whole
  /// question is asked (notched_twin.h).
  std::int64_t twin_work = shares::kTwinWork;
  static constexpr int kAnySwitches = 1000;
  /// Ways with more switches are not looked at; "none" then means none with so few: the least number of
  /// switches to the target is kept of every cell (way_label.h).
  int most_switches = kAnySwitches;
  Effort effort;  ///< work as RouteSearch::work counts it; where it is spent the search ends undecided
};

enum class SearchOutcome { found, proved_none, stopped };

/// One search of one problem (which must outlive it). Deterministic: no randomness, no clock but in the
/// effort.
///
/// Cells and links don't depend on the target. So one search can answer for many: change the problem's goal,
/// call retarget(), run() again. What it has found by then speeds up the next: after `found`, keep_route()
/// makes every state of the route a place to start from as good as the start; after `proved_none`, bury()
/// takes the cells that were reached out of the game, since no state in them comes from the start whatever
/// the target is (every action can be undone).
class RouteSearch {
 public:
  RouteSearch(const SearchProblem& problem, RouteSearchSettings settings);
  ~RouteSearch();

  SearchOutcome run();

  /// What the search holds motions and switches against.
  const StepJudge& judge() const { return judge_; }

  /// The problem's goal is another one now. `more_work` may be done from here on.
  void retarget(std::int64_t more_work);
  void keep_route();  ///< precondition: the last run() found
  void bury();        ///< precondition: the last run() proved that there is none

  const Route& route() const { return route_; }  ///< after `found`
  Coverage coverage() const;
  std::int64_t checks() const { return probe_.checks() + goal_checks_; }
  /// What the search has done so far, in a measure that does not depend on the machine: about microseconds of
  /// a fast one.
  std::int64_t work() const {
    return shares::kCellWork * checks() + shares::kExpansionWork * expansions_ + shares::kTryWork * tries_ +
           other_work_;
  }

  /// The cells that the search has reached as JSON lines: leaf, u-cell, d-interval. After proved_none they
  /// hold every state that can reach the target.
  void write_reached_cells(std::ostream& out) const;

  /// The same as leaves of a certificate (route_search_proof.cpp): level k holds what reaches the target with
  /// at most k lock switches; one level holds all, where switches are not counted, and what was buried with
  /// it.
  std::vector<recheck::CertificateLeaf> certificate_leaves(int levels) const;

  /// The state whose tip came nearest to the target on any way that was tried by exact motions, and what
  /// stopped that way.
  const std::optional<Approach>& best_approach() const { return best_approach_; }

 private:
  struct CellRef {
    int leaf = -1;
    int cell = -1;
    auto operator<=>(const CellRef&) const = default;
  };
  struct Visit {
    double cost = 0.0;
    CellRef next;   ///< towards the target
    int lock = -1;  ///< the lock that switches on the way to `next`; -1 within a leaf
    bool engages = false;
    bool closed = false;
    bool expanded = false;   ///< ways of other cells may lead through it
    bool goal = false;       ///< may hold the goal
    bool witnessed = false;  ///< does, or is too small to matter
    bool stuck = false;      ///< can't be split any more
    enum class Way : std::uint8_t { unknown, stands, lost } way = Way::unknown;  ///< while ways are mended
    std::int16_t switches = 0;
    std::uint64_t ticket = 0;  ///< of its newest entry in the queue; 0: not reached

    bool reached() const { return ticket != 0; }
    /// Nothing is known of a way to the target any more.
    void forget() {
      next = CellRef{};
      lock = -1;
      switches = 0;
      closed = false;
      expanded = false;
      ticket = 0;
    }
  };
  struct LeafRecord {
    Leaf leaf;
    CellTree tree;
    std::vector<Visit> visits;
    std::vector<int> home;     // by cell: a state in it that can be reached, as an index into homes_; 0: none
    std::vector<bool> buried;  // by cell: reached by a proof, and blocked since (bury)
  };
  /// A state that a verified way leads to, and the last step of that way.
  struct Home {
    int parent = 0;
    RouteStep step;
  };
  struct QueueEntry {
    double key;
    std::uint64_t ticket;
    CellRef ref;
    bool operator<(const QueueEntry& other) const {
      return key != other.key ? key > other.key : ticket > other.ticket;
    }
  };

  int leaf_index(const Leaf& leaf);
  void seek_goals(const CellRef& ref);
  void seed(const CellRef& ref);
  bool counts_as_goal(const CellRef& ref);
  void sharpen_goal(const CellRef& ref);

  enum class Sweep : unsigned char { start_reached, exhausted, stopped };
  Sweep search_on();
  bool open_due_levels();
  void expand(const CellRef& ref);
  void reach(const CellRef& from, int leaf, const Box& query, int lock, bool engages, double extra);
  void relax(const CellRef& from, const CellRef& to, int lock, bool engages, double extra);
  bool switches_limited() const { return settings_.most_switches < RouteSearchSettings::kAnySwitches; }
  void push(const CellRef& ref, double cost);
  double heuristic(const CellRef& ref) const;
  double cell_penalty(const CellRef& ref) const;
  CellStatus look(const CellRef& ref);
  void refine(const CellRef& ref);
  CellTravel travel(const CellRef& ref);
  void split(const CellRef& ref);
  void split(const CellRef& ref, int coordinate);
  void hand_down(const CellRef& ref);
  bool holds_start(const CellRef& ref) const;
  bool is_stuck(const CellRef& ref) const;
  int home_of(const CellRef& ref) const;
  void settle(int home, const CellRef& ref);
  void settle_anywhere(int home);
  std::size_t lead_in(Threading& threading, int home) const;
  bool must_stop() const { return settings_.effort.spent(work()); }
  void each_link(const CellRef& ref, const std::function<void(const SwitchLink&)>& take);
  bool field_may_switch(int leaf, const SwitchLink& link, int other);

  void forget_ways();
  void mend_ways();
  std::vector<CellRef> lost_cells();
  bool way_stands(CellRef ref);
  void reopen_around(const CellRef& ref);
  void reopen_meeting(int leaf, const Box& query);

  std::vector<CellRef> path_from(CellRef start) const;
  bool refine_coarse(const std::vector<CellRef>& path);
  void note_approach(const Threading& threading);
  bool try_straight_for_it();
  bool try_directly();
  bool try_notches_for_it();
  /// True: route_ holds the way. Else what failed was refined; false in `progress` when nothing was left to
  /// refine.
  bool try_path(const std::vector<CellRef>& path, bool& progress);

  LeafRecord& record(int leaf) { return *leaves_[static_cast<std::size_t>(leaf)]; }
  const LeafRecord& record(int leaf) const { return *leaves_[static_cast<std::size_t>(leaf)]; }
  Box box(const CellRef& ref) const { return record(ref.leaf).tree.box(ref.cell); }
  Visit& visit(const CellRef& ref);
  bool reached(const LeafRecord& leaf, int cell) const {
    return static_cast<std::size_t>(cell) < leaf.visits.size() &&
           leaf.visits[static_cast<std::size_t>(cell)].reached();
  }

  const SearchProblem& problem_;
  RouteSearchSettings settings_;
  BendChart chart_;
  CellProbe probe_;
  StepJudge judge_;
  BodyMargin body_margin_;
  double tip_lever_mm2_;
  std::vector<std::unique_ptr<LeafRecord>> leaves_;
  std::map<LeafKey, int> leaf_of_key_;
  int levels_open_ = 0;  // goal leaves with fewer engaged locks than this are open
  std::map<std::tuple<int, int, int>, bool> may_switch_;  // by leaf, other leaf, lock
  std::vector<QueueEntry> queue_;
  std::uint64_t tickets_ = 0;
  std::vector<CellRef> touched_;  // reached at some time, for this goal
  std::vector<CellRef> changed_;  // refined or stuck since ways were mended last
  std::int64_t expansions_ = 0;
  std::int64_t tries_ = 0;
  int coarse_ways_ = 0;
  std::int64_t goal_checks_ = 0;
  bool cut_short_ =
      false;  // stopped while goals or links were sought: some may be missing, nothing can be proved
  std::int64_t links_ = 0;
  std::int64_t other_work_ = 0;  // of what is tried before the cells, and of many links
  std::vector<Home> homes_;      // the first is the start, and stands for "none" in LeafRecord::home
  int route_home_ = 0;           // where the new part of route_ starts
  std::size_t route_known_ = 0;  // how many steps lead there
  CellRef found_start_;
  Route route_;
  std::optional<Approach> best_approach_;
};

}  // namespace withy
