// SPDX-License-Identifier: GPL-3.0-or-later
// Leaves as the checker has them: engaged locks and notches, from cells of leaf coordinates to boxes of
// states and back.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <utility>
#include <vector>

#include "planner/proof/recheck/certificate.h"

namespace withy::recheck {

/// Engaged locks with the notches that each holds. Engaging a lock adds an entry, releasing it takes it out:
/// the notches of the others stay as they are, since they count the bends from the base on.
using LeafName = std::vector<std::pair<int, Notches>>;

class Leaf {
 public:
  /// Nothing where a lock's notches don't go together.
  static std::optional<Leaf> make(const Robot& robot, const Lattice& lattice, LeafName name);

  const LeafName& name() const { return name_; }
  const Body& body() const { return *body_; }
  int dimensions() const { return 3 + per_lock_ * static_cast<int>(name_.size()); }
  /// Sum of the bends up to the n-th engaged lock, without the continuous coordinates. n = 0: none.
  const Interval2& sum_before(std::size_t n) const { return sums_[n]; }

  /// The states of a cell. Continuous frozen bends that no state of the cell may legally have are left out.
  StateBox states(const Cell& cell) const;
  /// A cell that holds the states of a box. Discrete bends are taken for granted.
  Cell cell(const StateBox& box) const;
  /// The continuous coordinates of bend `theta` at region r.
  std::vector<Interval> coordinates(const Interval2& theta) const;
  int per_lock() const { return per_lock_; }

 private:
  Leaf() = default;
  const Robot* robot_ = nullptr;
  const Lattice* lattice_ = nullptr;
  LeafName name_;
  std::shared_ptr<const Body> body_;
  std::vector<Interval2> sums_;
  std::vector<Interval2> base_;
  int per_lock_ = 0;
};

/// All leaves with a part in H, each with its covers by level.
class Leaves {
 public:
  struct Entry {
    Leaf leaf;
    std::vector<Cover> levels;  ///< one for each level of the certificate
  };

  /// Nothing, with `why`, where the certificate's leaves are none of this robot's, or a leaf stands twice.
  static std::optional<Leaves> make(const Robot& robot, const Lattice& lattice,
                                    const Certificate& certificate, std::string& why);

  const std::vector<Entry>& all() const { return entries_; }
  const Entry* find(const LeafName& name) const;
  int levels() const { return levels_; }

 private:
  std::vector<Entry> entries_;
  std::map<LeafName, std::size_t> index_;
  int levels_ = 1;
};

}  // namespace withy::recheck
