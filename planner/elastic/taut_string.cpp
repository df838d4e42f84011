// SPDX-License-Identifier: GPL-3.0-or-later
// From each knot the slopes that pass all gates so far are an interval. Where a gate leaves none of it, the
// string leans on the edge that bounded the interval on that side, and goes on from there. At the end the
// slope nearest to level is taken.
#include "planner/elastic/taut_string.h"

#include <optional>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// An edge of a gate that the string may lean on, and the slope to it.
struct Edge {
  double slope = 0.0;
  StringKnot knot;
};

/// The knot after (s, h), gates from `first` on; nothing where the string is level from here on.
std::optional<StringKnot> next_knot(const std::vector<Gate>& gates, double half_width, std::size_t first,
                                    double s, double h) {
  Edge lowest{-kInfinity, {}};
  Edge highest{kInfinity, {}};
  for (std::size_t j = first; j < gates.size(); ++j) {
    const double run = gates[j].at - s;
    const StringKnot below{static_cast<int>(j), gates[j].middle - half_width};
    const StringKnot above{static_cast<int>(j), gates[j].middle + half_width};
    const double low = (below.height - h) / run;
    const double high = (above.height - h) / run;
    if (low > highest.slope) return highest.knot;
    if (high < lowest.slope) return lowest.knot;
    if (low > lowest.slope) lowest = {low, below};
    if (high < highest.slope) highest = {high, above};
  }
  if (lowest.slope > 0.0) return lowest.knot;
  if (highest.slope < 0.0) return highest.knot;
  return std::nullopt;
}

}  // namespace

std::vector<StringKnot> taut_string(const std::vector<Gate>& gates, double half_width) {
  std::vector<StringKnot> knots;
  double s = 0.0;
  double h = 0.0;
  std::size_t first = 0;
  while (const auto knot = next_knot(gates, half_width, first, s, h)) {
    knots.push_back(*knot);
    s = gates[static_cast<std::size_t>(knot->gate)].at;
    h = knot->height;
    first = static_cast<std::size_t>(knot->gate) + 1;
  }
  return knots;
}

}  // namespace withy
