// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture_names.h"

#include <algorithm>
#include <cmath>

#include "planner/show/picture_tones.h"

namespace withy {
namespace {

constexpr double kNameLine = 18.0;

}  // namespace

void PictureNames::put(const PicturePoint& at, const std::string& text, int side, const Tone& tone) {
  const double width = canvas_.width_of(text, kNameSize);
  const double x = std::clamp(at.x - 0.5 * width, 8.0, kPictureWidth - width - 8.0);
  double y = at.y + (side > 0 ? below_ : -above_);
  const auto in_the_way = [&](const Name& other) {
    return std::abs(other.y - y) < kNameLine && x < other.x + other.width + 6.0 && other.x < x + width + 6.0;
  };
  while (std::any_of(names_.begin(), names_.end(), in_the_way)) y += side * kNameLine;
  names_.push_back({x, y, width});
  canvas_.line({at, {at.x, y + (side > 0 ? -13.0 : 4.0)}}, {.width = 1.0, .tone = kInkSoft});
  canvas_.words({x, y}, text, kNameSize, tone);
}

}  // namespace withy
