// SPDX-License-Identifier: GPL-3.0-or-later
// A plan as one still picture, SVG or PNG: the channel cut open, the body at the target, its earlier states
// behind it.
//
// Parallel projection along the channel's flattest direction (the principal axis of least spread of the
// wall's vertices), the entry on the left. Drawn with cairo. Free parts are plain and light, frozen parts
// ribbed and dark, an engaged lock is a solid drum, a released one two thin rims: told apart without colour.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "geometry/channel/channel.h"
#include "planner/plan/answer.h"
#include "planner/scene/scene.h"
#include "planner/segment/design.h"
#include "planner/show/picture_canvas.h"
#include "planner/show/picture_view.h"

namespace withy {

/// What is drawn. The references must outlive the call.
struct PictureInput {
  const Scene& scene;
  const Channel& channel;
  const Design& design;
  const Answer& answer;
};

/// By the file's ending; nothing for any other than .svg and .png.
std::optional<PictureFormat> picture_format(const std::filesystem::path& file);

/// The picture without its body, for what moves over it, as SVG; and how it is projected.
struct Backdrop {
  std::string svg;
  PictureView view;
};
Backdrop draw_backdrop(const PictureInput& input);

/// The file's bytes.
std::string draw_picture(const PictureInput& input, PictureFormat format);

}  // namespace withy
