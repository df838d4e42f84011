// SPDX-License-Identifier: GPL-3.0-or-later
// Words of a text, each with the line and column where it stands.
#pragma once

#include <charconv>
#include <cstddef>
#include <optional>
#include <string_view>

namespace withy {

/// Lines and columns (in bytes) count from 1.
struct Word {
  std::string_view text;
  int line = 1;
  int column = 1;
};

/// Splits at spaces, tabs and line ends; a comment runs from `comment` to the end of its line.
class WordReader {
 public:
  explicit WordReader(std::string_view text, char comment = '\0') : text_(text), comment_(comment) {}

  /// The next word of this line; nothing at the line's end.
  std::optional<Word> on_line() {
    while (at_ < text_.size() && is_blank(text_[at_])) ++at_;
    if (at_ < text_.size() && comment_ != '\0' && text_[at_] == comment_) skip_to_end_of_line();
    if (at_ >= text_.size() || text_[at_] == '\n') return std::nullopt;
    const std::size_t begin = at_;
    while (at_ < text_.size() && !is_blank(text_[at_]) && text_[at_] != '\n') ++at_;
    return Word{text_.substr(begin, at_ - begin), line_, static_cast<int>(begin - line_start_) + 1};
  }

  /// The next word on this line or a later one; nothing at the text's end.
  std::optional<Word> anywhere() {
    for (;;) {
      if (const auto word = on_line()) return word;
      if (!next_line()) return std::nullopt;
    }
  }

  /// Moves to the start of the next line; false when there is none.
  bool next_line() {
    skip_to_end_of_line();
    if (at_ >= text_.size()) return false;
    line_start_ = ++at_;
    ++line_;
    return true;
  }

  int line() const { return line_; }
  int column() const { return static_cast<int>(at_ - line_start_) + 1; }
  std::size_t offset() const { return at_; }

 private:
  static bool is_blank(char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\f' || c == '\v'; }

  void skip_to_end_of_line() {
    const std::size_t end = text_.find('\n', at_);
    at_ = end == std::string_view::npos ? text_.size() : end;
  }

  std::string_view text_;
  char comment_;
  std::size_t at_ = 0;
  std::size_t line_start_ = 0;
  int line_ = 1;
};

/// The whole word as a number; nothing when it is not one.
template <class Number>
std::optional<Number> number(std::string_view word) {
  if (word.size() > 1 && word.front() == '+') word.remove_prefix(1);
  Number value{};
  const auto [end, fault] = std::from_chars(word.data(), word.data() + word.size(), value);
  if (fault != std::errc{} || end != word.data() + word.size()) return std::nullopt;
  return value;
}

}  // namespace withy
