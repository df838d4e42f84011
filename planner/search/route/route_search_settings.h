// SPDX-License-Identifier: GPL-3.0-or-later
// How fine a search of routes cuts, what it may take, and how it ends.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"

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
  /// Where frozen bends are continuous: what a search for a plan with some of them may take before the whole
  /// question is asked (notched_twin.h).
  std::int64_t twin_work = shares::kTwinWork;
  static constexpr int kAnySwitches = 1000;
  /// Routes with more switches are not sought; "none" then means none with so few: the least number of
  /// switches to the target is kept of every cell (way_label.h).
  int most_switches = kAnySwitches;
  bool limits_switches() const { return most_switches < kAnySwitches; }
  /// Proofs by what leaves most of the design out (planner/proof/relaxations) count as well. They are quick,
  /// but what the cells know of the target is then no proof by itself (RouteSearch::proof).
  bool relaxations = false;
  /// So does what spans of insertion prove (planner/search/cells/span_proof.h). What they take in vain counts
  /// as no work: whatever else is found is found with them as without.
  bool spans = false;
  /// What they may take before the cells; 0: they wait until the cells have taken kSpanAgainAfter.
  std::int64_t span_work = shares::kSpanWork;
  Effort effort;  ///< work as RouteSearch::work counts it; where it is spent the search ends undecided
};

/// What a search that found no route rests on.
enum class ProofKind : unsigned char {
  cells,          ///< the cells that were reached hold every state that reaches the target
  no_tip_there,   ///< no state has its tip at the target
  no_way_of_tip,  ///< the tip's own ball can't get there
  no_switch_in    ///< no switch leads into a span of insertions that holds the target
};

/// What such a proof says, whatever the locks hold and wherever they sit; nothing where it is about this
/// layout.
constexpr std::optional<std::string_view> said_by(ProofKind proof) {
  switch (proof) {
    case ProofKind::no_tip_there:
      return "no state of any lock has its tip there";
    case ProofKind::no_way_of_tip:
      return "the lumen lets no ball as thick as the tip get there";
    case ProofKind::cells:
    case ProofKind::no_switch_in:
      break;
  }
  return std::nullopt;
}

enum class SearchOutcome { found, proved_none, stopped };

}  // namespace withy
