// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/json_reader.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>
#include <set>
#include <utility>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "planner/files/json_depth.h"
#include "planner/files/ranges.h"

namespace withy {
namespace {

using nlohmann::json;

/// Line and column, both from 1, of a byte.
std::pair<int, int> place_of(std::string_view text, std::size_t offset) {
  const std::string_view before = text.substr(0, std::min(offset, text.size()));
  const auto line = std::count(before.begin(), before.end(), '\n') + 1;
  const std::size_t line_start = before.rfind('\n') == before.npos ? 0 : before.rfind('\n') + 1;
  return {static_cast<int>(line), static_cast<int>(before.size() - line_start) + 1};
}

/// Walks the text for the parser and tells how far it has read.
class CountingIterator {
 public:
  using iterator_category = std::input_iterator_tag;
  using value_type = char;
  using difference_type = std::ptrdiff_t;
  using pointer = const char*;
  using reference = const char&;

  CountingIterator(const char* at, const char** read_to) : at_(at), read_to_(read_to) {}
  reference operator*() const { return *at_; }
  CountingIterator& operator++() {
    *read_to_ = ++at_;
    return *this;
  }
  CountingIterator operator++(int) {
    CountingIterator before = *this;
    ++*this;
    return before;
  }
  bool operator==(const CountingIterator& other) const { return at_ == other.at_; }
  bool operator!=(const CountingIterator& other) const { return at_ != other.at_; }

 private:
  const char* at_;
  const char** read_to_;
};

/// "~" and "/" in a key, as RFC 6901 writes them.
std::string escaped(std::string_view key) {
  std::string out;
  for (const char c : key) out += c == '~' ? "~0" : c == '/' ? "~1" : std::string(1, c);
  return out;
}

std::string child_pointer(const std::string& parent, std::string_view key) {
  return fmt::format("{}/{}", parent, escaped(key));
}

/// Listens to the parser and notes where each value starts. Each event comes right after the parser has read
/// the value's token; a number's end shows only in the character after it, which is then read too.
class PlaceListener : public json::json_sax_t {
 public:
  PlaceListener(const char* text, const char* const* read_to, std::map<std::string, std::size_t>& offset)
      : text_(text), read_to_(read_to), offset_(offset) {}

  bool null() override { return value(read() - std::string_view("null").size()); }
  bool boolean(bool v) override { return value(read() - std::string_view(v ? "true" : "false").size()); }
  bool number_integer(number_integer_t) override { return value(number_start()); }
  bool number_unsigned(number_unsigned_t) override { return value(number_start()); }
  bool number_float(number_float_t v, const string_t&) override {
    if (std::isfinite(v)) return value(number_start());
    fault_ = Fault{number_start() + 1, "a number is beyond what a double holds"};
    return false;
  }
  bool string(string_t&) override { return value(string_start()); }
  bool binary(json::binary_t&) override { return true; }
  bool start_object(std::size_t) override { return open(false); }
  bool end_object() override { return close(); }
  bool start_array(std::size_t) override { return open(true); }
  bool end_array() override { return close(); }
  /// Readers differ in which of two values with one name they take, so neither is taken.
  bool key(string_t& name) override {
    levels_.back().key = name;
    if (levels_.back().keys.insert(name).second) return true;
    fault_ = Fault{string_start() + 1, fmt::format("the key \"{}\" stands twice", name),
                   "leave one of the two out"};
    return false;
  }
  bool parse_error(std::size_t position, const std::string&,
                   const nlohmann::detail::exception& error) override {
    fault_ = Fault{position, error.what()};
    return false;
  }

  struct Fault {
    std::size_t position;  // of the byte that the parser stumbled on, from 1
    std::string words;
    std::string remedy = "";  // where it is not the grammar that is broken
  };
  const std::optional<Fault>& fault() const { return fault_; }

 private:
  struct Level {
    std::string pointer;
    bool array;
    std::size_t index = 0;
    std::string key;
    std::set<std::string> keys;
  };

  std::size_t read() const { return static_cast<std::size_t>(*read_to_ - text_); }

