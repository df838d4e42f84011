// SPDX-License-Identifier: GPL-3.0-or-later
// A problem with continuous frozen bends, asked with some of them only.
//
// Friction locks, and backbones that all lie in one plane, leave frozen bends continuous, and the leaves with
// one or two dimensions more for each. The twin keeps the bends of a lattice that are latchable in both. Its
// leaves have three dimensions, every route of it is one of the problem, and where it has none that says
// nothing of the problem.
#pragma once

#include <optional>

#include "planner/proof/lemmas/leaf.h"
#include "planner/search/problem.h"

namespace withy {

/// Nothing where frozen bends are notched already, or there is no lock.
std::optional<SearchProblem> notched_twin(const SearchProblem& problem, const BendChart& chart);

}  // namespace withy
