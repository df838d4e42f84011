// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/answer.h"

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

}  // namespace withy
