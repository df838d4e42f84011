// SPDX-License-Identifier: GPL-3.0-or-later
// Names beside things on a picture, none over another.
#pragma once

#include <string>
#include <vector>

#include "planner/show/picture_canvas.h"

namespace withy {

/// Size of a name's letters (points).
inline constexpr double kNameSize = 14.0;

class PictureNames {
 public:
  /// A name stands so far (points) below its place, or above it. The canvas must outlive this.
  PictureNames(PictureCanvas& canvas, double below, double above)
      : canvas_(canvas), below_(below), above_(above) {}

  /// A name above a place (-1) or below it (1), moved away by whole lines until it is clear of other names.
  void put(const PicturePoint& at, const std::string& text, int side, const Tone& tone);

 private:
  struct Name {
    double x = 0.0;
    double y = 0.0;
    double width = 0.0;
  };

  PictureCanvas& canvas_;
  double below_;
  double above_;
  std::vector<Name> names_;
};

}  // namespace withy
