// SPDX-License-Identifier: GPL-3.0-or-later
// How deep the tip gets towards a target that was proved unreachable.
//
// "No deeper than s" is proved: no legal state that comes from the start has its tip past the entry plane at
// a place that belongs to a point of the way farther along than s (target_way.h). Two proofs bound s. The
// lumen alone: all places that the tip's ball can get to, where neither the design's curves nor its insertion
// rule them out (lemmas 24 and 25). And the complete search, asked for any such place instead of the target
// (route_search.h); where it finds a way, the end of that way is a state that gets so deep. It is asked for
// those alone that lie in the box about the places of the first proof, or about the lumen where these are too
// many: a legal tip past the entry plane is at no other, while in front of the channel a body may curl up
// until its tip is on that plane, nearer to the way's end than to its beginning. Halved between the two until
// they are kDepthStep_mm apart, or the work is spent; what is then left open is said. Where no bound at the
// target or before it is proved, one beyond it is sought; without any the line's own length is one.
//
// Where the tip gets as deep as the target lies, or that it does not is not proved, depth does not tell what
// is wanting. Then the same is done with the distance from the target, in the direction that it asks for.
#pragma once

#include <cstdint>
#include <optional>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/depth/target_way.h"
#include "planner/search/problem.h"

namespace withy {

/// Bounds that are this close are one figure.
inline constexpr double kDepthStep_mm = 1.0;

/// What all looks together may take, after a question that took so much work.
std::int64_t tip_depth_work(std::int64_t question_work);

/// Precondition: the problem's question was proved to have no plan. All looks together take the effort's work
/// at most. `approach`: a nearest state that is known by now; what is found nearer takes its place. The
/// figures of its state are not worked out.
TipDepth find_tip_depth(const SearchProblem& problem, const TargetWay& way, const Effort& effort,
                        std::optional<Approach>& approach);

}  // namespace withy
