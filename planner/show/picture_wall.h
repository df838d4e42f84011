// SPDX-License-Identifier: GPL-3.0-or-later
// What pictures of a channel have in common: its wall cut open, its outline, a scale.
#pragma once

#include "geometry/mesh/mesh.h"
#include "planner/show/picture_canvas.h"
#include "planner/show/picture_view.h"

namespace withy {

/// Where the channel is drawn on every picture.
inline constexpr PictureFrame kPictureFrame = {50.0, 116.0, 1100.0, 470.0};

/// Few enough facets that an SVG stays small, enough that the wall looks round.
inline constexpr std::size_t kPictureTriangles = 8000;

/// The far side of the wall alone, so that one sees into the channel; the farthest faces first.
void draw_far_wall(PictureCanvas& canvas, const PictureView& view, const TriangleMesh& wall_E);

/// The edges where the wall turns from facing the eye to facing away, and those of openings.
void draw_wall_outline(PictureCanvas& canvas, const PictureView& view, const TriangleMesh& wall_E);

/// A round length in mm, at the picture's lower right.
void draw_scale_bar(PictureCanvas& canvas, const PictureView& view);

}  // namespace withy
