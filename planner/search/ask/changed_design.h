// SPDX-License-Identifier: GPL-3.0-or-later
// The same question about another design: what looks for reasons and for remedies ask.
#pragma once

#include <optional>

#include "planner/search/problem.h"

namespace withy {

/// The question with a design made of `parts`; nothing where they make no sound one.
std::optional<SearchProblem> with_design(const SearchProblem& problem, DesignParts parts);

}  // namespace withy
