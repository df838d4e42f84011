// SPDX-License-Identifier: GPL-3.0-or-later
// Does some layout of so many locks reach the target, wherever they sit?
//
// Three answers, each a fact: the best layout found (place_search.h); a proof that none reaches; or what of
// the stations' space is proved, and what is left. First what holds whatever the locks hold (planner/proof/
// relaxations). Then layouts that reach are looked for. Where none is found, boxes of stations (lemma 27,
// station_box.h) are proved by the complete search or cut in halves along every station, largest first
// (branch and bound: A. H. Land and A. G. Doig, "An Automatic Method of Solving Discrete Programming
// Problems", Econometrica 28(3), 1960); a box that is not proved has the layout in its middle tried as well.
//
// A place to pass that no layout gets to proves as much as the target does: a box is proved where any of them
// can't be reached from it.
//
// The answer "none" counts every clocking: boxes are proved without the field.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/layouts/place_search.h"
#include "planner/search/layouts/station_box.h"

namespace withy {

struct AnywhereSettings {
  Effort effort;  ///< its clock ends the whole question
  /// Handed a certificate for each box that is proved, or one of all layouts where the tip alone proves it;
  /// the scene is not filled in (name_scene). Empty: none is made.
  LayoutTrials::Certified certified;
  /// Boxes are cut no finer than this (mm, half their width).
  double finest_half_mm = 0.02;
  std::function<void(const std::string&, double)> progress = [](const std::string&, double) {};
};

struct AnywhereAnswer {
  Verdict verdict = Verdict::undecided;
  std::optional<PlacedDesign> best;  ///< reached only
  std::string why;                   ///< half a sentence
  bool by_tip_alone = false;         ///< proved whatever the locks hold
  std::int64_t boxes_proved = 0;
  /// Of those, boxes that a place to pass decided.
  std::int64_t boxes_by_place = 0;
  std::int64_t layouts_tried = 0;
  double share_proved = 0.0;     ///< of the stations' space
  std::vector<StationBox> open;  ///< undecided only: what is left, the widest first
  double finest_half_mm = 0.0;   ///< of a box that was proved or tried
};

/// `base` is the question with any layout of as many locks, one at least. Precondition: its design has lock
/// hardware.
AnywhereAnswer reach_anywhere(const SearchProblem& base, const AnywhereSettings& settings);

}  // namespace withy
