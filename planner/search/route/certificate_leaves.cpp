// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/certificate_leaves.h"

#include <cassert>
#include <cmath>
#include <functional>
#include <string>
#include <utility>

namespace withy {

namespace {

/// The tree of a leaf as the certificate writes it: depth first, whole subtrees of one kind as one part.
class PartsWriter {
 public:
  PartsWriter(const CellTree& tree, const std::function<bool(int)>& is_in) : tree_(tree), is_in_(is_in) {}

  std::string text() {
    write(0);
    return std::move(out_);
  }

 private:
  void write(int cell) {
    if (!tree_.is_split(cell)) {
      out_ += is_in_(cell) ? '1' : '0';
      return;
    }
    const std::size_t start = out_.size();
    const int first = tree_.first_child(cell);
    out_ += static_cast<char>('a' + cut_of(cell));
    write(first);
    const std::size_t second = out_.size();
    write(first + 1);
    const bool alike = second == start + 2 && out_.size() == start + 3 && out_[start + 1] == out_[start + 2];
    if (alike) out_.replace(start, 3, 1, out_[start + 1]);
  }

  /// The coordinate in which the first child is not as long as its parent.
  int cut_of(int cell) const {
    const Box whole = tree_.box(cell);
    const Box part = tree_.box(tree_.first_child(cell));
    for (int k = 0; k < whole.dimensions; ++k)
      if (part.high[Box::idx(k)] != whole.high[Box::idx(k)]) return k;
    return 0;
  }

  const CellTree& tree_;
  const std::function<bool(int)>& is_in_;
  std::string out_;
};

/// Of every backbone the notch that a sum of bends puts it on.
recheck::Notches notches_of(const LatchHardware& latch, const Eigen::Vector2d& sum) {
  recheck::Notches notches;
  for (const double psi : latch.backbone_angle_rad) {
    const double slide = latch.backbone_radius_mm * (std::cos(psi) * sum.x() + std::sin(psi) * sum.y());
    notches.push_back(static_cast<int>(std::lround(slide / latch.notch_pitch_mm)));
  }
  return notches;
}

recheck::CertificateLeaf leaf_of_certificate(const CellStore& store, const Leaf& leaf, const Box& whole,
                                             int level) {
  const Design& design = store.problem().design;
  recheck::CertificateLeaf written;
  written.level = level;
  int count = 0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!leaf.engaged.test(static_cast<std::size_t>(lock))) continue;
    written.engaged.push_back(lock);
    written.notches.push_back(store.chart().kind() == LatticeKind::everything
                                  ? recheck::Notches{}
                                  : notches_of(*design.latch(), leaf.base_sum(++count)));
  }
  written.whole.dimensions = whole.dimensions;
  for (int k = 0; k < whole.dimensions; ++k) {
    written.whole.low[Box::idx(k)] = whole.low[Box::idx(k)];
    written.whole.high[Box::idx(k)] = whole.high[Box::idx(k)];
  }
  return written;
}

}  // namespace

std::vector<recheck::CertificateLeaf> certificate_leaves(const CellStore& store, const CellLabels* labels,
                                                         int levels) {
  std::vector<recheck::CertificateLeaf> leaves;
  for (int index = 0; index < store.leaf_count(); ++index)
    for (int level = 0; level < levels; ++level) {
      bool any = false;
      const std::function<bool(int)> is_in = [&](int cell) {
        const CellRef ref{index, cell};
        const bool reached =
            labels != nullptr && labels->reached(ref) && (levels == 1 || labels->of(ref).switches <= level);
        const bool in = reached || store.is_buried(ref);
        any = any || in;
        return in;
      };
      std::string parts = PartsWriter(store.tree(index), is_in).text();
      if (!any) continue;
      leaves.push_back(leaf_of_certificate(store, store.leaf(index), store.tree(index).box(0), level));
      leaves.back().parts = std::move(parts);
    }
  return leaves;
}

std::vector<recheck::CertificateLeaf> whole_leaves_with_locks(const CellStore& store) {
  assert(store.chart().kind() == LatticeKind::everything);
  const Design& design = store.problem().design;
  std::vector<recheck::CertificateLeaf> leaves;
  for (int engaged = 1; engaged <= design.lock_count(); ++engaged)
    for_each_leaf(design, store.chart(), engaged, Effort(), [&](const Leaf& leaf) {
      leaves.push_back(leaf_of_certificate(store, leaf, whole_leaf(design, store.chart(), leaf), 0));
      leaves.back().parts.assign(1, '1');
      return true;
    });
  return leaves;
}

}  // namespace withy
