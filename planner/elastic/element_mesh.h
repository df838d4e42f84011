// SPDX-License-Identifier: GPL-3.0-or-later
// The segment cut into small elements: each bends and twists evenly, or is rigid.
#pragma once

#include <vector>

#include "planner/segment/design.h"

namespace withy {

/// Flexible elements over a whole segment, unless asked otherwise. Measured in 500 random states
/// (tests/planner/elastic/shooting_twin_test.cpp): the tip is off by 0.022 mm at the most with 24 and by
/// 0.006 with 48, so by 0.01 with these, and halving them moves it by less.
inline constexpr int kUsualElements = 36;
/// Of these so many at the least stand in a gap between disks, where bends are not even: with two, halving
/// moves the tip by 0.012 mm (measured, disks 5 mm apart).
inline constexpr int kElementsInGap = 3;
/// For looks that are many.
inline constexpr int kCoarseElements = 24;

struct Element {
  double from_mm = 0.0;
  double to_mm = 0.0;
  int flexible = -1;  ///< counts the flexible ones from the base; -1: rigid
};

/// Node n is where element n begins; the last node is the tip. Ends of rigid spans, lock centres and disks
/// are nodes.
class ElementMesh {
 public:
  /// No flexible element is longer than L / `elements`, nor, with disks, than a gap over kElementsInGap, that
  /// in proportion where `elements` are not the usual count.
  ElementMesh(const Design& design, int elements);

  const std::vector<Element>& elements() const { return element_; }
  int count() const { return static_cast<int>(element_.size()); }
  int flexible_count() const { return flexible_; }
  /// The element that is number `flexible` of the flexible ones.
  int element_of(int flexible) const { return of_flexible_[static_cast<std::size_t>(flexible)]; }
  int lock_node(int lock) const { return lock_node_[static_cast<std::size_t>(lock)]; }
  /// Nodes of the disks, base to tip; empty for continuous routing.
  const std::vector<int>& disk_nodes() const { return disk_node_; }
  double station_mm(int node) const;

 private:
  void add(double from_mm, double to_mm, bool rigid, double longest_mm);
  int nearest_node(double station_mm) const;

  std::vector<Element> element_;
  std::vector<int> of_flexible_;
  std::vector<int> lock_node_;
  std::vector<int> disk_node_;
  int flexible_ = 0;
};

}  // namespace withy