  std::size_t number_start() const {
    const auto of_number = [](char c) {
      return (c >= '0' && c <= '9') || std::string_view("+-.eE").find(c) != std::string_view::npos;
    };
    std::size_t at = read();
    if (!of_number(text_[at - 1])) --at;
    while (at > 0 && of_number(text_[at - 1])) --at;
    return at;
  }

  std::size_t string_start() const {
    std::size_t at = read() - 1;  // the closing quote
    do {
      --at;
    } while (text_[at] != '"' || is_escaped(at));
    return at;
  }

  bool is_escaped(std::size_t at) const {
    std::size_t slashes = 0;
    while (at > slashes && text_[at - slashes - 1] == '\\') ++slashes;
    return slashes % 2 == 1;
  }

  std::string pointer_here() {
    if (levels_.empty()) return "";
    Level& level = levels_.back();
    return child_pointer(level.pointer, level.array ? std::to_string(level.index++) : level.key);
  }

  bool value(std::size_t start) {
    offset_.emplace(pointer_here(), start);
    return true;
  }

  bool open(bool array) {
    if (levels_.size() >= kDeepestJson) {
      fault_ = Fault{read(), fmt::format("lists and objects lie more than {} deep", kDeepestJson)};
      return false;
    }
    std::string pointer = pointer_here();
    offset_.emplace(pointer, read() - 1);
    levels_.push_back({std::move(pointer), array, 0, "", {}});
    return true;
  }

  bool close() {
    levels_.pop_back();
    return true;
  }

