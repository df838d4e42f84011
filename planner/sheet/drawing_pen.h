// SPDX-License-Identifier: GPL-3.0-or-later
// A pen on a sheet of paper of ISO size A3, landscape: millimetres from the upper left corner, y down, to SVG
// or PDF by way of cairo. Ink is black or grey, so that any printer does.
#pragma once

#include <memory>
#include <string>
#include <vector>

namespace withy {

enum class DrawingFormat { svg, pdf };

/// A3 (ISO 216), landscape.
inline constexpr double kPaperWidth_mm = 420.0;
inline constexpr double kPaperHeight_mm = 297.0;

/// Widths of lines (ISO 128-2 has these two in one group).
inline constexpr double kThinLine_mm = 0.18;
inline constexpr double kThickLine_mm = 0.35;

struct PaperPoint {
  double x = 0.0;
  double y = 0.0;
};

enum class Dash { none, dashed, centre };
enum class Anchor { left, middle, right };

struct Ink {
  double width_mm = kThinLine_mm;
  Dash dash = Dash::none;
  double grey = 0.0;  ///< 0 black to 1 white
};

struct Lettering {
  double size_mm = 2.5;
  Anchor anchor = Anchor::left;
  bool upright = false;  ///< reads from below upwards; `anchor` counts along the words all the same
  bool bold = false;
};

class DrawingPen {
 public:
  /// `title` goes into the file's own data.
  DrawingPen(DrawingFormat format, const std::string& title);
  ~DrawingPen();
  DrawingPen(const DrawingPen&) = delete;
  DrawingPen& operator=(const DrawingPen&) = delete;

  void line(const std::vector<PaperPoint>& points, const Ink& ink = {});
  void rectangle(const PaperPoint& corner, double width, double height, const Ink& edge,
                 double fill_grey = 1.0);
  void circle(const PaperPoint& centre, double radius, const Ink& edge, double fill_grey = 1.0);
  /// With a filled head at `to`.
  void arrow(const PaperPoint& from, const PaperPoint& to, const Ink& ink);
  void words(const PaperPoint& at, const std::string& text, const Lettering& lettering = {});
  double width_of(const std::string& text, const Lettering& lettering) const;

  /// The file's bytes. Nothing can be drawn afterwards.
  std::string finish();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace withy
