// SPDX-License-Identifier: GPL-3.0-or-later
// Small changes of a layout that would reach a target proved unreachable: one station moved, one clocking
// turned, finer notches, the other carriage, each alone, least change first;
// or fewer locks. Sizes stay as they are.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/ask/plans_ahead.h"
#include "planner/search/ask/reasons.h"
#include "planner/search/problem.h"

namespace withy {

/// Small changes of a question's layout.
class LayoutRemedies {
 public:
  /// Puts its questions down, to be asked ahead. The problem must outlive `plans`, and that this.
  LayoutRemedies(const SearchProblem& problem, PlansAhead& plans);

  /// Of each kind the least change that has a plan, of those tried, as half a sentence: "lock 1 at 54 mm
  /// instead of 50". All looks together take the effort's work at most, which `work_done` grows by.
  std::vector<std::string> find(const Effort& effort, std::int64_t& work_done) const;

 private:
  struct Trial {
    std::size_t question;
    std::string words;
  };
  const PlansAhead& plans_;
  std::vector<std::vector<Trial>> kinds_;
};

/// Fewer locks than a question's own, with the layout that the scene has for them. More locks are a worse
/// design where they switch one another.
class FewerLocks {
 public:
  /// As above; so must `with_locks`.
  FewerLocks(const SearchProblem& problem, const WithLocks& with_locks, PlansAhead& plans);

  /// The most that have a plan, as half a sentence: "1 lock instead of 3". Nothing where none has one within
  /// the effort's work.
  std::optional<std::string> find(const Effort& effort, std::int64_t& work_done) const;

 private:
  const PlansAhead& plans_;
  int given_;
  std::vector<std::size_t> questions_;  // from one lock fewer on
};

/// The same, asked at once.
std::vector<std::string> find_layout_remedies(const SearchProblem& problem, const Effort& effort,
                                              std::int64_t& work_done);
std::optional<std::string> find_fewer_locks(const SearchProblem& problem, const Effort& effort,
                                            const WithLocks& with_locks, std::int64_t& work_done);

}  // namespace withy
