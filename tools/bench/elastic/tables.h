// SPDX-License-Identifier: GPL-3.0-or-later
// The tables of this benchmark, printed row by row. Each returns false where a scene can't be read.
#pragma once

#include <cstdint>

#include "tools/bench/elastic/questions.h"

namespace withy::bench {

/// A row for each plan: miss and clearance of the ideal segment and of the elastic body with ideal and with
/// compensated pulls, slides off the notches, each effect alone, and the time for a state.
bool print_effects(const ElasticQuestions& questions);

/// A row for each question with a plan: with the ideal pulls, with the plan that heeds the elastic body, and
/// the time that either takes.
bool print_heeding(const ElasticQuestions& questions);

struct PullsSettings {
  int benches = 20;
  std::uint64_t seed = 1;
};

/// A row for each plan: how far the tip of the plain implementation is from the target with ideal and with
/// compensated pulls, the bench's numbers drawn about the scene's as widely as a fit of 12 poses leaves them.
bool print_pulls(const ElasticQuestions& questions, const PullsSettings& settings);

/// A row for each plan with locks on notches: does another bend of them end within the target for the ideal
/// segment and for the elastic body?
bool print_notches(const ElasticQuestions& questions);

struct FitsSettings {
  int fits = 1000;
  std::uint64_t seed = 47;
};

/// A row for each number: how many of the intervals hold it, beside the binomial's 99 % interval.
void print_fits(const FitsSettings& settings);

}  // namespace withy::bench
