// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/leaves.h"

#include <algorithm>

#include <fmt/format.h>

namespace withy::recheck {

std::optional<Leaf> Leaf::make(const Robot& robot, const Lattice& lattice, LeafName name) {
  Leaf leaf;
  leaf.robot_ = &robot;
  leaf.lattice_ = &lattice;
  leaf.per_lock_ = lattice.kind() == Lattice::Kind::points  ? 0
                   : lattice.kind() == Lattice::Kind::lines ? 1
                                                            : 2;
  leaf.sums_.push_back(Interval2{});
  std::vector<int> engaged;
  for (const auto& [lock, notches] : name) {
    const auto sum = lattice.bend(notches);
    if (!sum || (lattice.kind() == Lattice::Kind::everything && !notches.empty())) return std::nullopt;
    const Interval2& before = leaf.sums_.back();
    leaf.base_.push_back({(*sum)[0] - before[0], (*sum)[1] - before[1]});
    leaf.sums_.push_back(*sum);
    engaged.push_back(lock);
  }
  // No bend at all is no bend, whatever rounding makes of a difference.
  for (std::size_t r = 0; r < leaf.base_.size(); ++r) {
    const Notches zero(name[r].second.size(), 0);
    const Notches& before = r == 0 ? zero : name[r - 1].second;
    if (name[r].second == before) leaf.base_[r] = Interval2{};
  }
  leaf.name_ = std::move(name);
  leaf.body_ = std::make_shared<const Body>(robot, std::move(engaged));
  return leaf;
}

StateBox Leaf::states(const Cell& cell) const {
  StateBox box;
  box.d_lo = cell.low[0];
  box.d_hi = cell.high[0];
  box.u = {Interval(cell.low[1], cell.high[1]), Interval(cell.low[2], cell.high[2])};
  box.theta = base_;
  if (per_lock_ == 0) return box;
  std::size_t k = 3;
  for (std::size_t r = 0; r < base_.size(); ++r) {
    const double most = (Interval(robot_->segment.curvature_max_per_mm * (1.0 + 4e-9)) *
                         body_->flexible(r, Interval(box.d_hi)))
                            .hi;
    for (int c = 0; c < per_lock_; ++c, ++k) {
      Interval t(cell.low[k], cell.high[k]);
      const Interval kept(std::max(t.lo, -most), std::min(t.hi, most));
      if (kept.lo <= kept.hi) t = kept;
      const Interval2& axis = lattice_->axes()[static_cast<std::size_t>(c)];
      for (std::size_t i = 0; i < 2; ++i)
        box.theta[r][i] = axis[i].lo == 1.0 && axis[i].hi == 1.0   ? t
                          : axis[i].lo == 0.0 && axis[i].hi == 0.0 ? box.theta[r][i]
                                                                   : box.theta[r][i] + axis[i] * t;
    }
  }
  return box;
}

std::vector<Interval> Leaf::coordinates(const Interval2& theta) const {
  if (per_lock_ == 0) return {};
  if (per_lock_ == 2) return {theta[0], theta[1]};
  const Interval2& axis = lattice_->axes()[0];
  return {axis[0] * theta[0] + axis[1] * theta[1]};
}

Cell Leaf::cell(const StateBox& box) const {
  Cell cell;
  cell.dimensions = dimensions();
  cell.low = {box.d_lo, box.u[0].lo, box.u[1].lo};
  cell.high = {box.d_hi, box.u[0].hi, box.u[1].hi};
  std::size_t k = 3;
  for (const Interval2& theta : box.theta)
    for (const Interval& t : coordinates(theta)) {
      cell.low[k] = t.lo;
      cell.high[k] = t.hi;
      ++k;
    }
  return cell;
}

std::optional<Leaves> Leaves::make(const Robot& robot, const Lattice& lattice, const Certificate& certificate,
                                   std::string& why) {
  Leaves out;
  out.levels_ = certificate.header.most_switches.value_or(0) + 1;
  for (std::size_t i = 0; i < certificate.leaves.size(); ++i) {
    const CertificateLeaf& given = certificate.leaves[i];
    LeafName name;
    for (std::size_t r = 0; r < given.engaged.size(); ++r)
      name.emplace_back(given.engaged[r], given.notches[r]);
    auto [at, fresh] = out.index_.try_emplace(name, out.entries_.size());
    if (fresh) {
      auto leaf = Leaf::make(robot, lattice, name);
      if (!leaf || leaf->dimensions() != given.whole.dimensions) {
        why = fmt::format("line {}: no leaf of this segment has these notches and coordinates", i + 2);
        return std::nullopt;
      }
      out.entries_.push_back({std::move(*leaf), std::vector<Cover>(static_cast<std::size_t>(out.levels_))});
    }
    Entry& entry = out.entries_[at->second];
    Cover& cover = entry.levels[static_cast<std::size_t>(given.level)];
    if (!cover.empty() || entry.leaf.dimensions() != given.whole.dimensions) {
      why = fmt::format("line {}: this leaf stands in the file twice", i + 2);
      return std::nullopt;
    }
    if (!cover.read(given.whole, given.parts)) {
      why = fmt::format("line {}: \"parts\" is no tree of cuts", i + 2);
      return std::nullopt;
    }
  }
  return out;
}

const Leaves::Entry* Leaves::find(const LeafName& name) const {
  const auto at = index_.find(name);
  return at == index_.end() ? nullptr : &entries_[at->second];
}

}  // namespace withy::recheck
