// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/sheet/sheet_drawing.h"

#include <algorithm>
#include <cmath>
#include <sstream>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/cautions.h"
#include "planner/files/plain_line.h"

namespace withy {
namespace {

// Places on the paper, mm.
constexpr double kFrame = 10.0;
constexpr double kSideLeft = 40.0;
constexpr double kSideRoom = 340.0;
constexpr double kSideAxis = 62.0;
constexpr double kDimensionLine = 44.0;
constexpr double kLabelGap = 3.6;
constexpr double kNotchTop = 84.0;
constexpr double kNotchRow = 8.0;
constexpr int kSectionColumns = 5;
constexpr double kSectionsWidth = 286.0;
constexpr double kWidestCell = 95.0;
constexpr double kCellHeight = 56.0;   // where there are two rows of sections
constexpr double kTallestCell = 90.0;  // where there is one
constexpr double kNamesBeside = 36.0;  // both sides of a section
constexpr double kNamesAboveBelow = 20.0;
constexpr double kColumnLeft = 300.0;
constexpr double kColumnRight = 406.0;
constexpr double kNameOutside = 4.0;
constexpr double kTextLine = 3.6;
constexpr double kTitleBlock = 241.0;
// Ticks nearer to one another on paper are drawn as a band.
constexpr double kLeastTick = 0.5;

constexpr Ink kEdge = {.width_mm = kThickLine_mm};
constexpr Ink kThin = {};
constexpr Ink kCentreLine = {.dash = Dash::centre, .grey = 0.4};
constexpr double kMomentLine = 0.5;
constexpr double kLockFill = 0.82;
constexpr double kTipFill = 0.92;

/// At most four decimals, no more than there are.
std::string number(double value) {
  return fmt::format("{:.8g}", std::round(value * 1e4) / 1e4 + 0.0);
}

class SheetPainter {
 public:
  SheetPainter(const BuildSheet& sheet, DrawingPen& pen)
      : sheet_(sheet),
        design_(sheet.design),
        pen_(pen),
        side_scale_(drawing_scale(sheet.design.length_mm(), kSideRoom)),
        section_scale_(
            drawing_scale(2.0 * sheet.design.largest_radius(),
                          std::min(cell_width() - kNamesBeside, cell_height() - kNamesAboveBelow))) {}

  void draw() {
    pen_.rectangle({kFrame, kFrame}, kPaperWidth_mm - 2.0 * kFrame, kPaperHeight_mm - 2.0 * kFrame, kEdge);
    pen_.words({14.0, 18.0},
               fmt::format("Build sheet: {}; {}", plain_line(sheet_.scene.title), lock_count_words()),
               {.size_mm = 4.0, .bold = true});
    draw_side();
    draw_dimensions();
    draw_notches();
    draw_sections();
    draw_values();
    draw_title_block();
  }

 private:
  std::string lock_count_words() const {
    const std::size_t locks = sheet_.locks.size();
    return locks == 0 ? "no locks" : locks == 1 ? "1 lock" : fmt::format("{} locks", locks);
  }

  // The segment from the side.

  double x(double station_mm) const { return kSideLeft + side_scale_ * station_mm; }

  void body(double from_mm, double to_mm, double radius_mm, double fill) {
    pen_.rectangle({x(from_mm), kSideAxis - side_scale_ * radius_mm}, side_scale_ * (to_mm - from_mm),
                   2.0 * side_scale_ * radius_mm, kEdge, fill);
  }

  void draw_side() {
    const double length = design_.length_mm(), radius = design_.segment().radius_mm;
    body(0.0, length, radius, 1.0);
    if (design_.segment().tip_rigid_mm > 0.0)
      body(length - design_.segment().tip_rigid_mm, length, radius, kTipFill);
    for (std::size_t i = 0; i < sheet_.locks.size(); ++i) {
      const LockPlace& lock = sheet_.locks[i];
      body(lock.from_mm, lock.to_mm, design_.lock().body_radius_mm, kLockFill);
      pen_.words({x(lock.station_mm), below_body() + 3.0}, fmt::format("lock {}", i + 1),
                 {.anchor = Anchor::middle});
    }
    const double disk = side_scale_ * radius;
    for (const DiskPlace& place : sheet_.disks)
      pen_.line({{x(place.station_mm), kSideAxis - disk}, {x(place.station_mm), kSideAxis + disk}},
                {.width_mm = kThinLine_mm, .grey = 0.35});
    pen_.line({{x(0.0) - 6.0, kSideAxis}, {x(length) + 6.0, kSideAxis}}, kCentreLine);
    pen_.words({x(0.0) - 8.0, kSideAxis + 1.0}, "base", {.anchor = Anchor::right});
    pen_.words({x(length) + 8.0, kSideAxis + 1.0}, "tip");
    if (!sheet_.disks.empty())
      pen_.words({x(length), below_body() + 3.0},
                 fmt::format("{} disks, every {} mm from the base", sheet_.disks.size(),
                             number(design_.tendons()->disk_spacing_mm)),
                 {.anchor = Anchor::right});
  }

