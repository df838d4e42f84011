// SPDX-License-Identifier: GPL-3.0-or-later
// The files of an answer: what `withy plan -o` writes, and a picture.
#pragma once

#include <filesystem>
#include <set>
#include <string>
#include <vector>

#include "planner/files/file_output.h"
#include "planner/live/live_scene.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/show/display_mesh.h"

namespace withy {

/// plan.json, script.csv, script.ngc, page.html, plan.svg.
std::set<std::string> answer_file_names();

/// The plan file's text. `scene_file` as seen from the plan's folder.
std::string answer_text(const LiveScene& scene, const SearchProblem& problem, const Answer& answer,
                        const std::string& scene_file);

/// About how long add_answer takes for a plan (s), by the time that a few of its actions take: nearly all of
/// it goes into what the page shows of each.
double seconds_to_save(const LiveScene& scene, const SearchProblem& problem, const Plan& plan);

/// Adds all of them to a batch that owns the folder; what was left out, a sentence each.
std::vector<std::string> add_answer(FileBatch& batch, const std::filesystem::path& folder,
                                    const LiveScene& scene, const DisplayMesh& display,
                                    const SearchProblem& problem, const Answer& answer);

}  // namespace withy
