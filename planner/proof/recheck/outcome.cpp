// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/outcome.h"

namespace withy::recheck {

std::string_view name_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::holds:
      return "holds";
    case Verdict::does_not_hold:
      return "does not hold";
    case Verdict::could_not_decide:
      return "could not decide";
  }
  return "";
}

}  // namespace withy::recheck
