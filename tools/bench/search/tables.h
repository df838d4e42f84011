// SPDX-License-Identifier: GPL-3.0-or-later
// What the experiments showed, as text.
//
// Times of a stock planner are those of its runs that found a way: the runs that found none cost the whole
// budget and don't count, which is in the stock planner's favour.
#pragma once

#include <string>
#include <vector>

#include "tools/bench/search/experiment.h"

namespace withy::bench {

/// One question: a line for each planner.
std::string experiment_table(const Experiment& experiment);

/// Over all questions: a line for each planner.
std::string planner_table(const std::vector<Experiment>& experiments);

/// In how many questions that both solved the fastest stock planner's median was below the complete search's,
/// and which; and which ones only a stock planner solved.
std::string faster_sentences(const std::vector<Experiment>& experiments);

/// Runs in which a stock planner solved what the complete search proved unreachable, named; empty when there
/// are none, as there should be.
std::string contradictions(const std::vector<Experiment>& experiments);

/// That there are none, and how often there might have been.
std::string agreement_sentence(const std::vector<Experiment>& experiments);

}  // namespace withy::bench
