// SPDX-License-Identifier: GPL-3.0-or-later
// The part of H in one leaf: a box cut in halves, again and again, parts marked as in H or not.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <string>
#include <string_view>
#include <vector>

namespace withy::recheck {

inline constexpr int kMostDimensions = 19;

inline std::size_t at(int k) {
  return static_cast<std::size_t>(k);
}

/// A closed box of leaf coordinates: insertion, free curvature x and y, then those of frozen bends.
struct Cell {
  int dimensions = 3;
  std::array<double, kMostDimensions> low{};
  std::array<double, kMostDimensions> high{};
};

/// A closed set: the union of the closed parts that are in H. Nothing outside the whole box is.
class Cover {
 public:
  /// Nothing in it.
  Cover() = default;
  /// Reads parts in depth-first order, the lower half first: a letter from 'a' on cuts along that coordinate
  /// in the middle (0.5 * (low + high) in doubles), '1' is in H, '0' is not. False where the text is not such
  /// a tree.
  bool read(const Cell& whole, std::string_view parts);

  bool empty() const { return nodes_.empty(); }
  const Cell& whole() const { return whole_; }
  std::size_t parts() const { return nodes_.size(); }

  enum class Says { in, out, mixed };
  /// in: every point of the box is in H. out: none is. mixed: may be either.
  Says about(const Cell& box) const;

  /// Hands out every part of H.
  void each_part(const std::function<void(const Cell&)>& take) const;
  /// Hands out, of the parts of the whole that are not in H, what they share with a face of a part of H:
  /// `part` at its low or high end of coordinate k.
  void each_beyond(const Cell& part, int k, bool high, const std::function<void(const Cell&)>& take) const;

 private:
  struct Node {
    std::int32_t first_child = -1;  // of two; -1: a part
    std::int8_t cut = -1;
    bool in = false;
  };
  bool read_node(std::string_view parts, std::size_t& at, Cell box, std::size_t node);

  template <class Visit>
  void walk(std::size_t node, Cell& box, Visit&& visit) const;

  Cell whole_;
  std::vector<Node> nodes_;
};

}  // namespace withy::recheck
