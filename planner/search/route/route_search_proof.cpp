// SPDX-License-Identifier: GPL-3.0-or-later
// From the cells that a proof reached to the leaves of a certificate (planner/proof/recheck/certificate.h).
#include <cmath>

#include "planner/search/route/route_search.h"

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

}  // namespace

std::vector<recheck::CertificateLeaf> RouteSearch::certificate_leaves(int levels) const {
  std::vector<recheck::CertificateLeaf> leaves;
  for (const auto& record : leaves_)
    for (int level = 0; level < levels; ++level) {
      bool any = false;
      const std::function<bool(int)> is_in = [&](int cell) {
        const auto i = static_cast<std::size_t>(cell);
        const bool buried = i < record->buried.size() && record->buried[i];
        const bool in =
            buried || (reached(*record, cell) && (levels == 1 || record->visits[i].switches <= level));
        any = any || in;
        return in;
      };
      std::string parts = PartsWriter(record->tree, is_in).text();
      if (!any) continue;
      recheck::CertificateLeaf leaf;
      leaf.level = level;
      int count = 0;
      for (int lock = 0; lock < problem_.design.lock_count(); ++lock) {
        if (!record->leaf.engaged.test(static_cast<std::size_t>(lock))) continue;
        leaf.engaged.push_back(lock);
        leaf.notches.push_back(chart_.kind() == LatticeKind::everything
                                   ? recheck::Notches{}
                                   : notches_of(*problem_.design.latch(), record->leaf.base_sum(++count)));
      }
      const Box whole = record->tree.box(0);
      leaf.whole.dimensions = whole.dimensions;
      for (int k = 0; k < whole.dimensions; ++k) {
        leaf.whole.low[Box::idx(k)] = whole.low[Box::idx(k)];
        leaf.whole.high[Box::idx(k)] = whole.high[Box::idx(k)];
      }
      leaf.parts = std::move(parts);
      leaves.push_back(std::move(leaf));
    }
  return leaves;
}

}  // namespace withy
