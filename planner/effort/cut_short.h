// SPDX-License-Identifier: GPL-3.0-or-later
// What somebody is told whose question ended before its answer.
#pragma once

#include <string>

namespace withy {

/// A question that its Effort ended. Both are for people, as they stand in a list. Nothing of what is open is
/// said to hold.
struct CutShort {
  std::string finished;  ///< "448 of 1000 benches drawn, 12 of them fail"
  std::string open;      ///< "what each error alone takes"
};

}  // namespace withy