  const char* text_;
  const char* const* read_to_;
  std::map<std::string, std::size_t>& offset_;
  std::vector<Level> levels_;
  std::optional<Fault> fault_;
};

/// The parser's own words without its prefix and place, which stand in front of the line already.
std::string without_place(const std::string& words) {
  const std::size_t colon = words.find(": ");
  return colon == std::string::npos ? words : words.substr(colon + 2);
}

std::string name_of_type(const json& value) {
  if (value.is_number()) return "a number";
  if (value.is_string()) return "a text";
  if (value.is_boolean()) return "true or false";
  if (value.is_array()) return "a list";
  if (value.is_object()) return "an object";
  return "null";
}

const json kNothing;

}  // namespace

Result<JsonFile> JsonFile::parse(std::string text, std::string file) {
  JsonFile parsed(std::move(text), std::move(file));
  // A smaller text can't hold too many, and of one too deep the parser below says where.
  if (parsed.text_.size() > kMostJsonValues)
    if (const auto excess = json_excess(parsed.text_))
      return input_error(parsed.file_, 1, 1, *excess, "give the file that was meant");
  const char* const start = parsed.text_.data();
  const char* read_to = start;
  PlaceListener listener(start, &read_to, parsed.offset_);
  json::sax_parse(CountingIterator(start, &read_to), CountingIterator(start + parsed.text_.size(), &read_to),
                  &listener);
  if (const auto& fault = listener.fault()) {
    const auto [line, column] = place_of(parsed.text_, fault->position > 0 ? fault->position - 1 : 0);
    if (!fault->remedy.empty()) return input_error(parsed.file_, line, column, fault->words, fault->remedy);
    return input_error(parsed.file_, line, column, "this is no JSON: " + without_place(fault->words),
                       "mend the text there");
  }
  parsed.value_ = std::make_shared<const json>(json::parse(parsed.text_));
  return parsed;
}

JsonNode JsonFile::root() {
  return {*this, *value_, ""};
}

InputError JsonFile::error_at(std::string pointer, std::string problem, std::string remedy) const {
  auto found = offset_.find(pointer);
  while (found == offset_.end() && !pointer.empty()) {
    pointer.resize(pointer.rfind('/'));
    found = offset_.find(pointer);
  }
  const auto [line, column] = place_of(text_, found == offset_.end() ? 0 : found->second);
  return {file_, line, column, std::move(problem), std::move(remedy)};
}

void JsonFile::fault(const std::string& pointer, std::string problem, std::string remedy) {
  if (!fault_) fault_ = error_at(pointer, std::move(problem), std::move(remedy));
}

void JsonNode::expect_keys(std::initializer_list<std::string_view> required,
                           std::initializer_list<std::string_view> optional) const {
  if (!value_->is_object()) {
    fault(fmt::format("{} stands where an object belongs", name_of_type(*value_)),
          fmt::format("give the keys {}", fmt::join(required, ", ")));
    return;
  }
  for (const auto& item : value_->items()) {
    const auto known = [&](const auto& keys) {
      return std::find(keys.begin(), keys.end(), item.key()) != keys.end();
    };
    if (!known(required) && !known(optional))
      file_->fault(child_pointer(pointer_, item.key()), fmt::format("the key \"{}\" is unknown", item.key()),
                   "leave it out");
  }
  for (const std::string_view key : required) at(key);
}

bool JsonNode::has(std::string_view key) const {
  return value_->is_object() && value_->contains(key);
}

JsonNode JsonNode::at(std::string_view key) const {
  if (has(key)) return {*file_, value_->at(std::string(key)), child_pointer(pointer_, key)};
  fault(fmt::format("the key \"{}\" is missing", key), "give it");
  return {*file_, kNothing, pointer_};
}

std::vector<JsonNode> JsonNode::items() const {
  std::vector<JsonNode> nodes;
  if (!value_->is_array()) {
    fault(fmt::format("{} stands where a list belongs", name_of_type(*value_)), "give a list");
    return nodes;
  }
  nodes.reserve(value_->size());
  for (std::size_t i = 0; i < value_->size(); ++i)
    nodes.emplace_back(*file_, (*value_)[i], child_pointer(pointer_, std::to_string(i)));
  return nodes;
}

std::vector<std::pair<std::string, JsonNode>> JsonNode::members() const {
  std::vector<std::pair<std::string, JsonNode>> found;
  if (!value_->is_object()) return found;
  for (const auto& item : value_->items())
    found.emplace_back(item.key(), JsonNode(*file_, item.value(), child_pointer(pointer_, item.key())));
  return found;
}

bool JsonNode::is_number() const {
  return value_->is_number();
}

bool JsonNode::is_text() const {
  return value_->is_string();
}

bool JsonNode::is_list() const {
  return value_->is_array();
}

bool JsonNode::is_null() const {
  return value_->is_null();
}

double JsonNode::number() const {
  return number("");
}

double JsonNode::number(std::string_view quantity) const {
  if (value_->is_number()) {
    const double value = value_->get<double>();
    const auto wrong = range_fault(quantity, value);
    if (!wrong) return value;
    fault(fmt::format("{} stands where {} belongs", value, *wrong), "give " + *wrong);
    return 0.0;
  }
  fault(fmt::format("{} stands where a number belongs", name_of_type(*value_)), "give a number");
  return 0.0;
}

int JsonNode::count() const {
  if (value_->is_number_unsigned() &&
      value_->get<std::uint64_t>() <= static_cast<std::uint64_t>(std::numeric_limits<int>::max()))
    return value_->get<int>();
  fault(fmt::format("{} stands where a whole number belongs", value_->dump()),
        "give a whole number, 0 or more");
  return 0;
}

bool JsonNode::boolean() const {
  if (value_->is_boolean()) return value_->get<bool>();
  fault(fmt::format("{} stands where true or false belongs", name_of_type(*value_)), "give true or false");
  return false;
}

std::string JsonNode::text() const {
  if (value_->is_string()) return value_->get<std::string>();
  fault(fmt::format("{} stands where a text belongs", name_of_type(*value_)), "give a text in quotes");
  return "";
}

std::vector<double> JsonNode::numbers(std::string_view quantity) const {
  std::vector<double> out;
  for (const JsonNode& item : items()) out.push_back(item.number(quantity));
  return out;
}

std::vector<double> JsonNode::numbers(std::size_t wanted, std::string_view quantity) const {
  std::vector<double> out = numbers(quantity);
  if (out.size() != wanted)
    fault(fmt::format("{} numbers stand where {} belong", out.size(), wanted),
          fmt::format("give {} numbers", wanted));
  out.resize(wanted, 0.0);
  return out;
}

std::vector<std::string> JsonNode::texts() const {
  std::vector<std::string> out;
  for (const JsonNode& item : items()) out.push_back(item.text());
  return out;
}

}  // namespace withy
