// SPDX-License-Identifier: GPL-3.0-or-later
// What the plain implementation (tests/support/plain_*) says: of a plan, and of "unreachable".
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "tests/support/plain_walks.h"

namespace withy::consistency {

/// What an attack on "unreachable" came to.
struct Attack {
  int goal_states = 0;  ///< that were found, none of them known before
  long looks = 0;       ///< at states
  /// A way between the start and a goal state; empty where none was found.
  std::vector<withy_plain::State> way;
};

/// Seeks allowed goal states and walks back from each, and from `known`; and walks from the start towards the
/// target. Looks at about `most_looks` states.
Attack attack(const std::filesystem::path& scene, const std::optional<withy_plain::State>& known,
              long most_looks, unsigned seed);

/// The states of a way, one to a line.
std::string words(const std::vector<withy_plain::State>& way);

}  // namespace withy::consistency
