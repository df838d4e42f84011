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
  int goal_states = 0;  ///< from which ways back were sought
  long looks = 0;       ///< at states
  /// A way from a goal state to the start; empty where none was found.
  std::vector<withy_plain::State> way;
};

/// Draws goal states by brute force, `known` first, and tries to walk back from each. Looks at about
/// `most_looks` states.
Attack attack(const std::filesystem::path& scene, const std::optional<withy_plain::State>& known,
              long most_looks, unsigned seed);

/// The states of a way, one to a line.
std::string words(const std::vector<withy_plain::State>& way);

}  // namespace withy::consistency