  double below_body() const { return kSideAxis + std::max(4.0, side_scale_ * design_.largest_radius()); }

  /// Running dimensions from the base.
  void draw_dimensions() {
    std::vector<double> stations = {0.0, design_.length_mm()};
    for (const LockPlace& lock : sheet_.locks)
      stations.insert(stations.end(), {lock.from_mm, lock.station_mm, lock.to_mm});
    if (design_.segment().tip_rigid_mm > 0.0)
      stations.push_back(design_.length_mm() - design_.segment().tip_rigid_mm);
    std::sort(stations.begin(), stations.end());
    stations.erase(std::unique(stations.begin(), stations.end()), stations.end());
    std::vector<double> wanted;
    for (const double s : stations) wanted.push_back(x(s));
    const std::vector<double> labels = spread(wanted, kLabelGap, kFrame + 6.0, kPaperWidth_mm - kFrame - 4.0);
    const double body_top = kSideAxis - side_scale_ * design_.largest_radius() - 1.0;
    const double knee = std::min(kDimensionLine, body_top - 2.0);
    for (std::size_t k = 0; k < stations.size(); ++k) {
      pen_.line({{labels[k], knee - 5.0}, {wanted[k], knee}, {wanted[k], std::max(knee, body_top)}}, kThin);
      pen_.words({labels[k] + 0.9, knee - 6.0}, number(stations[k]), {.upright = true});
    }
  }

  // Notches.

  std::string notch_words(std::size_t i) const {
    const LockPlace& lock = sheet_.locks[i];
    if (sheet_.pitch_mm <= 0.0)
      return fmt::format("Lock {} holds by friction: each backbone slides up to {} mm either way.", i + 1,
                         number(lock.travel_mm));
    if (lock.notches == 0)
      return fmt::format("Lock {}: one notch on each secondary backbone, {} mm from the base.", i + 1,
                         number(lock.station_mm));
    return fmt::format(
        "Lock {}: {} notches on each secondary backbone, {} mm apart, {} to {} mm from the base.", i + 1,
        2 * lock.notches + 1, number(sheet_.pitch_mm), number(notch_mm(sheet_, lock, lock.notches)),
        number(notch_mm(sheet_, lock, -lock.notches)));
  }

  void draw_notches() {
    if (sheet_.backbones.empty()) return;
    for (std::size_t i = 0; i < sheet_.locks.size(); ++i) {
      const LockPlace& lock = sheet_.locks[i];
      const double top = kNotchTop + kNotchRow * static_cast<double>(i), y = top + 5.5;
      pen_.words({x(0.0), top + 2.8}, notch_words(i));
      pen_.line({{x(0.0), y}, {x(design_.length_mm()), y}}, kThin);
      if (sheet_.pitch_mm <= 0.0) continue;
      const double from = x(notch_mm(sheet_, lock, lock.notches)),
                   to = x(notch_mm(sheet_, lock, -lock.notches));
      if (side_scale_ * sheet_.pitch_mm < kLeastTick) {
        pen_.rectangle({from, y - 1.0}, to - from, 2.0, kThin, 0.6);
        continue;
      }
      for (int n = -lock.notches; n <= lock.notches; ++n) {
        const double at = x(notch_mm(sheet_, lock, n)), half = n == 0 ? 1.8 : 1.0;
        pen_.line({{at, y - half}, {at, y + half}}, n == 0 ? kEdge : kThin);
      }
    }
  }

  // Sections, seen from the tip: x to the right, y up.

