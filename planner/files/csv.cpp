// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/csv.h"

#include <optional>

namespace withy {

std::string csv_quoted(std::string_view text) {
  if (text.find_first_of(",\"\r\n") == std::string_view::npos) return std::string(text);
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"') out += '"';
    out += c;
  }
  return out + '"';
}

namespace {

/// Walks a text once; keeps the line and column it is at.
class CsvParser {
 public:
  CsvParser(std::string_view text, const std::string& file) : text_(text), file_(file) {}

  Result<std::vector<CsvRecord>> parse() {
    std::vector<CsvRecord> records;
    while (!at_end()) {
      CsvRecord record;
      do {
        auto field = parse_field();
        if (!field) return tl::unexpected(field.error());
        record.push_back(std::move(*field));
      } while (take(','));
      skip_line_break();
      records.push_back(std::move(record));
    }
    return records;
  }

 private:
  bool at_end() const { return at_ >= text_.size(); }
  char peek(std::size_t ahead = 0) const { return at_ + ahead < text_.size() ? text_[at_ + ahead] : '\0'; }
  bool at_line_break() const { return peek() == '\n' || (peek() == '\r' && peek(1) == '\n'); }

  char next() {
    const char c = text_[at_++];
    if (c == '\n') {
      ++line_;
      column_ = 1;
    } else {
      ++column_;
    }
    return c;
  }

  bool take(char wanted) {
    if (at_end() || peek() != wanted) return false;
    next();
    return true;
  }

  void skip_line_break() {
    take('\r');
    take('\n');
  }

  Result<CsvField> parse_field() {
    CsvField field{"", line_, column_};
    const auto fault = peek() == '"' ? parse_quoted(field.text) : parse_bare(field.text);
    if (fault) return tl::unexpected(*fault);
    return field;
  }

  std::optional<InputError> parse_bare(std::string& out) {
    while (!at_end() && peek() != ',' && !at_line_break()) {
      if (peek() == '"')
        return InputError{file_, line_, column_, "a quote stands inside a field that is not quoted",
                          "quote the whole field and double the quotes inside it"};
      out += next();
    }
    return std::nullopt;
  }

  std::optional<InputError> parse_quoted(std::string& out) {
    const int line = line_;
    const int column = column_;
    next();
    while (!at_end()) {
      const char c = next();
      if (c != '"') {
        out += c;
      } else if (!take('"')) {
        if (at_end() || peek() == ',' || at_line_break()) return std::nullopt;
        return InputError{file_, line_, column_, "text follows a closing quote",
                          "end the field with a comma or the line"};
      } else {
        out += '"';
      }
    }
    return InputError{file_, line, column, "this quote is never closed", "close it before the file ends"};
  }

  std::string_view text_;
  const std::string& file_;
  std::size_t at_ = 0;
  int line_ = 1;
  int column_ = 1;
};

}  // namespace

Result<std::vector<CsvRecord>> parse_csv(std::string_view text, const std::string& file) {
  // Spreadsheets begin UTF-8 with a byte order mark (The Unicode Standard, chapter 23.8), which is no text.
  if (text.starts_with("\xef\xbb\xbf")) text.remove_prefix(3);
  return CsvParser(text, file).parse();
}

}  // namespace withy
