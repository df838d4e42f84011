// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: a whole plan recomputed, every disagreement as a sentence.
//
// Shares no code with planner/ or geometry/. Checks: the file is of this scene and mesh; states start and end
// at the start, their regions partition the segment, limits hold; every action moves only what its kind may
// move and is allowed where it stands (latch, equal curvature, field); the in leg ends at the target, the out
// leg at the start; the clearance of every motion and state against a sampled one; pulls, tensions, lock
// loads, fields, currents and the summary.
#pragma once

#include <string>
#include <vector>

namespace withy_plain {

/// How far two computations of one number may differ (its own unit).
inline constexpr double kSameNumber = 1e-6;

/// Every disagreement found; empty when the plan stands. Files that can't be read at all are one
/// disagreement. `most_samples` of each motion are taken for its clearance; fewer leave it less closely
/// known.
std::vector<std::string> replay_plan(const std::string& scene_path, const std::string& plan_path,
                                     int most_samples = 20000);

}  // namespace withy_plain
