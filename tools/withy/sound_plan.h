// SPDX-License-Identifier: GPL-3.0-or-later
// A plan file with its scene, held against it again: what `withy script`, `withy page` and `withy tolerance`
// start from.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include <tl/expected.hpp>

#include "planner/plan/plan.h"
#include "planner/search/ask/scene_problem.h"
#include "tools/withy/command.h"

namespace withy {

/// A refusal and the status to leave with: the file is malformed (2), or it was read and does not hold (5).
struct Refused {
  InputError error;
  ExitStatus status = ExitStatus::wrong_input;
};

/// Says the refusal; its status.
ExitStatus say(const Refused& refused);

struct SoundPlan {
  PlanFile file;
  PreparedScene prepared;
  Design design;
  std::optional<Plan> plan;  ///< reached only; it holds (plan_check.h), its figures are worked out
};

/// `scene`: where it is not the one that the plan leads to; may be empty. Needs the plan to be unchanged
/// since its scene and mesh were. A plan that was asked for another clearance than its scene's is held to
/// that.
tl::expected<SoundPlan, Refused> read_sound_plan(const std::filesystem::path& plan,
                                                 const std::filesystem::path& scene);

/// Why the elastic body can't be followed along the plan; nothing where it can. It has to be a way from the
/// start to the target, its scene to have [elastic]: what the latches hold in a given state, and how, only
/// the way to it would tell.
std::optional<InputError> not_for_elastic(const SoundPlan& read);

}  // namespace withy
