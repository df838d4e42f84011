// SPDX-License-Identifier: GPL-3.0-or-later
// A string drawn tight through a row of gates.
//
// The string begins at (0, 0) and passes gate j, at s_j > s_{j-1}, anywhere within [y_j - b, y_j + b]; past
// the last gate it is free. It takes the course h of least sum of (h_j - h_{j-1})^2 / (s_j - s_{j-1}):
// straight but where it leans on a gate's edge. That is how a backbone held with play lies: h is its stretch
// summed from the base, and its force is EA times the slope.
#pragma once

#include <vector>

namespace withy {

struct Gate {
  double at = 0.0;      ///< s_j
  double middle = 0.0;  ///< y_j
};

/// Where the string leans on an edge.
struct StringKnot {
  int gate = 0;
  double height = 0.0;  ///< middle + b or middle - b
};

/// The knots in order. Between them, and from the beginning to the first, the string is straight; past the
/// last it is level.
std::vector<StringKnot> taut_string(const std::vector<Gate>& gates, double half_width);

}  // namespace withy
