// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/plain_line.h"

#include <algorithm>
#include <cstdint>

#include <fmt/format.h>

#include "planner/files/input_file.h"

namespace withy {
namespace {

/// The bytes of the well-formed character that begins `text`: 0 where there is none.
std::size_t character_length(std::string_view text) {
  for (std::size_t length = 1; length <= std::min<std::size_t>(4, text.size()); ++length)
    if (is_utf8(text.substr(0, length))) return length;
  return 0;
}

std::uint32_t code_point(std::string_view character) {
  const auto first = static_cast<unsigned char>(character.front());
  if (character.size() == 1) return first;
  std::uint32_t code = first & (0xFFU >> (character.size() + 1));
  for (const char c : character.substr(1)) code = code << 6 | (static_cast<unsigned char>(c) & 0x3FU);
  return code;
}

bool is_control(std::uint32_t code) {
  const bool c0_or_c1 = code < 0x20 || (code >= 0x7F && code < 0xA0);
  const bool turns_direction = (code >= 0x200E && code <= 0x200F) || (code >= 0x2028 && code <= 0x202E) ||
                               (code >= 0x2066 && code <= 0x2069);
  return c0_or_c1 || turns_direction;
}

/// A line of more than so many of the longest words is cut after them.
constexpr std::size_t kMostWords = 20;

/// The most bytes of it, up to `longest`, that end with a whole character.
std::size_t cut_to(std::string_view text, std::size_t longest) {
  if (text.size() <= longest) return text.size();
  std::size_t keep = longest;
  while (keep > 0 && (static_cast<unsigned char>(text[keep]) & 0xC0) == 0x80) --keep;
  return keep;
}

std::string left_out(std::size_t bytes) {
  return fmt::format("... ({} bytes more)", bytes);
}

}  // namespace

std::string without_controls(std::string_view text) {
  std::string out;
  while (!text.empty()) {
    const std::size_t length = character_length(text);
    const std::uint32_t code = length > 0 ? code_point(text.substr(0, length)) : 0;
    if (length == 0)
      out += fmt::format("\\x{:02x}", static_cast<unsigned char>(text.front()));
    else if (code == '\n' || code == '\r' || code == '\t')
      out += ' ';
    else if (is_control(code))
      out += fmt::format("\\u{:04x}", code);
    else
      out += text.substr(0, length);
    text.remove_prefix(std::max<std::size_t>(length, 1));
  }
  return out;
}

std::string plain_line(std::string_view text, std::size_t longest) {
  const std::string clean = without_controls(text);
  std::string out;
  std::size_t at = 0;
  while (at < clean.size()) {
    if (out.size() > kMostWords * longest) return out + left_out(clean.size() - at);
    const bool blank = clean[at] == ' ';
    const std::size_t end =
        std::min(blank ? clean.find_first_not_of(' ', at) : clean.find(' ', at), clean.size());
    const std::string part = clean.substr(at, end - at);
    const std::size_t keep = cut_to(part, longest);
    out += part.substr(0, keep);
    if (keep < part.size()) out += left_out(part.size() - keep);
    at = end;
  }
  return out;
}

}  // namespace withy
