// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script_numbers.h"

#include <cassert>
#include <charconv>
#include <cmath>

#include <fmt/core.h>

#include "planner/script/script.h"

namespace withy {

double on_script_step(double value) {
  constexpr double kStepsPerUnit = 1.0 / kScriptStep;
  // Adding zero takes the sign off a negative zero.
  return std::round(value * kStepsPerUnit) / kStepsPerUnit + 0.0;
}

double on_script_step_within(double value, double limit) {
  // Plans keep their limits to this share of them.
  constexpr double kArithmetic = 1e-9;
  const double nearest = on_script_step(value);
  if (std::abs(nearest) <= limit || !(std::abs(value) <= limit * (1.0 + kArithmetic))) return nearest;
  return on_script_step(nearest - std::copysign(kScriptStep, nearest));
}

std::string script_number(double value) {
  assert(std::isfinite(value));
  return fmt::format("{:.6f}", on_script_step(value));
}

std::optional<double> parse_script_number(std::string_view text) {
  // from_chars takes a minus but no plus, and would take "inf", which neither digit nor dot opens.
  const std::size_t sign = !text.empty() && (text.front() == '+' || text.front() == '-') ? 1 : 0;
  if (text.size() == sign || (text[sign] != '.' && (text[sign] < '0' || text[sign] > '9')))
    return std::nullopt;
  if (text.front() == '+') text.remove_prefix(1);
  double value = 0.0;
  const auto [end, fault] =
      std::from_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed);
  if (fault != std::errc() || end != text.data() + text.size() || !std::isfinite(value)) return std::nullopt;
  return value;
}

std::optional<int> parse_script_count(std::string_view text) {
  int value = 0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (fault != std::errc() || end != text.data() + text.size() || value < 0) return std::nullopt;
  return value;
}

}  // namespace withy
