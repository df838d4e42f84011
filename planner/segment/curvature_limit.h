// SPDX-License-Identifier: GPL-3.0-or-later
// How far past the curvature limit a state may be and still count as within it.
#pragma once

namespace withy {

/// A curvature up to the limit times this counts: one that is meant to stand on its limit may be an ulp past
/// it. Bounds that rest on the limit (motion_bounds.h, cell_slide.h) count with this as well.
inline constexpr double kCurvatureRounding = 1.0 + 1e-9;

}  // namespace withy
