// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/depth/open_part.h"

#include <algorithm>
#include <optional>

#include "planner/segment/shape.h"

namespace withy {

namespace {

/// The point of the way that a cell's middle state belongs to.
std::optional<std::size_t> place_of(const CellStore& store, const CellRef& ref, const Design& design,
                                    const TargetWay& way) {
  const State middle = centre_state(store.chart(), store.leaf(ref), store.box(ref));
  const Shape shape(design, middle);
  for (const Region& region : shape.regions())
    if (!region.u.allFinite()) return std::nullopt;
  const Eigen::Vector3d tip_E = shape.tip_E().translation();
  if (tip_E.z() <= 0.0) return 0;
  return way.point_of(tip_E);
}

}  // namespace

OpenPart open_part_of(const RouteSearch& search, const Design& design, const TargetWay& way) {
  const CellStore& store = search.cells();
  std::size_t least = way.points.size(), most = 0;
  OpenPart part;
  for (int leaf = 0; leaf < store.leaf_count(); ++leaf)
    for (int cell = 0; cell < store.tree(leaf).size(); ++cell) {
      const CellRef ref{leaf, cell};
      if (store.is_split(ref) || store.status(ref) != CellStatus::mixed || !search.labels().reached(ref))
        continue;
      const auto point = place_of(store, ref, design, way);
      if (!point) {
        ++part.beside;
        continue;
      }
      ++part.cells;
      least = std::min(least, *point);
      most = std::max(most, *point);
    }
  part.target_mm = way.points[way.target].station_mm;
  if (part.cells == 0) return part;
  part.from_mm = way.points[least].station_mm;
  part.to_mm = way.points[most].station_mm;
  part.from_E = way.points[least].p_E;
  part.to_E = way.points[most].p_E;
  return part;
}

}  // namespace withy
