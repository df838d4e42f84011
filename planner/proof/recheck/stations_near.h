// SPDX-License-Identifier: GPL-3.0-or-later
// A proof about all layouts with every station within h of some stations s.
//
// It is a proof about s with everything eased by as much as the layouts may differ. With k the curvature
// limit, L the segment's length, w a lock's, N locks, p and r_b the notches' pitch and the backbones' radius,
// f the least flexible length from the base or a lock to a lock, c, t and a the required clearance, the
// target's tolerance and its cone, the eased question must allow
//   curvature k (1 + 2h / max(f, p / (r_b k) - 2h)), clearance c - 2 delta at most, tolerance t + 2 delta,
//   cone a + 2 k h, with delta = k h (L - max(0, s_1 - w/2 - h) / 2 + N (w + 2h)),
// locks no thicker than the body, no limit by tendons and field, and lock switches with every flexible length
// between two locks wrong by up to 2h. Why that is enough: a legal state of a layout near s goes over to the
// one of s with the same engaged locks and bends and the same free curvature, at an insertion less by delta
// (0 at least).
//   1. At each arc length the turns of the two bodies differ by at most k h: both turn about the same axis of
//   a region, by its bend times the share of its length that is passed, and those shares times the length
//   differ by what the region's ends moved. Along an open lock and h about it, by k h more. In the first
//   region, whose start does not move, that grows from 0. Integrated: delta.
//   2. A bend that is not 0 moves some backbone by a whole notch, so it is p / r_b at least and its region p
//   / (r_b k) long; less 2h in s. So it keeps the eased curvature limit there.
//   3. The body is set back by delta, so that what is past the entry plane there is so in the layout too; at
//   insertion 0 nothing is. So D, which changes no faster than a place moves, is less by 2 delta at most.
// Premises: free carriage, h <= w, no opening but the entry left open (where D would jump), notches that hold
// bends both ways.
#pragma once

#include <string>

#include "geometry/channel/wall_distance.h"
#include "planner/proof/recheck/blocked.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/proof/recheck/conditions.h"

namespace withy::recheck {

/// What keeps the header's eased question from being wide enough for its layouts; empty: nothing. `robot` as
/// the scene has it, at the header's stations.
std::string eased_fault(const Robot& robot, const CertificateHeader& header, const WallDistance& distance);

/// The eased question. Precondition: no eased_fault.
void ease(Robot& robot, const ProvedLayout& layout);
void ease(GoalRegion& goal, const ProvedLayout& layout);

}  // namespace withy::recheck
