// SPDX-License-Identifier: GPL-3.0-or-later
// Numbers as scripts write and read them: fixed point, six decimals, no exponent, no sign on zero.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace withy {

/// The nearest multiple of kScriptStep (script.h). Printing it with six decimals and reading that back gives
/// the same double: both are the double nearest to the same decimal number.
double on_script_step(double value);

/// The same of a value whose size is at most `limit`, and so is what comes out: rounded inwards where the
/// nearest multiple is beyond. What is beyond by more than the plan's own rounding stays there.
double on_script_step_within(double value, double limit);

/// "-1.250000". Precondition: finite.
std::string script_number(double value);

/// A decimal number that fills `text` whole; signs allowed, an exponent, infinity and NaN not.
std::optional<double> parse_script_number(std::string_view text);

/// A whole number, 0 or more, that fills `text` whole.
std::optional<int> parse_script_count(std::string_view text);

}  // namespace withy
