// SPDX-License-Identifier: GPL-3.0-or-later
// Does one bench keep clear in the cells that a plan is in doubt about? The fast twin of Bench::contact.
//
// The bench's body is looked at as the channel sees it (bench.h). At the middle of a cell's part and of its
// stretch it has the point p', and no point of the cell is further from p' than
//     r = (s1 - s0) / 2 + lever_d |dd| + lever_u |du|,                                                    (1)
// the levers those of lemma 3 over the bench's own motion, dd and du its way from the middle of the part to
// either end, whichever is longer. Distances change no faster than a point moves, and between p' and a point
// past the entry plane within r of it there is no passage where p' is further than r from any. So the cell
// keeps clear where
//     D(p') >= R + r,                                                                                     (2)
// and where p' is more than r behind the entry plane. Where D(p') < R past the entry plane the bench touches,
// and no more is asked. Cells that (2) does not settle are verified as the whole motion would be,
// neighbouring ones together.
//
// Of a sweep the chords of its track stand in a tree of boxes of bends (swept_body.h): each stretch is looked
// at in a box, in what of it may be past the entry plane, and goes on to the halves of the box where that
// does not settle it, the half that is worst first. What is in doubt at the ends of the tree is verified.
#pragma once

#include <vector>

#include "planner/tolerance/bench.h"
#include "planner/tolerance/motion_cells.h"

namespace withy {

/// Is it proved that these cells, of a motion that is cut into `parts`, keep clear on the bench? The cells in
/// the order of their parts.
bool cells_keep_clear(const Bench& bench, const PlannedMotion& motion, int parts,
                      const std::vector<const MotionCell*>& cells, const ChannelDistance& distance);

}  // namespace withy
