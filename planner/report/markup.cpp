// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/report/markup.h"

namespace withy {

std::string escaped_for_markup(std::string_view text) {
  std::string out;
  for (const char c : text) {
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

}  // namespace withy
