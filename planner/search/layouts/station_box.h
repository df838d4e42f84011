// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 27 (layouts near one another). One question about the design with its locks in one place proves
// something of all layouts whose locks sit near there.
//
//   Statement. Let s be stations and h <= w, w a lock's length. Let Q be the question about s with the
//   curvature limit k' = k (1 + 2h / max(f, p / (r_b k) - 2h)), f the least flexible length from the base or
//   a lock to a lock; the required clearance c - 2 delta; the target's tolerance t + 2 delta and its cone
//   wider by 2 k h; locks no thicker than the body; no limits by tendons and field; and lock switches
//   wherever they are for some stations within h of s (links.h). delta = k h (L - max(0, s_1 - w/2 - h) / 2 +
//   N (w + 2h)). If Q has no way, no layout with every station within h of s has a plan, whatever its
//   clocking. Premises: free carriage; no passages (passage.h); notches that hold bends both ways (isolated
//   bends); h so small that k' is finite. Derivation. Take a legal state of a layout s' near s, and the state
//   of s with the same engaged locks, the same frozen bends, the same free curvature. (a) At arc length a,
//   let R and R' be the turns from the base on. A region r turns about one axis of its own start, by its bend
//   times the share of its flexible length that lies before a; so R and R' differ by at most the sum over
//   regions of |Theta_r| times the difference of those shares. Only the region that a lies in counts. With x,
//   x' the flexible lengths from its start to a, f, f' its own, and its ends moved by da, db, x' - x f'/f =
//   -da (1 - x/f) - db x/f, at most h; where a lies between one layout's end of a region and the other's,
//   that holds as well, for only one of the two regions there has begun (h <= w). An open lock in the region
//   moves its rigid span by h at most, which changes x' by at most h where a is within it or within h of it:
//   w + 2h of the length. With |Theta_r| <= k f' the turns differ by at most k h, and by as much again in
//   those stretches. In the first region da = 0: k h x/f there. (b) Integrated along the body, points differ
//   by at most delta; the first region is shortest where lock 1 ends it. (c) A frozen bend of s' that is not
//   0 is at least p / r_b, since some backbone's slide is a whole notch; its region is at least p / (r_b k)
//   long in s', and so is no shorter than that less 2h in s: |Theta| <= k f' <= k' f. (d) Insertion is less
//   by delta, or 0 where it is less than that. Then every point is within 2 delta of the one of s', and one
//   past the entry plane is matched by one past it, for at insertion 0 none is past it. D is 1-Lipschitz
//   there. (e) The map is continuous; the start and the goal states go to such; where s' switches a lock,
//   bends and free curvature go over, which Q's links count. So a plan of s' becomes a way of Q. Rounding:
//   kBoxRounding_mm and kBoxRounding, far above a dozen operations on lengths up to 1e3 mm.
#pragma once

#include <optional>
#include <vector>

#include "planner/proof/recheck/certificate.h"
#include "planner/search/layouts/layout_grid.h"
#include "planner/search/problem.h"

namespace withy {

/// All layouts with every station within `half_mm` of these.
struct StationBox {
  Stations middle_mm;
  double half_mm = 0.0;
};

/// Least and most that station i of N may be, in any layout (mm).
struct StationRange {
  double low_mm = 0.0;
  double high_mm = 0.0;
};
StationRange station_range(const DesignParts& parts, int locks, int lock);

/// Does some layout lie in the box?
bool holds_layouts(const DesignParts& parts, const StationBox& box);

/// Does lemma 27 apply to this question at all?
bool layouts_can_be_boxed(const SearchProblem& base);

/// The question that lemma 27 makes of a box, about stations that a design may have; nothing where a premise
/// does not hold. `covers`: the box that it proves something of, which holds all layouts of `box`.
struct BoxQuestion {
  SearchProblem problem;
  StationBox covers;
};
std::optional<BoxQuestion> question_over(const SearchProblem& base, const StationBox& box);

/// What a certificate of such a question says of its layouts.
recheck::ProvedLayout proved_layout(const BoxQuestion& question);

}  // namespace withy
