// SPDX-License-Identifier: GPL-3.0-or-later
// JSON (RFC 8259) read strictly, with the place of every value, so that a fault of meaning points as exactly
// as one of grammar.
#pragma once

#include <cstddef>
#include <initializer_list>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <nlohmann/json_fwd.hpp>

#include "planner/files/input_error.h"

namespace withy {

class JsonNode;

/// A parsed file. Reading goes on after a fault, with zeros and empties; only the first fault is kept, and
/// must be checked before anything read is used. Nodes point into the file: keep it where it is while they
/// live.
class JsonFile {
 public:
  /// Parses a text; `file` is named in errors. Lists and objects may lie 32 deep.
  static Result<JsonFile> parse(std::string text, std::string file);

  JsonNode root();

  /// The text that was parsed.
  const std::string& text() const { return text_; }

  const std::optional<InputError>& first_fault() const { return fault_; }

  /// An error at the value that a JSON pointer (RFC 6901) names, or at its nearest ancestor.
  InputError error_at(std::string pointer, std::string problem, std::string remedy) const;

  /// Keeps the error if it is the first.
  void fault(const std::string& pointer, std::string problem, std::string remedy);

 private:
  JsonFile(std::string text, std::string file) : text_(std::move(text)), file_(std::move(file)) {}
  std::string text_;
  std::string file_;
  std::shared_ptr<const nlohmann::json> value_;
  std::map<std::string, std::size_t> offset_;  // JSON pointer -> where the value starts
  std::optional<InputError> fault_;
};

/// One value of a file. Asking for what it isn't is a fault of the file.
class JsonNode {
 public:
  JsonNode(JsonFile& file, const nlohmann::json& value, std::string pointer)
      : file_(&file), value_(&value), pointer_(std::move(pointer)) {}

  /// Requires an object with exactly these keys, those of `optional` as they please.
  void expect_keys(std::initializer_list<std::string_view> required,
                   std::initializer_list<std::string_view> optional = {}) const;

  bool has(std::string_view key) const;
  JsonNode at(std::string_view key) const;  ///< a missing key is a fault
  std::vector<JsonNode> items() const;      ///< of an array
  /// Names and values of an object, in the order of the names; nothing of anything else.
  std::vector<std::pair<std::string, JsonNode>> members() const;

  bool is_null() const;
  bool is_number() const;
  bool is_text() const;
  bool is_list() const;
  double number() const;
  double number(std::string_view quantity) const;  ///< within that quantity's range (planner/files/ranges.h)
  int count() const;                               ///< a whole number, 0 or more
  bool boolean() const;
  std::string text() const;
  std::vector<double> numbers(std::string_view quantity = "") const;
  /// Exactly so many.
  std::vector<double> numbers(std::size_t wanted, std::string_view quantity = "") const;
  std::vector<std::string> texts() const;

  const std::string& pointer() const { return pointer_; }
  void fault(std::string problem, std::string remedy) const {
    file_->fault(pointer_, std::move(problem), std::move(remedy));
  }

 private:
  JsonFile* file_;
  const nlohmann::json* value_;
  std::string pointer_;
};

}  // namespace withy
