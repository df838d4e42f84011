// SPDX-License-Identifier: GPL-3.0-or-later
// What HTML and SVG have in common: plain text inside them, and a scale of shades.
#pragma once

#include <string>
#include <string_view>

namespace withy {

/// `text` with what markup takes for its own (&, <, >) written as entities, and control characters, which
/// XML 1.0 has no place for, spelled out. For element text, not for attributes.
std::string escaped_for_markup(std::string_view text);

/// An SVG text element with its anchor at (x, y).
std::string svg_text(double x, double y, std::string_view words, const char* anchor = "middle",
                     int size = 13);

/// One hue from light (0) to dark (1) as #rrggbb, so that prints and eyes that don't tell colours still rank
/// it.
std::string shade(double share);

}  // namespace withy
