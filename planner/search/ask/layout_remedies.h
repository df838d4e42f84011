// SPDX-License-Identifier: GPL-3.0-or-later
// Small changes of a layout that would reach a target proved unreachable: one station moved, one clocking
// turned, finer notches, the other carriage, each alone, least change first;
// or fewer locks. Sizes stay as they are.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/ask/reasons.h"
#include "planner/search/problem.h"

namespace withy {

/// Of each kind the least change that has a plan, of those tried, as half a sentence: "lock 1 at 54 mm
/// instead of 50". All looks together take the effort's work at most,
/// which `work_done` grows by.
std::vector<std::string> find_layout_remedies(const SearchProblem& problem, const Effort& effort,
                                              std::int64_t& work_done);

/// The most locks, of counts below the question's own, that reach it with the layout that the scene has for
/// them, as half a sentence: "1 lock instead of 3". More locks are a worse design where they switch one
/// another. Nothing where none of them has a plan within the effort's work.
std::optional<std::string> find_fewer_locks(const SearchProblem& problem, const Effort& effort,
                                            const WithLocks& with_locks, std::int64_t& work_done);

}  // namespace withy
