// SPDX-License-Identifier: GPL-3.0-or-later
// Several lock counts on one route, side by side, and what would be built instead of locks.
//
// The alternative to n locks is a stack of n + 1 segments, each with tendons and motors of its own, for as
// many curvatures. At the same shape the tendons of its last segment wrap the same angle Lambda as here, so
// the capstan factor exp(mu Lambda) is the same; what grows is the number of tendons and motors.
#pragma once

#include <string>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/scene/scene.h"
#include "planner/segment/design.h"

namespace withy {

/// One lock count's answer. The texts are plan files (plan.h).
struct ComparedAnswer {
  const Design& design;
  const Answer& answer;
  std::string plan_text;
};

/// compare.json (`anywhere`: what is said of every layout, as JSON; left out where empty): for each count the
/// verdict, why, the plan's summary, switches, seconds, and the stack of segments instead. `scene_file` as
/// seen from the file's folder; `partial` where counts that were asked for are missing, or a budget ran out
/// before one was decided.
std::string comparison_json(const Scene& scene, const std::string& scene_file,
                            const std::vector<ComparedAnswer>& answers, bool partial = false,
                            const std::string& anywhere = "[]");

/// The same as a table to read in a terminal.
std::string comparison_table(const std::vector<ComparedAnswer>& answers);

}  // namespace withy
