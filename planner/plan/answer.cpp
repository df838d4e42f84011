// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/answer.h"

#include <algorithm>
#include <cassert>
#include <string_view>

namespace withy {

std::string_view name_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::reached:
      return "reached";
    case Verdict::unreachable:
      return "unreachable";
    case Verdict::undecided:
      return "undecided";
  }
  assert(false);
  return {};
}

const PlannedAction* Plan::without_hunt() const {
  const auto found = std::find_if(actions.begin(), actions.end(),
                                  [](const PlannedAction& a) { return a.hunt && a.hunt->missing(); });
  return found == actions.end() ? nullptr : &*found;
}

std::optional<double> least_field_reserve(const Plan& plan) {
  std::optional<double> least;
  for (const PlannedAction& action : plan.actions)
    if (action.field_reserve) least = std::min(least.value_or(*action.field_reserve), *action.field_reserve);
  return least;
}

}  // namespace withy
