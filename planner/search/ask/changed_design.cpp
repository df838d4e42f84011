// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/changed_design.h"

#include <utility>

namespace withy {

std::optional<SearchProblem> with_design(const SearchProblem& problem, DesignParts parts) {
  auto design = Design::make(std::move(parts));
  if (!design) return std::nullopt;
  SearchProblem out = problem;
  out.design = std::move(*design);
  return out;
}

}  // namespace withy
