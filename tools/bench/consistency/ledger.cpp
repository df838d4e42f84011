// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/ledger.h"

#include <fmt/format.h>

namespace withy::consistency {

void Tally::count(const Entered& entered) {
  ++questions;
  ++(entered.verdict == Verdict::reached       ? reached
     : entered.verdict == Verdict::unreachable ? unreachable
                                               : undecided);
  contradicted += !entered.contradictions.empty();
}

void Ledger::enter(const Entered& entered) {
  if (entered.refused) {
    ++refused_;
    return;
  }
  all_.count(entered);
  ways_ += entered.ways;
  ways_undecided_ += entered.ways_undecided;
  does_not_hold_ += entered.does_not_hold;
  replayed_ += entered.plans_replayed;
  attacked_ += entered.attacked;
  attacked_from_ += entered.attacks_with_goals;
  where_known_ += entered.attacks_where_known;
  found_anew_ += entered.known_found_anew;
  known_ways_ += entered.known_ways;
  goal_states_ += entered.goal_states;
  plans_rechecked_ += entered.plans_rechecked;
  proofs_rechecked_ += entered.proofs_rechecked;
  recheck_seconds_ += entered.recheck_seconds;
  not_decided_ += static_cast<long>(entered.not_decided.size());
  contradictions_ += static_cast<long>(entered.contradictions.size());
  for (const auto& [heading, kind] : entered.regime) by_regime_[heading][kind].count(entered);
}

std::string Ledger::text() const {
  std::string out = fmt::format(
      "{} questions ({} more draws were none), asked in {} ways: {} contradictions in {} questions\n"
      "  {} reached, {} unreachable, {} undecided by every way; {} of the ways were undecided, {} of these "
      "found a "
      "route that does not stand when verified\n"
      "  {} plans replayed; {} questions held to a plain walk from the start to the target\n"
      "  {} times unreachable attacked, {} of them from {} allowed goal states that the attack found; it "
      "found "
      "one in {} of the {} where one was known\n",
      all_.questions, refused_, ways_, contradictions_, all_.contradicted, all_.reached, all_.unreachable,
      all_.undecided, ways_undecided_, does_not_hold_, replayed_, known_ways_, attacked_, attacked_from_,
      goal_states_, found_anew_, where_known_);
  const long rechecked = plans_rechecked_ + proofs_rechecked_;
  out += fmt::format(
      "  {} plans and {} proofs rechecked in {:.1f} s, {} of them ({:.2f} %) not decided\n", plans_rechecked_,
      proofs_rechecked_, recheck_seconds_, not_decided_,
      rechecked > 0 ? 100.0 * static_cast<double>(not_decided_) / static_cast<double>(rechecked) : 0.0);
  out += fmt::format("{:<17}{:<36}{:>10}{:>10}{:>13}{:>11}{:>15}\n", "", "", "questions", "reached",
                     "unreachable", "undecided", "contradicted");
  for (const auto& [heading, kinds] : by_regime_)
    for (const auto& [kind, t] : kinds)
      out += fmt::format("{:<17}{:<36}{:>10}{:>10}{:>13}{:>11}{:>15}\n", heading, kind, t.questions,
                         t.reached, t.unreachable, t.undecided, t.contradicted);
  return out;
}

}  // namespace withy::consistency
