// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numbers>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/markup.h"
#include "planner/switching/switch_report.h"

namespace withy {
namespace {

constexpr double kDisc_px = 120.0;   ///< radius of a disc of bends
constexpr double kPanel_px = 300.0;  ///< width of a panel; its height is this and room for the caption
constexpr double kCaption_px = 46.0;
constexpr double kHead_px = 54.0;
constexpr double kLegend_px = 64.0;

std::string opened(double width, double height, const std::string& title) {
  return fmt::format(
             "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0:.0f} {1:.0f}\" width=\"{0:.0f}\" "
             "height=\"{1:.0f}\" "
             "font-family=\"sans-serif\" fill=\"#1d2530\">\n<title>{2}</title>\n",
             width, height, escaped_for_markup(title)) +
         "<defs>\n<pattern id=\"strong\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" "
         "patternTransform=\"rotate(45)\"><rect width=\"6\" height=\"6\" fill=\"#ffffff\"/><rect width=\"2\" "
         "height=\"6\" "
         "fill=\"#6b6f76\"/></pattern>\n"
         "<pattern id=\"none\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" "
         "height=\"6\" "
         "fill=\"#ffffff\"/><path d=\"M0 0L6 6M6 0L0 6\" stroke=\"#1d2530\" "
         "stroke-width=\"1\"/></pattern>\n</defs>\n"
         "<rect width=\"100%\" height=\"100%\" fill=\"#f7f5f0\"/>\n";
}

/// Differences below a hundredth, of a millitesla or of a reserve, are not worth a shade.
constexpr double kWorthAShade = 0.01;

/// From which to which field the shades run: the weakest there is to the strongest within the limit.
struct Range {
  double lo = kNoField_mT;
  double hi = 0.0;

