// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_tree.h"

#include <cassert>

namespace withy {

CellTree::CellTree(const Box& whole) : dimensions_(whole.dimensions) {
  cells_.emplace_back();
  for (int k = 0; k < dimensions_; ++k) {
    bounds_.push_back(whole.low[at(k)]);
    bounds_.push_back(whole.high[at(k)]);
  }
}

Box CellTree::box(int cell) const {
  Box box;
  box.dimensions = dimensions_;
  const double* b = &bounds_[at(cell) * 2 * at(dimensions_)];
  for (int k = 0; k < dimensions_; ++k) {
    box.low[at(k)] = b[2 * k];
    box.high[at(k)] = b[2 * k + 1];
  }
  return box;
}

bool CellTree::meets(int cell, const Box& query) const {
  const double* b = &bounds_[at(cell) * 2 * at(dimensions_)];
  for (int k = 0; k < dimensions_; ++k)
    if (b[2 * k] > query.high[at(k)] || b[2 * k + 1] < query.low[at(k)]) return false;
  return true;
}

void CellTree::split(int cell, int coordinate) {
  assert(!is_split(cell) && coordinate < dimensions_);
  const Box parent = box(cell);
  cells_[at(cell)].first_child = size();
  cells_[at(cell)].cut_coordinate = static_cast<std::int8_t>(coordinate);
  cells_[at(cell)].cut_at = parent.centre(coordinate);
  for (const bool upper : {false, true}) {
    cells_.emplace_back();
    for (int k = 0; k < dimensions_; ++k) {
      double low = parent.low[at(k)];
      double high = parent.high[at(k)];
      if (k == coordinate) (upper ? low : high) = parent.centre(k);
      bounds_.push_back(low);
      bounds_.push_back(high);
    }
  }
}

}  // namespace withy
