// SPDX-License-Identifier: GPL-3.0-or-later
// One run of a study: its question asked, and the answer as one line of the results.
#pragma once

#include <array>
#include <string>
#include <string_view>

#include "planner/search/ask/scene_problem.h"
#include "planner/study/study.h"

namespace withy {

/// What a run's verdict is when there is no question to ask: with these values the locks don't fit the
/// segment, or the body doesn't fit the opening, or the target is not in the lumen. `why` says which.
inline constexpr std::string_view kRefused = "refused";

/// The figures of a result, in order, beside run, scene, design, locks, seed, verdict and why. Those of a
/// plan are its summary's; null where there is none.
inline constexpr std::array<std::string_view, 14> kPlanFigures = {"locks_used",     "actions",
                                                                  "clearance_mm",   "clearance_slack_mm",
                                                                  "tip_error_mm",   "tip_direction_error_deg",
                                                                  "tension_max_N",  "pull_max_mm",
                                                                  "field_max_mT",   "duration_s",
                                                                  "preset",         "reserve",
                                                                  "chance_to_fail", "chance_to_fail_high"};
inline constexpr std::array<std::string_view, 3> kSearchFigures = {"cells_examined", "cells_left",
                                                                   "finest_cell_mm"};

/// The result of one run as a JSON object on one line, without time or anything else that differs from one
/// execution to the next.
std::string study_result(const Study& study, const StudyRun& run, const StudyScene& scene,
                         const std::shared_ptr<const ChannelDistance>& distance);
/// The same of a run whose scene says why it is refused (StudyScene::refused).
std::string refused_result(const Study& study, const StudyRun& run, const StudyScene& scene);

}  // namespace withy
