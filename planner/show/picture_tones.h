// SPDX-License-Identifier: GPL-3.0-or-later
// Tones that all pictures share.
#pragma once

#include "planner/show/picture_canvas.h"

namespace withy {

inline constexpr Tone kPaper = {1.0, 1.0, 1.0};
inline constexpr Tone kInk = {0.11, 0.14, 0.19};
inline constexpr Tone kInkSoft = {0.36, 0.40, 0.45};
inline constexpr Tone kTarget = {0.04, 0.42, 0.35};

}  // namespace withy
