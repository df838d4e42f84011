// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/markup.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "planner/files/cautions.h"
#include "planner/files/plain_line.h"

namespace withy {

namespace {

constexpr const char* kPageStyle = R"(
:root { color-scheme: light; --paper: #f7f5f0; --panel: #fff; --ink: #1d2530; --ink-soft: #5b6672; --edge: #d9d5cb; --accent: #0d5c75; --marked: #e3eef2; }
@media screen and (prefers-color-scheme: dark) { :root { color-scheme: dark; --paper: #12161c; --panel: #1a2029; --ink: #e8ebef; --ink-soft: #9da9b5; --edge: #323b47; --accent: #6fc3dd; --marked: #203642; } }
* { box-sizing: border-box; }
html { background: var(--paper); }
body { font: 15px/1.45 system-ui, "Segoe UI", "Helvetica Neue", sans-serif; color: var(--ink); background: var(--paper); margin: 0 auto; max-width: 1720px; padding: 0 clamp(10px, 2vw, 28px) 40px; }
header { display: flex; flex-wrap: wrap; align-items: baseline; gap: 4px 18px; padding: 14px 0 10px; margin-bottom: 14px; border-bottom: 1px solid var(--edge); }
h1 { font-size: 1.35rem; font-weight: 650; letter-spacing: -0.01em; margin: 0; }
h2 { font-size: 1.05rem; font-weight: 650; margin: 14px 0 6px; } h3 { font-size: 0.92rem; font-weight: 650; margin: 12px 0 2px; }
.caution-line, small { color: var(--ink-soft); font-size: 0.86rem; }
a { color: var(--accent); } :focus-visible { outline: 2.5px solid var(--accent); outline-offset: 2px; }
table { border-collapse: collapse; } caption { text-align: left; color: var(--ink-soft); padding-bottom: 4px; }
th, td { padding: 5px 10px; text-align: left; vertical-align: top; border-bottom: 1px solid var(--edge); }
thead th { color: var(--ink-soft); font-weight: 600; font-size: 0.86rem; }
.n { text-align: right; font-variant-numeric: tabular-nums; }
.scroll { overflow: auto; }
.panel { background: var(--panel); border: 1px solid var(--edge); border-radius: 10px; padding: 8px 12px; break-inside: avoid; }
.cautions { border: 2px solid var(--ink); border-radius: 8px; padding: 10px 16px; margin-top: 20px; }
.cautions h2 { margin-top: 0; } .cautions ul { margin: 0; padding-left: 1.1em; }
@media (max-width: 700px) { th, td { padding: 4px 5px; font-size: 13px; } }
)";

std::string caution_box() {
  std::string out = "<section class=\"cautions\" aria-label=\"Cautions\"><h2>Cautions</h2><ul>\n";
  for (const std::string_view caution : kCautions)
    out += fmt::format("<li>{}</li>\n", escaped_for_markup(caution));
  return out + "</ul></section>\n";
}

}  // namespace

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

std::string plain_page(std::string_view title, std::string_view style, std::string_view body) {
  const std::string name = escaped_for_markup(title);
  return fmt::format(
      "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
      "img-src data:\">\n<link rel=\"icon\" href=\"data:,\">\n"
      "<title>{0}</title>\n<style>{1}{2}</style>\n</head>\n<body>\n"
      "<header><h1>{0}</h1><p class=\"caution-line\">{3}</p></header>\n{4}{5}</body>\n</html>\n",
      name, kPageStyle, style, escaped_for_markup(kCautions.front()), body, caution_box());
}

}  // namespace withy