  double sections_top() const {
    const std::size_t rows = sheet_.backbones.empty() ? 0 : sheet_.locks.size();
    return kNotchTop + kNotchRow * static_cast<double>(rows) + 6.0;
  }

  int section_count() const { return static_cast<int>(sheet_.locks.size()) + 1; }
  int columns() const { return std::min(section_count(), kSectionColumns); }
  double cell_width() const { return std::min(kWidestCell, kSectionsWidth / columns()); }
  double cell_height() const { return section_count() > kSectionColumns ? kCellHeight : kTallestCell; }

  PaperPoint section_middle(int cell) const {
    return {kFrame + cell_width() * (0.5 + cell % kSectionColumns),
            sections_top() + cell_height() * (0.5 + static_cast<int>(cell / kSectionColumns))};
  }

  static PaperPoint turned(const PaperPoint& middle, double radius, double angle_rad) {
    return {middle.x + radius * std::cos(angle_rad), middle.y - radius * std::sin(angle_rad)};
  }

  void draw_sections() {
    draw_plain_section(section_middle(0));
    for (std::size_t i = 0; i < sheet_.locks.size(); ++i)
      draw_lock_section(i, section_middle(static_cast<int>(i) + 1));
  }

  void section(const PaperPoint& middle, double radius_mm, double fill, const std::string& name) {
    const double radius = section_scale_ * radius_mm;
    pen_.circle(middle, radius, kEdge, fill);
    pen_.line({{middle.x - radius - 2.0, middle.y}, {middle.x + radius + 2.0, middle.y}}, kCentreLine);
    pen_.line({{middle.x, middle.y - radius - 2.0}, {middle.x, middle.y + radius + 2.0}}, kCentreLine);
    pen_.words({middle.x, middle.y + section_scale_ * design_.largest_radius() + 10.0}, name,
               {.anchor = Anchor::middle});
  }

  /// A name outside the circle, centred on its ray.
  void name_at(const PaperPoint& middle, double radius, double angle_rad, const std::string& name) {
    const PaperPoint at = turned(middle, radius, angle_rad);
    const double aside = std::cos(angle_rad);
    const Anchor anchor = aside > 0.3 ? Anchor::left : aside < -0.3 ? Anchor::right : Anchor::middle;
    pen_.words({at.x, at.y + 0.9}, name, {.size_mm = 2.2, .anchor = anchor});
  }

  void draw_plain_section(const PaperPoint& middle) {
    const double radius_mm = design_.segment().radius_mm;
    section(middle, radius_mm, 1.0, fmt::format("between locks, radius {} mm", number(radius_mm)));
    const double outside = section_scale_ * radius_mm + kNameOutside;
    const auto draw = [&](const std::vector<SectionPlace>& all, char letter, double fill) {
      for (std::size_t k = 0; k < all.size(); ++k) {
        pen_.circle(turned(middle, section_scale_ * all[k].radius_mm, all[k].angle_rad), 0.9, kThin, fill);
        name_at(middle, outside, all[k].angle_rad,
                fmt::format("{}{} {}\u00b0", letter, k + 1, number(degrees_to_write(all[k].angle_rad))));
      }
    };
    draw(sheet_.tendons, 'T', 1.0);
    draw(sheet_.backbones, 'B', 0.3);
  }

  void draw_lock_section(std::size_t i, const PaperPoint& middle) {
    const LockPlace& lock = sheet_.locks[i];
    const double radius_mm = design_.lock().body_radius_mm, radius = section_scale_ * radius_mm;
    section(middle, radius_mm, kTipFill,
            fmt::format("lock {} at {} mm, radius {} mm", i + 1, number(lock.station_mm), number(radius_mm)));
    const auto moment = [&](double angle_rad, const Ink& ink, const char* state) {
      pen_.arrow(turned(middle, 0.55 * radius, angle_rad + std::numbers::pi),
                 turned(middle, 0.85 * radius, angle_rad), ink);
      name_at(middle, radius + kNameOutside, angle_rad,
              fmt::format("{} {}\u00b0", state, number(degrees_to_write(angle_rad))));
    };
    moment(lock.magnet_free_rad, {.width_mm = kMomentLine}, "open");
    moment(lock.magnet_latched_rad, {.width_mm = kMomentLine, .dash = Dash::dashed}, "engaged");
  }

  // Words.

