// SPDX-License-Identifier: GPL-3.0-or-later
// What HTML and SVG have in common: plain text inside them, and a scale of shades; and what all pages without
// a script have in common.
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

/// One self-contained HTML file without a script: `title` (plain text) and the first caution at its head,
/// `body` (HTML), all cautions at its foot. Type, tones and edges are those of the pages of plans
/// (tools/page/src/style.css), light or dark as the reader has it; `style` is CSS for what this page has
/// beside.
std::string plain_page(std::string_view title, std::string_view style, std::string_view body);

/// The verdicts' signs, which pages put before the word: reached, unreachable, undecided.
inline constexpr const char* kReachedSign = "\u25cf";
inline constexpr const char* kUnreachableSign = "\u2715";
inline constexpr const char* kUndecidedSign = "?";

}  // namespace withy
