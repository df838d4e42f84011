// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/text_header.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <fstream>
#include <utility>

#include <fmt/core.h>

#include "planner/files/plain_line.h"
#include "planner/files/word_reader.h"

namespace withy {
namespace {

/// A header of text ends within so many lines, and a line within so many bytes.
constexpr int kMostHeaderLines = 400;
constexpr std::size_t kMostLine = 4096;

/// A message has room for so much of a field, bytes.
constexpr std::size_t kMostSaid = 80;

std::string trimmed(const std::string& text) {
  const std::size_t first = text.find_first_not_of(" \t\r");
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

/// Is this line a field? NRRD's "key:=value" and comments are none.
std::optional<HeaderField> field_of(const std::string& text, TextHeader::Format format, int line) {
  const std::size_t sign = text.find_first_of(format == TextHeader::Format::nrrd ? ":" : "=:");
  if (sign == std::string::npos || text.starts_with('#')) return std::nullopt;
  if (format == TextHeader::Format::nrrd && text.substr(sign).starts_with(":=")) return std::nullopt;
  return HeaderField{lower_case(trimmed(text.substr(0, sign))), trimmed(text.substr(sign + 1)), text, line};
}

}  // namespace

std::string lower_case(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(), [](unsigned char c) { return std::tolower(c); });
  return text;
}

std::optional<TextHeader> TextHeader::read(const std::filesystem::path& file, Format format) {
  std::ifstream in(file, std::ios::binary);
  TextHeader header;
  std::vector<char> part(kMostLine);
  for (int line = 1; line <= kMostHeaderLines; ++line) {
    if (!in.getline(part.data(), static_cast<std::streamsize>(kMostLine)) && in.gcount() == 0) break;
    if (in.fail() && !in.eof()) return std::nullopt;  // no line of text
    header.end_ += static_cast<std::size_t>(in.gcount());
    const std::string text(part.data(), std::min(part.size() - 1, static_cast<std::size_t>(in.gcount())));
    const std::string plain = trimmed(text.substr(0, text.find('\0')));
    if (line == 1) header.first_line_ = plain;
    if (plain.empty() && format == Format::nrrd) return header;
    auto field = field_of(plain, format, line);
    if (!field) continue;
    const bool last = format == Format::meta ? field->name == "elementdatafile"
                                             : (field->name == "data file" || field->name == "datafile") &&
                                                   field->value.starts_with("LIST");
    header.fields_.push_back(std::move(*field));
    if (last) return header;
  }
  if (format == Format::meta || header.fields_.empty()) return std::nullopt;
  return header;
}

const HeaderField* TextHeader::find(std::initializer_list<std::string_view> names) const {
  const auto found = std::find_if(fields_.begin(), fields_.end(), [&](const HeaderField& field) {
    return std::find(names.begin(), names.end(), field.name) != names.end();
  });
  return found == fields_.end() ? nullptr : &*found;
}

std::vector<std::string> words_of(std::string_view text) {
  std::vector<std::string> words;
  WordReader reader(text);
  while (const auto word = reader.on_line()) words.emplace_back(word->text);
  return words;
}

std::optional<std::vector<double>> numbers_of(const std::vector<std::string>& words, std::size_t count) {
  if (words.size() != count) return std::nullopt;
  std::vector<double> numbers;
  for (const std::string& word : words) {
    const auto value = number<double>(word);
    if (!value) return std::nullopt;
    numbers.push_back(*value);
  }
  return numbers;
}

std::optional<double> whole_number(std::string_view word) {
  std::string_view digits = word;
  if (digits.starts_with('-') || digits.starts_with('+')) digits.remove_prefix(1);
  if (digits.empty() || digits.find_first_not_of("0123456789") != std::string_view::npos) return std::nullopt;
  return number<double>(word);
}

std::string given(const HeaderField& field) {
  return fmt::format(
      "its header gives \"{}\"",
      without_controls(field.written.size() > kMostSaid ? field.written.substr(0, kMostSaid) + " ..."
                                                        : field.written));
}

VolumeRefusal refused_field(const HeaderField& field, std::string problem, std::string remedy) {
  return {VolumeFault::unreadable, std::move(problem), std::move(remedy), field.line};
}

std::optional<std::string> numbered_name(const std::string& pattern, double number) {
  const std::size_t sign = pattern.find('%');
  if (sign == std::string::npos || pattern.find('%', sign + 1) != std::string::npos) return std::nullopt;
  const std::size_t end = pattern.find_first_not_of("0123456789", sign + 1);
  if (end == std::string::npos || pattern[end] != 'd') return std::nullopt;
  const std::string digits = pattern.substr(sign + 1, end - sign - 1);
  if (digits.size() > 2) return std::nullopt;
  const bool zeros = digits.starts_with('0');
  const int width = digits.empty() ? 0 : std::stoi(digits);
  const auto whole = static_cast<long long>(number);
  return pattern.substr(0, sign) +
         (zeros ? fmt::format("{:0{}}", whole, width) : fmt::format("{:{}}", whole, width)) +
         pattern.substr(end + 1);
}

}  // namespace withy
