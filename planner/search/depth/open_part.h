// SPDX-License-Identifier: GPL-3.0-or-later
// Where along the channel a search that decided nothing is still open.
#pragma once

#include "planner/plan/answer.h"
#include "planner/search/depth/target_way.h"
#include "planner/search/route/route_search.h"

namespace withy {

/// Of all cells that are reached from the target and neither free nor blocked: where the tip of each cell's
/// middle state belongs to on the way (target_way.h). Tips before the entry plane count at depth 0.
OpenPart open_part_of(const RouteSearch& search, const Design& design, const TargetWay& way);

}  // namespace withy
