// SPDX-License-Identifier: GPL-3.0-or-later
// What of a scene can be turned by a slider or chosen from a list, as the desk's JSON has it.
#pragma once

#include <string>

#include <nlohmann/json_fwd.hpp>

namespace withy {

/// Every number, list of numbers and word of the scene's text that has a range (planner/files/ranges.h) or
/// choices: [{"key", "value", "unit", "least", "most", "above", "or_zero", "reason"}] and
/// [{"key", "value", "choices"}], in the order of the keys. Precondition: the text is TOML.
nlohmann::ordered_json numbers_json(const std::string& text);
nlohmann::ordered_json choices_json(const std::string& text);

}  // namespace withy
