// SPDX-License-Identifier: GPL-3.0-or-later
// A plan as a moving picture: one SVG that plays by itself, over and over, wherever a browser shows an image.
//
// The still picture without its body (picture.h), and over it the body, whose centreline moves from frame to
// frame: SMIL animation of path data (W3C, "SVG 1.1", chapter 19), linear between frames. No script, nothing
// from the network. Times are the plan's own, shortened to kMovieSeconds in all; a switch of a lock rests for
// kMovieSwitchFrames frames so that the eye can follow it.
#pragma once

#include <string>

#include "planner/plan/answer.h"
#include "planner/show/picture.h"

namespace withy {

inline constexpr double kMovieSeconds = 14.0;
inline constexpr int kMovieFrames = 84;
inline constexpr int kMovieSwitchFrames = 4;

/// The file's bytes. Precondition: the answer has a plan.
std::string draw_movie(const PictureInput& input);

}  // namespace withy
