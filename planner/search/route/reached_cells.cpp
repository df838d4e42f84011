// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/reached_cells.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <ostream>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/motion_bounds.h"

namespace withy {

namespace {

/// Calls `visit(ref)` for each cell that is not split, leaf by leaf.
template <class Visit>
void for_each_unsplit(const CellStore& store, const Visit& visit) {
  for (int leaf = 0; leaf < store.leaf_count(); ++leaf)
    for (int cell = 0; cell < store.tree(leaf).size(); ++cell)
      if (!store.tree(leaf).is_split(cell)) visit(CellRef{leaf, cell});
}

void append_line(const CellStore& store, const CellRef& ref, fmt::memory_buffer& line) {
  const Leaf& leaf = store.leaf(ref);
  const Box b = store.box(ref);
  const StateBox states = store.probe().state_box(leaf, b);
  const auto put = std::back_inserter(line);
  fmt::format_to(put, "{{\"engaged\":[");
  const char* comma = "";
  for (int lock = 0; lock < store.problem().design.lock_count(); ++lock) {
    if (!leaf.engaged.test(static_cast<std::size_t>(lock))) continue;
    fmt::format_to(put, "{}{}", comma, lock + 1);
    comma = ",";
  }
  fmt::format_to(put, "],\"theta_rad\":[");
  for (std::size_t r = 0; r < leaf.base.size(); ++r)
    fmt::format_to(put, "{}{{\"low\":[{},{}],\"high\":[{},{}]}}", r == 0 ? "" : ",", states.theta_lo[r].x(),
                   states.theta_lo[r].y(), states.theta_hi[r].x(), states.theta_hi[r].y());
  fmt::format_to(put,
                 "],\"curvature_low_per_mm\":[{},{}],\"curvature_high_per_mm\":[{},{}],\"insertion_mm\":["
                 "{},{}],\"proved_free\":{}}}\n",
                 b.low[1], b.low[2], b.high[1], b.high[2], b.low[0], b.high[0],
                 store.status(ref) == CellStatus::free);
}

}  // namespace

void write_reached_cells(const CellStore& store, const CellLabels& labels, std::ostream& out) {
  for_each_unsplit(store, [&](const CellRef& ref) {
    if (!labels.reached(ref)) return;
    fmt::memory_buffer line;
    append_line(store, ref, line);
    out.write(line.data(), static_cast<std::streamsize>(line.size()));
  });
}

Coverage coverage_of(const CellStore& store, const CellLabels& labels) {
  Coverage c;
  c.finest_cell_mm = kInfinity;
  for_each_unsplit(store, [&](const CellRef& ref) {
    const bool reached = store.status(ref) != CellStatus::blocked && labels.reached(ref);
    if (store.status(ref) == CellStatus::blocked) ++c.cells_excluded;
    if (reached) ++c.cells_reached;
    if (reached && store.status(ref) == CellStatus::mixed) ++c.cells_left;
    if (store.travel_mm(ref) >= 0.0) c.finest_cell_mm = std::min(c.finest_cell_mm, store.travel_mm(ref));
  });
  if (!std::isfinite(c.finest_cell_mm)) c.finest_cell_mm = 0.0;
  const Design& design = store.problem().design;
  const MotionBounds bounds = motion_bounds(design);  // lemma 3
  c.lipschitz_insertion = bounds.insertion_lever(design.length_mm());
  c.lipschitz_curvature_mm2 = bounds.curvature_lever_mm2(design.length_mm());
  return c;
}

namespace {

/// Buries what of the cell lies between two insertions, cutting it there. Both stores halve insertion alike,
/// so that a cell lies within, beside, or is halved until its parts do.
void bury_between(CellStore& store, const CellRef& ref, double low_mm, double high_mm) {
  const Box box = store.box(ref);
  if (box.high[0] <= low_mm || box.low[0] >= high_mm) return;
  const bool within = low_mm <= box.low[0] && box.high[0] <= high_mm;
  if (within && !store.is_split(ref)) return store.bury(ref);
  if (!store.is_split(ref)) store.split(ref, 0);
  bool dead = true;
  for (const CellRef& part : store.parts(ref)) {
    bury_between(store, part, low_mm, high_mm);
    dead = dead && store.status(part) == CellStatus::blocked;
  }
  if (dead) store.block(ref);
}

}  // namespace

void bury_spans(CellStore& store, const CellStore& spans) {
  for_each_unsplit(spans, [&](const CellRef& ref) {
    if (!spans.is_buried(ref)) return;
    const Box box = spans.box(ref);
    bury_between(store, {store.index_of(spans.leaf(ref)), 0}, box.low[0], box.high[0]);
  });
}

void bury_reached_cells(CellStore& store, const CellLabels& labels) {
  const auto blocked = [&](const CellRef& ref) { return store.status(ref) == CellStatus::blocked; };
  for (int leaf = 0; leaf < store.leaf_count(); ++leaf)
    for (int cell = store.tree(leaf).size() - 1; cell >= 0; --cell) {  // parts stand behind the whole
      const CellRef ref{leaf, cell};
      const bool dead = store.is_split(ref) ? blocked(store.parts(ref)[0]) && blocked(store.parts(ref)[1])
                                            : labels.reached(ref);
      if (!dead) continue;
      if (store.is_split(ref))
        store.block(ref);
      else
        store.bury(ref);
    }
}

}  // namespace withy
