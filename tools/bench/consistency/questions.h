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

struct Question {
  Draft draft;
  /// An allowed state at the target by the plain implementation, where the target was drawn from one.
  std::optional<withy_plain::State> known;
  std::vector<Eigen::Vector3d> companions_E;  ///< other targets to ask for in the same search
  /// What kind of question it is, one word or a few for each heading ("carriage", "guide").
  std::vector<std::pair<std::string, std::string>> regime;
};

/// `folder` is for scene files on the way; `mesh` is the channel's mesh in it.
Question random_question(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
                         const std::string& mesh);

/// Points of the lumen, in S, that a target could be.
Eigen::Vector3d random_place(Chance& chance, const RandomChannel& channel);

}  // namespace withy::consistency
