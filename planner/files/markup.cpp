// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/markup.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "planner/files/plain_line.h"

namespace withy {

std::string escaped_for_markup(std::string_view text) {
  std::string out;
  for (const char c : without_controls(text)) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string svg_text(double x, double y, std::string_view words, const char* anchor, int size) {
  return fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"{}\" font-size=\"{}\">{}</text>\n", x, y,
                     anchor, size, escaped_for_markup(words));
}

std::string shade(double share) {
  const double t = std::clamp(share, 0.0, 1.0);
  const auto mix = [&](double light, double dark) {
    return static_cast<int>(std::lround(light + t * (dark - light)));
  };
  return fmt::format("#{:02x}{:02x}{:02x}", mix(226, 22), mix(236, 52), mix(246, 104));
}

}  // namespace withy
