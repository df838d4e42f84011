// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: the cells of a proof of "unreachable", as an outsider reads
// them from the file.
#pragma once

#include <istream>
#include <optional>
#include <random>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

/// One line of a proof: a closed box of states with the same locks engaged.
struct ProofCell {
  Eigen::Vector2d u_low, u_high;
  double insertion_low_mm = 0, insertion_high_mm = 0;
};

class Proof {
 public:
  /// Throws std::exception on lines it can't read.
  Proof(std::istream& lines, const Robot& robot);

  std::size_t size() const { return size_; }
  std::size_t leaves() const { return leaves_.size(); }

  /// Where a cell stands in the proof.
  struct Place {
    std::size_t leaf = 0, cell = 0;
    auto operator<=>(const Place&) const = default;
  };

  /// The state in the middle of a cell of a random leaf.
  State random_state(std::mt19937& random) const;

  /// A cell that holds the state, up to rounding; nothing where none does. `skipped` is passed over.
  std::optional<Place> place_of(const State& state, std::optional<Place> skipped = std::nullopt) const;

 private:
  /// Cells with the same locks engaged and the same bounds of the frozen bends.
  struct Leaf {
    std::vector<bool> locked;
    std::vector<Eigen::Vector2d> theta_low, theta_high;
    std::vector<ProofCell> cells;
    bool same_leaf(const Leaf& other) const {
      return locked == other.locked && theta_low == other.theta_low && theta_high == other.theta_high;
    }
  };
  bool holds(const Leaf& leaf, const State& state, const std::vector<Eigen::Vector2d>& bends) const;

  Robot robot_;
  std::size_t size_ = 0;
  std::vector<Leaf> leaves_;
  mutable Place last_;  // neighbours in a walk mostly share a cell
};

}  // namespace withy_plain
