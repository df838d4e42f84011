// SPDX-License-Identifier: GPL-3.0-or-later
// The campaign's figures, by kind of question.
#pragma once

#include <map>
#include <string>
#include <utility>
#include <vector>

#include "planner/plan/answer.h"

namespace withy::consistency {

/// What came of one question.
struct Entered {
  std::vector<std::pair<std::string, std::string>> regime;
  Verdict verdict = Verdict::undecided;  ///< that of the first way that decided
  int ways = 0;
  int ways_undecided = 0;
  int does_not_hold = 0;  ///< ways on which a route was found that does not stand when verified
  int plans_replayed = 0;
  int attacked = 0;             ///< how often "unreachable" was attacked
  int attacks_with_goals = 0;   ///< of these, those that found allowed goal states
  int goal_states = 0;          ///< that they found
  int attacks_where_known = 0;  ///< attacks where one is known from how the question was made
  int known_found_anew = 0;     ///< of these, those that found one without being told
  int known_ways = 0;           ///< 1 where a plain walk from the start to the target is known
  int plans_rechecked = 0;
  int proofs_rechecked = 0;
  double recheck_seconds = 0.0;
  std::vector<std::string> not_decided;  ///< by the checker
  std::vector<std::string> contradictions;
  bool refused = false;  ///< the scene was no question: a target in the wall, no room at the entry
};

struct Tally {
  long questions = 0, reached = 0, unreachable = 0, undecided = 0, contradicted = 0;
  void count(const Entered& entered);
};

class Ledger {
 public:
  void enter(const Entered& entered);
  const Tally& all() const { return all_; }
  /// The figures, several lines.
  std::string text() const;

 private:
  Tally all_;
  long refused_ = 0, ways_ = 0, ways_undecided_ = 0, does_not_hold_ = 0, replayed_ = 0, attacked_ = 0,
       attacked_from_ = 0, goal_states_ = 0, where_known_ = 0, found_anew_ = 0, known_ways_ = 0,
       contradictions_ = 0, plans_rechecked_ = 0, proofs_rechecked_ = 0, not_decided_ = 0;
  double recheck_seconds_ = 0.0;
  std::map<std::string, std::map<std::string, Tally>> by_regime_;
};

}  // namespace withy::consistency
