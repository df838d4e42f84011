// SPDX-License-Identifier: GPL-3.0-or-later
// The hunt: how a bend is swept about a planned one until a latch drops in.
//
// A notch drops in where every backbone is within its window at once; on a bench the slides are never exact.
// So the free region's bend is swept, with the field on, about the planned one. Written as slides: a bend
// that is dTheta (rad) off the planned one at the lock is the point w = r_b dTheta (mm) of a plane, and
// backbone k has slid by e_k . w too far, e_k = (cos psi_k, sin psi_k). A slide error within h is a w with
// |w| <= h: what a backbone in the worst place about the section would show. (Backbones that lie nearly in
// one plane show less of a bend across it; it is the bend that is hunted, so the error is measured where it
// shows most.)
//
// Track, the centre being the planned bend:
//   spiral   r = h phi / (2 pi N) from 0 to h in N turns, one more turn along r = h, and back to the centre.
//   The
//            turns are h / N <= sqrt(2) windows apart, so no w with |w| <= h is farther than h / (2 N) <=
//            0.708 windows from the track. Every backbone is within the window of its notch wherever the
//            track is within one window of w, |e_k . (p - w)| <= |p - w|: all drop in at once.
//   line     out to h, over to -h and back: where all backbones lie in one plane, which alone they tell, or
//   all
//            tendons, which can bend the segment in no other. Errors are then along that line.
// The track is walked on straight chords whose corners lie on it. Along the spiral |d2p / dphi2| <=
// sqrt(r^2 + 4 (h / 2 pi N)^2), so a chord over the angle delta is off by at most delta^2 / 8 of that: kept
// to a twentieth of the window, which leaves 0.24 of it to spare.
//
// Source: none; the condition is that of latch.h, the sweep common practice of assembling pegs by a spiral.
#pragma once

#include <string_view>
#include <vector>

#include <Eigen/Core>

#include "planner/segment/design.h"

namespace withy {

enum class HuntShape {
  none,  ///< nothing to sweep, or nothing that could
  line,
  spiral
};

/// "none", "line", "spiral".
std::string_view name_of(HuntShape shape);

struct HuntTrack {
  HuntShape shape = HuntShape::none;
  double radius_mm = 0.0;                 ///< h, slide
  int turns = 0;                          ///< N + 1, the last turn along the rim; 1 for a line
  int corners_per_turn = 0;               ///< evenly spread over the angle; 2 for a line
  double spacing_mm = 0.0;                ///< from turn to turn, slide; 0 for a line
  std::vector<Eigen::Vector2d> slide_mm;  ///< corners w of the track, the planned bend first and last
};

/// The largest number of turns a hunt may have: some minutes at usual rates, and a script that still can be
/// read.
inline constexpr int kMostHuntTurns = 200;

/// Turns N that a hunt of `radius_mm` takes to have them sqrt(2) windows apart at most; infinite without a
/// window.
double hunt_turns(double radius_mm, double window_mm);

/// The track of the latch's hunt. `none` without a hunt and for a friction lock. `tendons`: null where the
/// scene has none; the segment then bends in every plane.
HuntTrack hunt_track(const LatchHardware& latch, const TendonHardware* tendons);

}  // namespace withy
