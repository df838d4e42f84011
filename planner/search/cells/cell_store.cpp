// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_store.h"

namespace withy {

CellStore::CellStore(const SearchProblem& problem, double finest_travel_mm)
    : problem_(problem),
      finest_travel_mm_(finest_travel_mm),
      chart_(problem.design, problem.heeded.tendons, problem.station_play_mm),
      probe_(problem, chart_) {
  index_of(Leaf{});
  start_leaf_ = index_of(leaf_of(chart_, problem.start));
  start_ = coordinates_of(chart_, problem.start);
}

bool CellStore::holds_start(const CellRef& ref) const {
  if (ref.leaf != start_leaf_) return false;
  const Box b = box(ref);
  for (int k = 0; k < b.dimensions; ++k)
    if (!b.contains(k, start_[Box::idx(k)])) return false;
  return true;
}

int CellStore::index_of(const Leaf& leaf) {
  const auto [found, fresh] = index_of_key_.try_emplace(leaf.key(), leaf_count());
  if (fresh) {
    leaves_.push_back({leaf, CellTree(whole_leaf(problem_.design, chart_, leaf)), {}, {}});
    if (!leaf_possible(problem_.design, chart_, leaf)) block({found->second, 0});
  }
  return found->second;
}

int CellStore::find(const Leaf& leaf) const {
  const auto found = index_of_key_.find(leaf.key());
  return found == index_of_key_.end() ? -1 : found->second;
}

std::array<CellRef, 2> CellStore::parts(const CellRef& ref) const {
  const int first = tree(ref.leaf).first_child(ref.cell);
  return {CellRef{ref.leaf, first}, CellRef{ref.leaf, first + 1}};
}

CellStatus CellStore::look(const CellRef& ref) {
  CellTree& tree = record(ref.leaf).tree;
  if (tree.status(ref.cell) == CellStatus::unknown) {
    const Box b = tree.box(ref.cell);
    const CellLook look = probe_.check(leaf(ref), b);
    const bool resize = look.slides != tree.slides(ref.cell) || tree.travel(ref.cell) < 0.0;
    tree.set_status(ref.cell, look.status);
    tree.set_hints(ref.cell, look.slides, look.cut_insertion && 2.0 * b.half(0) > finest_travel_mm_);
    if (resize) tree.set_travel(ref.cell, travel(ref).total);
  }
  return tree.status(ref.cell);
}

CellTravel CellStore::travel(const CellRef& ref) {
  return probe_.travel(leaf(ref), box(ref), tree(ref.leaf).slides(ref.cell));
}

void CellStore::split(const CellRef& ref) {
  split(ref, tree(ref.leaf).cut_insertion(ref.cell) ? 0 : travel(ref).widest);
}

void CellStore::split(const CellRef& ref, int coordinate) {
  CellTree& tree = record(ref.leaf).tree;
  tree.split(ref.cell, coordinate);
  const bool free = tree.status(ref.cell) == CellStatus::free;
  const int mark = mark_of(ref);
  for (const CellRef& part : parts(ref)) {
    tree.set_hints(part.cell, tree.slides(ref.cell), false);
    tree.set_travel(part.cell, travel(part).total);
    if (free) tree.set_status(part.cell, CellStatus::free);
    if (mark > 0) mark_if_inside(mark, part);
  }
}

void CellStore::bury(const CellRef& ref) {
  std::vector<bool>& buried = record(ref.leaf).buried;
  const auto i = static_cast<std::size_t>(ref.cell);
  if (buried.size() <= i) buried.resize(static_cast<std::size_t>(tree(ref.leaf).size()), false);
  // What is blocked already is buried or was never in question.
  if (status(ref) != CellStatus::blocked) buried[i] = true;
  block(ref);
}

bool CellStore::is_buried(const CellRef& ref) const {
  const std::vector<bool>& buried = record(ref.leaf).buried;
  const auto i = static_cast<std::size_t>(ref.cell);
  return i < buried.size() && buried[i];
}

int CellStore::mark(const State& state) {
  marked_.push_back(coordinates_of(chart_, state));
  const int mark = static_cast<int>(marked_.size());
  const int leaf = index_of(leaf_of(chart_, state));
  Box point;
  point.dimensions = tree(leaf).box(0).dimensions;
  point.low = point.high = marked_.back();
  tree(leaf).for_each_meeting(point, [&](int cell) { mark_if_inside(mark, {leaf, cell}); });
  return mark;
}

int CellStore::mark_of(const CellRef& ref) const {
  const std::vector<int>& marks = record(ref.leaf).marks;
  const auto i = static_cast<std::size_t>(ref.cell);
  return i < marks.size() ? marks[i] : 0;
}

void CellStore::mark_if_inside(int mark, const CellRef& ref) {
  const Point& x = marked_[static_cast<std::size_t>(mark - 1)];
  const Box b = box(ref);
  for (int k = 0; k < b.dimensions; ++k)
    if (!b.contains(k, x[Box::idx(k)])) return;
  std::vector<int>& marks = record(ref.leaf).marks;
  const auto i = static_cast<std::size_t>(ref.cell);
  if (marks.size() <= i) marks.resize(static_cast<std::size_t>(tree(ref.leaf).size()), 0);
  if (marks[i] == 0) marks[i] = mark;
}

}  // namespace withy
