// SPDX-License-Identifier: GPL-3.0-or-later
// Roundings of numbers that people read.
#pragma once

namespace withy {

/// To three significant digits, up or down, as what would do is printed; a value that has no more stays as it
/// is, and so does one that is not positive.
double three_digits(double value, bool up);

/// Down to so many decimals: a reserve is never printed as more than it is. A value that is less than a
/// thousandth of a step below one is that one, for searches leave the greatest open by about as much.
double decimals_down(double value, int decimals);

}  // namespace withy
