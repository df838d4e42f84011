// SPDX-License-Identifier: GPL-3.0-or-later
// Random questions about a random channel: a design, a target, an insertion limit.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "tests/support/plain_walks.h"
#include "tools/bench/consistency/channels.h"

namespace withy::consistency {

/// Where a target may be put without asking what reaches it.
enum class Place { anywhere, far_end, rim };

/// What a question's target was drawn from.
enum class Aim { anywhere, far_end, rim, allowed_state, walked_state, beyond_a_walk };

struct Question {
  Draft draft;
  Aim aim = Aim::anywhere;
  /// An allowed state at the target by the plain implementation, where the target was drawn from one.
  std::optional<withy_plain::State> known;
  /// Where the target was drawn from a walk of the plain implementation: its states from the start to
  /// `known`. "Unreachable" is wrong then, whoever says it.
  std::vector<withy_plain::State> known_way;
  std::vector<Eigen::Vector3d> companions_E;  ///< other targets to ask for in the same search
  bool companion_is_reached = false;          ///< the first of them is the tip of a state of known_way
  /// What kind of question it is, one word or a few for each heading ("carriage", "guide").
  std::vector<std::pair<std::string, std::string>> regime;
};

/// `folder` is for scene files on the way; `mesh` is the channel's mesh in it.
Question random_question(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
                         const std::string& mesh);

/// Points of the lumen, in S, that a target could be.
Eigen::Vector3d random_place(Chance& chance, const RandomChannel& channel, Place place);

const char* name_of(Aim aim);

}  // namespace withy::consistency
