// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/scene_text.h"

#include <cmath>
#include <optional>
#include <string_view>
#include <utility>

#include <fmt/format.h>
#include <toml++/toml.h>

#include "planner/files/toml_depth.h"

namespace withy {
namespace {

using Changed = tl::expected<std::string, std::string>;

std::string number_text(double value, bool as_integer) {
  if (as_integer && value == std::floor(value) && std::abs(value) < 1e15) return fmt::format("{:.0f}", value);
  std::string text = fmt::format("{}", value + 0.0);  // the shortest that reads back as the same number
  if (text.find_first_of(".e") == text.npos) text += ".0";
  return text;
}

std::string quoted(const std::string& words) {
  std::string out = "\"";
  for (const char c : words) {
    if (c == '"' || c == '\\') out += '\\';
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f)
      out += fmt::format("\\u{:04X}", static_cast<unsigned>(static_cast<unsigned char>(c)));
    else
      out += c;
  }
  return out + "\"";
}

/// A value as TOML. `present`: what stands there now, null for nothing.
std::string value_text(const SceneChange& change, const toml::node* present) {
  if (const auto* words = std::get_if<std::string>(&change.value)) return quoted(*words);
  if (const auto* number = std::get_if<double>(&change.value))
    return number_text(*number, present != nullptr && present->is_integer());
  const auto& numbers = std::get<std::vector<double>>(change.value);
  const toml::array* list = present == nullptr ? nullptr : present->as_array();
  std::string out = "[";
  for (std::size_t i = 0; i < numbers.size(); ++i) {
    const toml::node* before = list == nullptr ? nullptr : list->get(i);
    out += (i == 0 ? "" : ", ") + number_text(numbers[i], before != nullptr && before->is_integer());
  }
  return out + "]";
}

/// Is the node what the change wants there?
bool holds(const toml::node& node, const SceneChange& change) {
  if (const auto* words = std::get_if<std::string>(&change.value))
    return node.value_exact<std::string>() == *words;
  if (const auto* number = std::get_if<double>(&change.value))
    return node.is_number() && node.value<double>() == *number;
  const auto& numbers = std::get<std::vector<double>>(change.value);
  const toml::array* list = node.as_array();
  if (list == nullptr || list->size() != numbers.size()) return false;
  for (std::size_t i = 0; i < numbers.size(); ++i)
    if (!list->get(i)->is_number() || list->get(i)->value<double>() != numbers[i]) return false;
  return true;
}

/// UTF-8's byte order mark (The Unicode Standard, chapter 23.8), which the parser passes over without
/// counting.
constexpr std::string_view kByteOrderMark = "\xef\xbb\xbf";

/// The byte at which a place of the parser's stands: lines and code points, both from 1.
std::size_t offset_of(const std::string& text, const toml::source_position& at) {
  std::size_t byte = text.starts_with(kByteOrderMark) ? kByteOrderMark.size() : 0;
  for (toml::source_index line = 1; line < at.line; ++line) byte = text.find('\n', byte) + 1;
  for (toml::source_index column = 1; column < at.column && byte < text.size(); ++column) {
    ++byte;
    while (byte < text.size() && (static_cast<unsigned char>(text[byte]) & 0xC0) == 0x80) ++byte;
  }
  return byte;
}

/// A dotted key parted at its last dot.
std::pair<std::string, std::string> parted(const std::string& key) {
  const std::size_t dot = key.rfind('.');
  if (dot == key.npos) return {"", key};
  return {key.substr(0, dot), key.substr(dot + 1)};
}

/// How the line that holds this byte ends; the last one as the one before it.
std::string_view line_end(const std::string& text, std::size_t byte) {
  std::size_t end = text.find('\n', byte);
  if (end == text.npos) end = text.rfind('\n');
  return end != text.npos && end > 0 && text[end - 1] == '\r' ? "\r\n" : "\n";
}

std::string with_key_added(const std::string& text, const toml::table& document, const SceneChange& change) {
  const auto [table, name] = parted(change.key);
  const std::string line = name + " = " + value_text(change, nullptr);
  const toml::node_view<const toml::node> above = toml::at_path(document, table);
  if (!above) {
    const std::string eol(line_end(text, text.size()));
    const std::string gap = text.empty() || text.back() == '\n' ? eol : eol + eol;
    return text + gap + "[" + table + "]" + eol + line + eol;
  }
  const std::size_t header = offset_of(text, above.node()->source().begin);
  const std::string eol(line_end(text, header));
  const std::size_t end = text.find('\n', header);
  if (end == text.npos) return text + eol + line + eol;
  return text.substr(0, end + 1) + line + eol + text.substr(end + 1);
}

std::string with_text_replaced(const std::string& text, const toml::source_region& place,
                               const std::string& by) {
  return text.substr(0, offset_of(text, place.begin)) + by + text.substr(offset_of(text, place.end));
}

/// Each number that differs is replaced where it stands, so that what stands about it stays; nothing where
/// the list has another length.
std::optional<std::string> with_items_replaced(const std::string& text, const toml::array& list,
                                               const std::vector<double>& numbers) {
  if (list.size() != numbers.size()) return std::nullopt;
  std::string out = text;
  for (std::size_t i = numbers.size(); i-- > 0;) {  // from the last one on: places before it stay
    const toml::node& item = *list.get(i);
    if (item.is_number() && item.value<double>() == numbers[i]) continue;
    out = with_text_replaced(out, item.source(), number_text(numbers[i], item.is_integer()));
  }
  return out;
}

/// Nothing where comments would be lost.
std::optional<std::string> with_value_replaced(const std::string& text, const toml::node& node,
                                               const SceneChange& change) {
  const auto* numbers = std::get_if<std::vector<double>>(&change.value);
  const toml::array* list = node.as_array();
  if (numbers != nullptr && list != nullptr) {
    if (auto out = with_items_replaced(text, *list, *numbers)) return out;
    const std::size_t from = offset_of(text, node.source().begin);
    if (text.substr(from, offset_of(text, node.source().end) - from).find('#') != text.npos)
      return std::nullopt;
  }
  return with_text_replaced(text, node.source(), value_text(change, &node));
}

std::optional<toml::table> parsed(const std::string& text) {
  if (first_deep_place(text)) return std::nullopt;
  try {
    return toml::parse(text, std::string("the scene"));
  } catch (const toml::parse_error&) {
    return std::nullopt;
  }
}

/// Takes the value at the key out of a document, and the tables that are empty then.
void take_out(toml::table& document, const std::string& key) {
  const auto [table, name] = parted(key);
  toml::node_view<toml::node> above =
      table.empty() ? toml::node_view<toml::node>(document) : toml::at_path(document, table);
  if (!above || !above.is_table()) return;
  above.as_table()->erase(name);
  if (above.as_table()->empty() && !table.empty()) take_out(document, table);
}

/// The text with one change made.
Changed with_change(const std::string& text, const SceneChange& change) {
  auto before = parsed(text);
  if (!before) return tl::unexpected<std::string>("the scene's text is no TOML");
  const toml::node_view<const toml::node> present = toml::at_path(std::as_const(*before), change.key);
  auto out = present ? with_value_replaced(text, *present.node(), change)
                     : std::optional(with_key_added(text, *before, change));
  const auto refused = tl::unexpected<std::string>(fmt::format(
      "{} can't be changed without touching what stands about it; change it in the file", change.key));
  auto after = out ? parsed(*out) : std::nullopt;
  if (!after) return refused;
  const toml::node_view<const toml::node> placed = toml::at_path(std::as_const(*after), change.key);
  if (!placed || !holds(*placed.node(), change)) return refused;
  take_out(*before, change.key);
  take_out(*after, change.key);
  return *before == *after ? Changed(std::move(*out)) : refused;
}

/// Nothing where the value may stand in a file.
std::optional<std::string> value_fault(const SceneChange& change) {
  const auto wrong = [](double value) { return !std::isfinite(value); };
  if (const auto* number = std::get_if<double>(&change.value); number != nullptr && wrong(*number))
    return fmt::format("{} is no finite number", change.key);
  if (const auto* numbers = std::get_if<std::vector<double>>(&change.value))
    for (const double value : *numbers)
      if (wrong(value)) return fmt::format("{} holds what is no finite number", change.key);
  if (change.key.empty() ||
      change.key.find_first_not_of("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-.[]") !=
          change.key.npos)
    return "a key is made of letters, digits, _ and dots";
  return std::nullopt;
}

}  // namespace

Changed changed_text(const std::string& text, const std::vector<SceneChange>& changes) {
  std::string out = text;
  for (const SceneChange& change : changes) {
    if (auto fault = value_fault(change)) return tl::unexpected(std::move(*fault));
    auto next = with_change(out, change);
    if (!next) return next;
    out = std::move(*next);
  }
  return out;
}

}  // namespace withy