  /// Words in the right column, broken between words; the next line's y.
  double paragraph(double y, const std::string& text, const Lettering& lettering) {
    std::istringstream in(text);
    std::string line, word;
    while (in >> word) {
      const std::string longer = line.empty() ? word : line + " " + word;
      if (!line.empty() && pen_.width_of(longer, lettering) > kColumnRight - kColumnLeft) {
        pen_.words({kColumnLeft, y}, line, lettering);
        y += kTextLine;
        line = word;
      } else {
        line = longer;
      }
    }
    pen_.words({kColumnLeft, y}, line, lettering);
    return y + kTextLine;
  }

  void draw_values() {
    double y = sections_top() + 3.0;
    pen_.words({kColumnLeft, y}, "What this rests on", {.bold = true});
    y += kTextLine;
    for (const GivenValue& value : sheet_.given) {
      pen_.words({kColumnLeft, y}, value.key, {.size_mm = 2.2});
      pen_.words({kColumnRight - 14.0, y}, fmt::format("{:.6g}", value.value),
                 {.size_mm = 2.2, .anchor = Anchor::right});
      pen_.words({kColumnRight - 12.5, y}, value.unit, {.size_mm = 2.2});
      y += 3.2;
    }
    draw_remarks(y + 2.0);
  }

  /// As many as there is room for; all of them stand in the table.
  void draw_remarks(double y) {
    for (std::size_t k = 0; k < sheet_.remarks.size(); ++k) {
      if (y > kTitleBlock - 16.0) {
        paragraph(y, fmt::format("And {} more in sheet.csv.", sheet_.remarks.size() - k), {.size_mm = 2.2});
        return;
      }
      y = paragraph(y, fmt::format("Note: {}", sheet_.remarks[k]), {.size_mm = 2.2});
    }
  }

  void draw_title_block() {
    pen_.rectangle({kColumnLeft - 3.0, kTitleBlock}, kPaperWidth_mm - kFrame - kColumnLeft + 3.0,
                   kPaperHeight_mm - kFrame - kTitleBlock, kEdge);
    double y = kTitleBlock + 4.5;
    y = paragraph(y,
                  fmt::format("Scale {}, sections {}, on A3. Lengths in mm from the base, straight segment.",
                              scale_text(side_scale_), scale_text(section_scale_)),
                  {.size_mm = 2.4, .bold = true});
    y = paragraph(y,
                  "Each notch stands in notches.csv. Sections seen from the tip: x to the right, y up; "
                  "angles from x towards y. T: tendon hole. B: "
                  "secondary backbone, fixed at the base. Arrows: magnet's moment.",
                  {.size_mm = 2.2});
    y = paragraph(
        y,
        fmt::format("Scene {}, sha256 {}", plain_line(sheet_.scene_file), sheet_.scene.sha256.substr(0, 16)),
        {.size_mm = 2.2});
    for (const std::string_view caution : kCautions) y = paragraph(y, std::string(caution), {.size_mm = 2.2});
  }

  const BuildSheet& sheet_;
  const Design& design_;
  DrawingPen& pen_;
  double side_scale_;
  double section_scale_;
};

}  // namespace

double drawing_scale(double length_mm, double room_mm) {
  // Lengths of a scene go from 0.1 mm to metres, so a scale is always found.
  for (int power = 4; power >= -6; --power)
    for (const double step : {5.0, 2.0, 1.0}) {
      const double scale = step * std::pow(10.0, power);
      if (scale * length_mm <= room_mm) return scale;
    }
  return room_mm / length_mm;
}

std::string scale_text(double scale) {
  return scale >= 1.0 ? fmt::format("{:g}:1", scale) : fmt::format("1:{:g}", 1.0 / scale);
}

std::vector<double> spread(std::vector<double> wanted, double gap, double from, double to) {
  double least = from;
  for (double& at : wanted) {
    at = std::max(at, least);
    least = at + gap;
  }
  double most = to;
  for (auto at = wanted.rbegin(); at != wanted.rend(); ++at) {
    *at = std::min(*at, most);
    most = *at - gap;
  }
  return wanted;
}

std::string sheet_drawing(const BuildSheet& sheet, DrawingFormat format) {
  DrawingPen pen(format, fmt::format("Build sheet: {}", plain_line(sheet.scene.title)));
  SheetPainter(sheet, pen).draw();
  return pen.finish();
}

}  // namespace withy
