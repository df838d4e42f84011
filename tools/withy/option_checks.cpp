// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/option_checks.h"

#include <charconv>
#include <limits>

#include <fmt/format.h>

#include "planner/files/ranges.h"
#include "planner/files/word_reader.h"

namespace withy {
namespace {

/// A validator without a name: the help says the range itself.
CLI::Validator validator(std::function<std::string(std::string&)> check, std::string words) {
  return CLI::Validator(std::move(check), std::move(words));
}

}  // namespace

CLI::Validator in_range(const std::string& option) {
  const Quantity* known = quantity(option);
  const std::string words = known->words();
  return validator(
      [option, words](std::string& text) -> std::string {
        const auto value = number<double>(text);
        if (value && !range_fault(option, *value)) return "";
        return fmt::format("give {}, not \"{}\"", words, text);
      },
      "");
}

CLI::Validator whole_number(std::uint64_t least, std::uint64_t most) {
  return validator(
      [least, most](std::string& text) -> std::string {
        std::uint64_t value = 0;
        const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
        // Leading zeros would make octal digits of it in the conversion to come.
        const bool whole = fault == std::errc() && end == text.data() + text.size() &&
                           (text.size() == 1 || text.front() != '0');
        if (whole && value >= least && value <= most) return "";
        return fmt::format("give a whole number from {} to {}, not \"{}\"", least, most, text);
      },
      "");
}

CLI::Validator seed_number() {
  return whole_number(0, std::numeric_limits<std::uint64_t>::max());
}

}  // namespace withy