  void take(double strength_mT, double limit_mT) {
    if (!std::isfinite(strength_mT) || strength_mT > limit_mT) return;
    lo = std::min(lo, strength_mT);
    hi = std::max(hi, strength_mT);
  }
  bool flat() const { return hi - lo < kWorthAShade; }
  double share(double strength_mT) const { return flat() ? 0.35 : (strength_mT - lo) / (hi - lo); }
};

std::string fill(double strength_mT, double limit_mT, const Range& range) {
  if (std::isinf(strength_mT)) return "url(#none)";
  if (strength_mT > limit_mT) return "url(#strong)";
  return shade(range.share(strength_mT));
}

/// Sector of the disc about (0, 0) that stands for one bend; y points up in the plane of bends, down on the
/// page.
std::string sector(const BendPose& pose, const BendGrid& grid, const std::string& paint) {
  const double per_ring = kDisc_px / (grid.rings + 0.5);
  if (pose.ring == 0) return fmt::format("<circle r=\"{:.2f}\" fill=\"{}\"/>\n", 0.5 * per_ring, paint);
  const double inner = (pose.ring - 0.5) * per_ring;
  const double outer = (pose.ring + 0.5) * per_ring;
  const double half = std::numbers::pi / grid.directions;
  const double middle = 2.0 * half * pose.direction;
  const auto at = [](double r, double a) {
    return fmt::format("{:.2f} {:.2f}", r * std::cos(a), -r * std::sin(a));
  };
  return fmt::format(
      "<path d=\"M{} L{} A{:.2f} {:.2f} 0 0 0 {} L{} A{:.2f} {:.2f} 0 0 1 {}Z\" fill=\"{}\"/>\n",
      at(inner, middle - half), at(outer, middle - half), outer, outer, at(outer, middle + half),
      at(inner, middle + half), inner, inner, at(inner, middle - half), paint);
}

std::string strengths_of(const SwitchMap& map) {
  if (std::isinf(map.most())) return "no field of any strength";
  const double share = map.share_allowed();
  std::string words = map.most() - map.least() < kWorthAShade
                          ? fmt::format("{:.2f} mT", map.least())
                          : fmt::format("{:.2f} to {:.2f} mT", map.least(), map.most());
  return share > 1.0 - 1e-9 ? words + ", at every bend"
                            : fmt::format("{}; within limit at {:.0f} %", words, 100.0 * share);
}

/// Does one field, within the limit, switch the lock at every bend? Then a disc of it says nothing.
bool is_of_one_value(const SwitchMap& map, double limit_mT) {
  return std::isfinite(map.most()) && map.most() <= limit_mT && map.most() - map.least() < kWorthAShade;
}

/// The range of the reserve over the bends, for a map of one field.
Range reserves_of(const SwitchMap& map) {
  Range range;
  for (const double reserve : map.reserve) range.take(reserve, std::numeric_limits<double>::max());
  return range;
}

/// How much of the limit a field of one strength takes, as a bar across the disc's place, the rest its
/// margin.
std::string margin_bar(const SwitchMap& map, double limit_mT, double x, double y) {
  constexpr double kHalf_px = 16.0;
  const bool limited = limit_mT < std::numeric_limits<double>::max();
  const double share = limited ? map.most() / limit_mT : 1.0;
  const double left = x - kDisc_px;
  std::string out = fmt::format(
      "<rect x=\"{0:.1f}\" y=\"{1:.1f}\" width=\"{2:.1f}\" height=\"{3:.1f}\" fill=\"#ffffff\" "
      "stroke=\"#1d2530\"/>\n<rect x=\"{0:.1f}\" y=\"{1:.1f}\" width=\"{4:.1f}\" height=\"{3:.1f}\" "
      "fill=\"{5}\" stroke=\"#1d2530\"/>\n",
      left, y - kHalf_px, 2.0 * kDisc_px, 2.0 * kHalf_px, 2.0 * kDisc_px * share, shade(0.6));
  out += svg_text(x, y - kHalf_px - 28, "the same at every bend", "middle", 12);
  const double at = std::clamp(left + 2.0 * kDisc_px * share, left + 26.0, x + kDisc_px - 26.0);
  out += svg_text(at, y - kHalf_px - 8, fmt::format("{:.2f} mT", map.most()), "middle", 12);
  if (limited) {
    out += svg_text(x + kDisc_px, y + kHalf_px + 18, fmt::format("limit {:g} mT", limit_mT), "end", 12);
    out += svg_text(left, y + kHalf_px + 18, fmt::format("margin {:.2f} mT", limit_mT - map.most()), "start",
                    12);
  }
  return out + svg_text(x, y + kHalf_px + 38,
                        fmt::format("reserve {:.2f} at every bend", map.least_reserve()), "middle", 12);
}

/// The bends, each painted by the field that switches the lock there.
std::string bends(const SwitchReport& report, const std::function<std::string(std::size_t)>& paint, double x,
                  double y) {
  std::string out = fmt::format(
      "<g transform=\"translate({:.1f} {:.1f})\" stroke=\"#ffffff\" stroke-width=\"0.4\">\n", x, y);
  for (std::size_t i = 0; i < report.poses.size(); ++i) out += sector(report.poses[i], report.grid, paint(i));
  out += fmt::format("<circle r=\"{:.1f}\" fill=\"none\" stroke=\"#1d2530\" stroke-width=\"1\"/>\n</g>\n",
                     kDisc_px);
  return out + svg_text(x + kDisc_px + 10, y + 4, "x", "start", 12) +
         svg_text(x, y - kDisc_px - 6, "y", "middle", 12);
}

/// Below a disc: its strengths, and where it is painted by the reserve that too.
std::string words_of(const SwitchReport& report, const SwitchMap& map) {
  const Range reserves = reserves_of(map);
  if (!is_of_one_value(map, field_limit_mT(report.design)) || reserves.flat()) return strengths_of(map);
  return strengths_of(map) +
         fmt::format("; shown: reserve {:.2f} (light) to {:.2f}", reserves.lo, reserves.hi);
}

/// What a map shows: the field over the bends; where that is one, the reserve over the bends; where that is
/// one too, how far both are from their limits.
std::string shown_at(const SwitchReport& report, const SwitchMap& map, const Range& range, double x,
                     double y) {
  const double limit = field_limit_mT(report.design);
  if (!is_of_one_value(map, limit))
    return bends(
        report, [&](std::size_t i) { return fill(map.strength_mT[i], limit, range); }, x, y);
  const Range reserves = reserves_of(map);
  if (reserves.flat()) return margin_bar(map, limit, x, y);
  return bends(
      report, [&](std::size_t i) { return shade(reserves.share(map.reserve[i])); }, x, y);
}

std::string disc(const SwitchReport& report, const SwitchMap& map, const Range& range, double x, double y) {
  std::string out = shown_at(report, map, range, x, y);
  std::string others;
  for (int i = 0; i < report.design.lock_count(); ++i)
    if (i != map.which.lock && map.which.engaged.test(static_cast<std::size_t>(i)))
      others += fmt::format(" {}", i + 1);
  out +=
      svg_text(x, y + kDisc_px + 20,
               fmt::format("{} lock {}{}", map.which.to_latched() ? "engage" : "release", map.which.lock + 1,
                           report.design.lock_count() == 1 ? ""
                           : others.empty()                ? ", all others released"
                                                           : ", engaged:" + others));
  return out + svg_text(x, y + kDisc_px + 37, words_of(report, map), "middle", 12);
}

std::string legend(const Range& range, double limit_mT, double x, double y) {
  std::string out;
  constexpr int kSteps = 32;
  if (range.hi > 0.0) {
    for (int i = 0; i < kSteps && !range.flat(); ++i)
      out += fmt::format("<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"6\" height=\"14\" fill=\"{}\"/>\n",
                         x + 6.0 * i, y, shade((i + 0.5) / kSteps));
    if (range.flat())
      out += fmt::format("<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"192\" height=\"14\" fill=\"{}\"/>\n", x, y,
                         shade(0.35));
    out += svg_text(x, y + 29, fmt::format("{:.2f} mT", range.lo), "start", 12);
    out += svg_text(x + 192, y + 29, fmt::format("{:.2f} mT", range.hi), "end", 12);
  }
  const auto key = [&](double at, const char* pattern, const std::string& words) {
    out += fmt::format(
        "<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"26\" height=\"14\" fill=\"url(#{})\" stroke=\"#1d2530\" "
        "stroke-width=\"0.6\"/>\n",
        at, y, pattern);
    out += svg_text(at + 32, y + 12, words, "start", 12);
  };
  if (limit_mT < std::numeric_limits<double>::max())
    key(x + 214, "strong", fmt::format("above {:g} mT", limit_mT));
  key(x + 344, "none", "no field at all");
  return out;
}

bool is_usual(const SwitchCase& which) {
  return which.engaged == usual_case(which.lock, which.to_latched()).engaged;
}

}  // namespace

std::string switch_map_svg(const SwitchReport& report) {
  const double limit = field_limit_mT(report.design);
  Range range;
  for (const SwitchMap& map : report.maps)
    if (is_usual(map.which))
      for (const double strength : map.strength_mT) range.take(strength, limit);
  const double row = kPanel_px + kCaption_px - 20.0;
  const double width = 2.0 * kPanel_px;
  const double height = kHead_px + row * report.design.lock_count() + kLegend_px;
  std::string out = opened(width, height, "Least switching field over the bends of " + report.scene.title);
  out += svg_text(width / 2, 22, "Least field that switches each lock: " + report.scene.title, "middle", 15);
  out += svg_text(width / 2, 41,
                  fmt::format("direction of bending; the rim is {:g} per mm, the middle is straight",
                              report.design.segment().curvature_max_per_mm),
                  "middle", 12);
  for (const SwitchMap& map : report.maps) {
    if (!is_usual(map.which)) continue;
    const double x = kPanel_px * (map.which.to_latched() ? 0.5 : 1.5);
    out += disc(report, map, range, x, kHead_px + row * map.which.lock + kDisc_px + 22.0);
  }
  out += legend(range, limit, 44.0, kHead_px + row * report.design.lock_count() + 12.0);
  return out + "</svg>\n";
}

namespace {

constexpr double kPlotLeft_px = 64.0;
constexpr double kPlotWidth_px = 560.0;
constexpr double kBarsTop_px = 64.0;
constexpr double kBarsHeight_px = 150.0;
constexpr double kFieldTop_px = 262.0;
constexpr double kFieldHeight_px = 170.0;

double along_turn(double clock_rad) {
  return kPlotLeft_px + kPlotWidth_px * clock_rad / (2.0 * std::numbers::pi);
}

std::string clock_axis(double y) {
  std::string out;
  for (int deg = 0; deg <= 360; deg += 45) {
    const double x = along_turn(deg / kDegreesPerRadian);
    out += fmt::format("<path d=\"M{0:.1f} {1:.1f}v5\" stroke=\"#1d2530\"/>\n", x, y) +
           svg_text(x, y + 19, fmt::format("{}", deg), "middle", 12);
  }
  return out;
}

std::string share_bars(const ClockingSweep& sweep) {
  std::string out;
  const double width = kPlotWidth_px * sweep.step_rad / (2.0 * std::numbers::pi);
  for (const ClockingResult& result : sweep.results) {
    double top = kBarsTop_px;
    const auto bar = [&](double share, const std::string& paint) {
      const double height = share * kBarsHeight_px;
      if (height > 0.0)
        out +=
            fmt::format("<rect x=\"{:.2f}\" y=\"{:.2f}\" width=\"{:.2f}\" height=\"{:.2f}\" fill=\"{}\"/>\n",
                        along_turn(result.clock_rad[0]) - width / 2, top, width + 0.2, height, paint);
      top += height;
    };
    bar(result.share_never, "url(#none)");
    bar(result.share_together, "url(#strong)");
    bar(result.share_alone, shade(0.35));
  }
  return out + svg_text(kPlotLeft_px - 8, kBarsTop_px + 10, "100 %", "end", 12) +
         svg_text(kPlotLeft_px - 8, kBarsTop_px + kBarsHeight_px, "0 %", "end", 12);
}

/// Shares are fractions of some hundred poses, so this is all of them.
bool all_of(double share) {
  return share > 1.0 - 1e-9;
}

bool works_everywhere(const ClockingResult& result) {
  return all_of(result.share_usual);
}

/// Strongest field of an order, over the clocking, where it works in every bend (solid) or in some (dots).
std::string field_line(const ClockingSweep& sweep, double top_mT, bool usual, const std::string& paint) {
  std::string out;
  for (const ClockingResult& result : sweep.results) {
    const double mT = usual ? result.usual_most_mT : result.reverse_most_mT;
    const double share = usual ? result.share_usual : result.reverse_share;
    if (!std::isfinite(mT)) continue;
    const double y = kFieldTop_px + kFieldHeight_px * (1.0 - std::min(1.0, mT / top_mT));
    const bool everywhere = all_of(share);
    out += fmt::format("<circle cx=\"{:.2f}\" cy=\"{:.2f}\" r=\"{}\" fill=\"{}\" stroke=\"{}\"/>\n",
                       along_turn(result.clock_rad[0]), y, usual ? "2.6" : "1.6",
                       everywhere ? paint : "#ffffff", paint);
  }
  return out;
}

std::string two_lock_svg(const SwitchReport& report) {
  const ClockingSweep& sweep = *report.clocking;
  const double limit = field_limit_mT(report.design);
  double top_mT = 0.0;
  for (const ClockingResult& result : sweep.results)
    for (const double mT : {result.usual_most_mT, result.reverse_most_mT})
      if (std::isfinite(mT)) top_mT = std::max(top_mT, mT);
  if (report.design.field()) top_mT = std::max(top_mT, 1.15 * limit);
  const double bottom = kFieldTop_px + kFieldHeight_px;
  std::string out = opened(kPlotLeft_px + kPlotWidth_px + 36, bottom + 92,
                           "Clocking of lock 2 against lock 1: " + report.scene.title);
  out += svg_text(kPlotLeft_px + kPlotWidth_px / 2, 22,
                  "Clocking of lock 2 against lock 1: " + report.scene.title, "middle", 15);
  out += svg_text(kPlotLeft_px, 52,
                  "Bends where the locks switch one by one (plain), only together (stripes), never (crosses)",
                  "start", 12);
  out += share_bars(sweep) + clock_axis(kBarsTop_px + kBarsHeight_px);
  out +=
      svg_text(kPlotLeft_px, kFieldTop_px - 10,
               "Strongest field, mT: large dots lock 1 first, small dots lock 2 first; filled: in every bend",
               "start", 12);
  out +=
      fmt::format("<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"#9aa0a8\"/>\n",
                  kPlotLeft_px, kFieldTop_px, kPlotWidth_px, kFieldHeight_px);
  out += svg_text(kPlotLeft_px - 8, kFieldTop_px + 10, fmt::format("{:.3g}", top_mT), "end", 12) +
         svg_text(kPlotLeft_px - 8, bottom, "0", "end", 12);
  if (report.design.field()) {
    const double y = kFieldTop_px + kFieldHeight_px * (1.0 - limit / top_mT);
    out += fmt::format("<path d=\"M{} {:.1f}h{}\" stroke=\"#1d2530\" stroke-dasharray=\"7 4\"/>\n",
                       kPlotLeft_px, y, kPlotWidth_px);
    out += svg_text(kPlotLeft_px + kPlotWidth_px - 4, y - 5, "limit", "end", 12);
  }
  out += field_line(sweep, top_mT, false, "#6b6f76") + field_line(sweep, top_mT, true, shade(1.0));
  const double mark = along_turn(sweep.results[sweep.widest].clock_rad[0]);
  out += fmt::format("<path d=\"M{0:.1f} {1:.1f}V{2:.1f}\" stroke=\"#1d2530\" stroke-width=\"1.5\"/>\n", mark,
                     kBarsTop_px, bottom);
  out += clock_axis(bottom) +
         svg_text(kPlotLeft_px + kPlotWidth_px / 2, bottom + 42, "clocking, degrees", "middle", 12);
  out += svg_text(
      mark, bottom + 66,
      fmt::format("widest margin: {:.0f}", sweep.results[sweep.widest].clock_rad[0] * kDegreesPerRadian),
      "middle", 12);
  return out + "</svg>\n";
}

std::string three_lock_svg(const SwitchReport& report) {
  const ClockingSweep& sweep = *report.clocking;
  const double limit = field_limit_mT(report.design);
  Range range;
  for (const ClockingResult& result : sweep.results)
    if (works_everywhere(result)) range.take(result.usual_most_mT, limit);
  constexpr double kSide = 480.0;
  const double cell = kSide * sweep.step_rad / (2.0 * std::numbers::pi);
  const double top = 66.0;
  std::string out = opened(kPlotLeft_px + kSide + 40, top + kSide + 120,
                           "Clocking of locks 2 and 3 against lock 1: " + report.scene.title);
  out += svg_text(kPlotLeft_px + kSide / 2, 22,
                  "Clocking of locks 2 and 3 against lock 1: " + report.scene.title, "middle", 15);
  out +=
      svg_text(kPlotLeft_px + kSide / 2, 42,
               "Field to lock from the base up; stripes: not in every bend, crosses: in none", "middle", 12);
  for (const ClockingResult& result : sweep.results) {
    const std::string paint = result.share_usual <= 0.0  ? "url(#none)"
                              : works_everywhere(result) ? shade(range.share(result.usual_most_mT))
                                                         : "url(#strong)";
    out += fmt::format("<rect x=\"{:.2f}\" y=\"{:.2f}\" width=\"{:.2f}\" height=\"{:.2f}\" fill=\"{}\"/>\n",
                       kPlotLeft_px + cell * result.clock_rad[0] / sweep.step_rad,
                       top + kSide - cell * (1.0 + result.clock_rad[1] / sweep.step_rad), cell, cell, paint);
  }
  for (int deg = 0; deg <= 360; deg += 90) {
    out +=
        svg_text(kPlotLeft_px + kSide * deg / 360.0, top + kSide + 18, fmt::format("{}", deg), "middle", 12);
    out +=
        svg_text(kPlotLeft_px - 8, top + kSide * (1.0 - deg / 360.0) + 4, fmt::format("{}", deg), "end", 12);
  }
  out +=
      svg_text(kPlotLeft_px + kSide / 2, top + kSide + 36, "lock 2, degrees; lock 3 upwards", "middle", 12);
  const ClockingResult& widest = sweep.results[sweep.widest];
  out += fmt::format(
      "<circle cx=\"{:.2f}\" cy=\"{:.2f}\" r=\"7\" fill=\"none\" stroke=\"#1d2530\" stroke-width=\"2\"/>\n",
      kPlotLeft_px + cell * (0.5 + widest.clock_rad[0] / sweep.step_rad),
      top + kSide - cell * (0.5 + widest.clock_rad[1] / sweep.step_rad));
  out += legend(range, std::numeric_limits<double>::max(), kPlotLeft_px, top + kSide + 56);
  return out + "</svg>\n";
}

}  // namespace

std::string clocking_svg(const SwitchReport& report) {
  return report.design.lock_count() == 2 ? two_lock_svg(report) : three_lock_svg(report);
}

}  // namespace withy
