// SPDX-License-Identifier: GPL-3.0-or-later
// Five questions that no layout of one or two locks reaches, by their geometry.
//
// The segment is 30 mm long, 1 mm in radius, and bends to a radius of 33 mm at most, half a radian and a bit
// in all; its locks are 3 mm long.
//   throat    a tube with a place narrower than the tip;
//   aside     a wide chamber, the target farther beside the axis than the whole length bends;
//   turned    the target asks for a direction that takes more bend than there is;
//   corner    a tube with a right angle that is far tighter than the segment bends, the target behind it;
//   two-ways  a tube that bends and bends back more sharply than the segment does, the target behind.
#pragma once

#include <algorithm>
#include <string>
#include <vector>

#include "planner/search/layouts/layout_grid.h"
#include "planner/search/problem.h"

namespace withy::testing {

struct HopelessCount {
  std::string name;
  SearchProblem asked;  ///< with one lock
};

/// All of them, or those of the names.
std::vector<HopelessCount> hopeless_counts(const std::vector<std::string>& names = {});

/// The same question with its locks at these stations.
SearchProblem with_locks_at(const SearchProblem& asked, const Stations& stations);

/// Stations that the design may have; `uniform` draws from 0 to 1.
template <class Uniform>
Stations random_stations(const DesignParts& parts, int locks, const Uniform& uniform) {
  const double body = parts.lock->body_length_mm;
  // What is left of the length beside the locks' bodies, shared out at random.
  const double room = parts.segment.length_mm - parts.segment.tip_rigid_mm - locks * body;
  Stations shares;
  for (int i = 0; i < locks; ++i) shares.push_back(room * uniform());
  std::sort(shares.begin(), shares.end());
  for (int i = 0; i < locks; ++i) shares[static_cast<std::size_t>(i)] += (i + 0.5) * body;
  return shares;
}

}  // namespace withy::testing
