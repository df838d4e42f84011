// SPDX-License-Identifier: GPL-3.0-or-later
// How dense way-points must be.
//
// A plan moves insertion and free curvature linearly; the unit moves its axes linearly. The two differ where
// pulls are not linear in (d, u): with spacer disks, and with the guide, where Theta = f_e(d) u. Over a piece
// of a motion the unit's path is
//     pull(t) = (1 - t) pull_0 + t pull_1,   d(t) linear in both,
// and the body it makes has the curvature u'(t) that free_bend_from_pulls finds for pull(t). The script stays
//     |pull(t) - pull of the plan| <= kScriptDeviation_mm               (1)  in every tendon, and
//     |u'(t) - u(t)| l^2 / 2        <= kScriptDeviation_mm               (2)  at every body point,
// l the exposed length of the free region (section "first order" of motion_bounds.h: curvature lever), hence
// in clearance too, a distance that changes by no more than the points move.
//
// Where the deviation is greatest. Pull has kinks in t only where the entry plane passes the end of a region
// or of a rigid span, or a disk (smooth_cuts); between these it is analytic. Samples stand on the
// kinks and at the quarter points of every smooth part: they see a parabola's bulge exactly and 97 % of a
// cubic's (greatest at 0.211 and 0.789), so asking half of the tolerance of the samples leaves a factor of
// two for the rest.
#pragma once

#include <vector>

#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// What a unit that interpolates its axes linearly may be off the plan's motion (mm), in pull and in
/// clearance.
inline constexpr double kScriptDeviation_mm = 0.01;

/// Fractions of the motion from 0 to 1, both included, between which pulls are smooth functions of (d, u).
std::vector<double> smooth_cuts(const Design& design, const State& from, const State& to);

/// Where a deviation between t0 and t1 is to be looked for: the cuts inside, and the quarter points of every
/// part between them.
std::vector<double> samples_between(const std::vector<double>& cuts, double t0, double t1);

/// Where to part the piece from t0 to t1: at the cut nearest its middle, where there is one, else at the
/// middle.
double parting_point(const std::vector<double>& cuts, double t0, double t1);

/// Fractions in (0, 1], 1 last, at which the motion needs way-points. Precondition: same locks and frozen
/// bends; the design has tendons.
std::vector<double> waypoint_fractions(const Design& design, const State& from, const State& to);

}  // namespace withy
