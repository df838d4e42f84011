// SPDX-License-Identifier: GPL-3.0-or-later
// The physical range of every quantity that withy is told, in files and on the command line: one table, one
// check.
//
// A value outside its range is an error of the file or the option it stands in. A range is there to keep a
// slip of the keyboard out (a length in micrometres, a settling time of a year) and to keep what is worked
// out from it finite; what goes together (a tip shorter than its segment) is checked where the parts meet.
// Reasons: where none is given, common practice of bench hardware, no source.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace withy {

/// A closed range, open at its lower end where `above`, and 0 with it where `or_zero`.
struct Range {
  double least = 0.0;
  double most = 0.0;
  bool above = false;    ///< `least` itself is out
  bool or_zero = false;  ///< 0 is in too: it switches off what the quantity describes

  bool holds(double value) const;  ///< never for NaN
  /// "a number above 0 and up to 100 mm", for "give ..."; the unit may be empty.
  std::string words(std::string_view unit) const;
};

/// One quantity. Names are dotted keys as files have them, without indices: "segment.length_mm",
/// "layout.N.station_mm"; the first part is the option's name for options ("--clearance") and the format's
/// for what is not TOML ("plan.insertion_mm").
struct Quantity {
  std::string_view name;
  Range range;
  std::string_view unit;    ///< "mm", "deg", ...; empty for shares and counts
  std::string_view reason;  ///< why not less or more

  std::string words() const { return range.words(unit); }
};

/// All of them, by name of the file.
std::span<const Quantity> all_quantities();

/// The quantity of a dotted key with or without indices ("layout.2.station_mm[1]"); null for a key that has
/// no range of its own.
const Quantity* quantity(std::string_view dotted_key);

/// What any number of any file may be: far beyond every quantity, and small enough that squares and products
/// of a few stay finite.
inline constexpr double kLargestNumber = 1e12;

/// What is wrong with a value, as what would be right ("a number above 0 and up to 100 mm"); nothing when the
/// value keeps its range. For keys without a range of their own: finite and within kLargestNumber.
std::optional<std::string> range_fault(std::string_view dotted_key, double value);

}  // namespace withy
