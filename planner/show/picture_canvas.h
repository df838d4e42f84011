// SPDX-License-Identifier: GPL-3.0-or-later
// Something to draw a picture on: lines, areas and words in points (1/72 inch, y down), to SVG or PNG by way
// of cairo.
#pragma once

#include <memory>
#include <string>
#include <vector>

namespace withy {

enum class PictureFormat { svg, png };

inline constexpr double kPictureWidth = 1200.0;
inline constexpr double kPictureHeight = 720.0;

/// Pixels a point of a PNG: sharp on a dense screen.
inline constexpr int kPngPixelsPerPoint = 2;

/// Red, green and blue, 0 to 1.
struct Tone {
  double red = 0.0;
  double green = 0.0;
  double blue = 0.0;
};

struct PicturePoint {
  double x = 0.0;
  double y = 0.0;
};

enum class LineEnd { square, round };

struct LineStyle {
  double width = 1.0;
  Tone tone;
  double alpha = 1.0;
  LineEnd end = LineEnd::square;
  double dash = 0.0;  ///< length of dashes and of the gaps between them; 0: none
};

class PictureCanvas {
 public:
  explicit PictureCanvas(PictureFormat format);
  ~PictureCanvas();
  PictureCanvas(const PictureCanvas&) = delete;
  PictureCanvas& operator=(const PictureCanvas&) = delete;

  void fill_all(const Tone& tone);
  void line(const std::vector<PicturePoint>& points, const LineStyle& style);
  /// Many lines of one style, each a pair of points: one shape in an SVG.
  void segments(const std::vector<PicturePoint>& pairs, const LineStyle& style);
  /// A closed area; `edge_width` 0 draws no edge.
  void area(const std::vector<PicturePoint>& corners, const Tone& fill, const Tone& edge, double edge_width);
  void circle(const PicturePoint& centre, double radius, const LineStyle& style);

  /// Words with their left end at `at`, on a pale halo that keeps them readable over anything.
  void words(const PicturePoint& at, const std::string& text, double size, const Tone& tone,
             bool bold = false);
  double width_of(const std::string& text, double size, bool bold = false);

  /// The file's bytes. Nothing can be drawn afterwards.
  std::string finish();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace withy
