// SPDX-License-Identifier: GPL-3.0-or-later
// What the value of an option may be: plain decimal numbers within the ranges that files keep to
// (planner/files/ranges.h), whole numbers, names that are UTF-8.
#pragma once

#include <cstdint>
#include <string>

#include <CLI/CLI.hpp>

namespace withy {

/// A finite decimal number within the range of the option's name ("--clearance").
CLI::Validator in_range(const std::string& option);

/// Decimal digits only, from `least` to `most`.
CLI::Validator whole_number(std::uint64_t least, std::uint64_t most);

/// A seed: any whole number that 64 bits hold.
CLI::Validator seed_number();

}  // namespace withy
