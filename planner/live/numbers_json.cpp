// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/numbers_json.h"

#include <array>
#include <string_view>
#include <utility>
#include <vector>

#include <nlohmann/json.hpp>
#include <toml++/toml.h>

#include "planner/files/ranges.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

struct Choice {
  std::string_view key;
  std::vector<std::string_view> words;
};

const std::vector<Choice>& all_choices() {
  static const std::vector<Choice> choices = {{"channel.outlets", {"closed", "open"}},
                                              {"carriage.kind", {"free", "guide"}},
                                              {"tendons.motors", {"ride", "stand"}}};
  return choices;
}

/// The value as JSON where it is a number or a list of numbers; else null.
Json value_of(const toml::node& node) {
  if (node.is_number()) return *node.value<double>();
  const toml::array* list = node.as_array();
  if (list == nullptr || list->empty()) return nullptr;
  Json out = Json::array();
  for (const toml::node& element : *list) {
    if (!element.is_number()) return nullptr;
    out.push_back(*element.value<double>());
  }
  return out;
}

void add_numbers(const toml::table& table, const std::string& prefix, Json& out) {
  for (const auto& [name, node] : table) {
    const std::string key = prefix + std::string(name.str());
    if (const toml::table* inner = node.as_table()) {
      add_numbers(*inner, key + ".", out);
      continue;
    }
    if (const toml::array* list = node.as_array(); list != nullptr && list->is_array_of_tables()) {
      for (std::size_t i = 0; i < list->size(); ++i)
        add_numbers(*list->get(i)->as_table(), key + "[" + std::to_string(i) + "].", out);
      continue;
    }
    const Quantity* known = quantity(key);
    Json value = value_of(node);
    if (known == nullptr || value.is_null()) continue;
    out.push_back({{"key", key},
                   {"value", std::move(value)},
                   {"unit", std::string(known->unit)},
                   {"least", known->range.least},
                   {"most", known->range.most},
                   {"above", known->range.above},
                   {"or_zero", known->range.or_zero},
                   {"reason", std::string(known->reason)}});
  }
}

}  // namespace

Json numbers_json(const std::string& text) {
  Json out = Json::array();
  add_numbers(toml::parse(text, std::string("the scene")), "", out);
  return out;
}

Json choices_json(const std::string& text) {
  const toml::table document = toml::parse(text, std::string("the scene"));
  Json out = Json::array();
  for (const Choice& choice : all_choices()) {
    const auto value = toml::at_path(document, choice.key).value<std::string>();
    if (value)
      out.push_back({{"key", std::string(choice.key)}, {"value", *value}, {"choices", choice.words}});
  }
  return out;
}

}  // namespace withy
