// SPDX-License-Identifier: GPL-3.0-or-later
// What of a store's cells a search to one target has reached.
#pragma once

#include <iosfwd>

#include "planner/plan/answer.h"
#include "planner/search/cells/cell_store.h"
#include "planner/search/route/cell_labels.h"

namespace withy {

/// The reached cells that are not split, as JSON lines: leaf, u-cell, d-interval.
void write_reached_cells(const CellStore& store, const CellLabels& labels, std::ostream& out);

/// Cells that were excluded and that are left; `cells_examined` is the caller's.
Coverage coverage_of(const CellStore& store, const CellLabels& labels);

/// No state in a reached cell comes from the start, whatever the target is: as good as blocked. To be said
/// only where it is proved.
void bury_reached_cells(CellStore& store, const CellLabels& labels);

/// The same of the buried cells of `spans`, another store of the same problem whose cells are cut along
/// insertion alone.
void bury_spans(CellStore& store, const CellStore& spans);

}  // namespace withy
