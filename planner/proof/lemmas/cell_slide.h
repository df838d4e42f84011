// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 4 (slide). How far insertion moves a body aside: a body that advances mostly moves along itself, into
// the place that its own more distal part had.
//
// For a cell with insertions [d0, d1], d1 <= L (the base is not past the entry plane), take any bends of the
// cell and keep them. The point at station s + t of the body at insertion d1 - t is
//     g(t) = p(d1 - t, s + t),   g'(t) = T - dp/dd,   so   |p(d, s + d1 - d) - p(d1, s)| <= (d1 - d) K(s)
// with K(s) a bound of |T - dp/dd| at all stations up to s + d1 - d0 and all insertions of the cell:
//   free carriage: dp/dd is the advance axis, and T leaves it by at most the bend so far:
//       K <= integral of w from 0, w = |u| over flexible stretches and 0 over rigid ones.
//   guide: dp/dd - T is the derivative at a fixed arc length x past the entry, where p = integral of T from 0
//   to x. T is the product of the rotations of the regions up to there, each a bend b_r, so K <= integral of
//   w from the first exposed station, w = the sum of |db_r/dd| at fixed x. A region that is passed as a whole
//   keeps its bend (frozen; the free region is the last), so only the region at x counts. With F the flexible
//   length from its start or the entry plane, f all of it that is out, and [e], [s] = 1 where the body is
//   flexible at the entry plane, at station s, else 0:
//       free region at the entry plane:    b = u F,          w = |u| |[e] - [s]|
//       frozen region at the entry plane:  b = Theta F / f,  db/dd = Theta ([e] - [s]) / f - [e] Theta F /
//       f^2,
//                                          w <= |Theta| / f
//       region past the entry plane:       b = u F,          w = |u| [s]
// K never falls with s, and stations up to s + d1 - d0 matter, so K(s) is the integral of the largest w of
// the cell up to s + d1 - d0. The bodies of a cell thus lie about the body at d1, station by station, each
// point by no more than (d1 - d0) K(s) aside, its radius that of a station at most d1 - d0 more distal.
// Likewise about the body at d0: p(d, s - t) against p(d0, s), t = d - d0, stations up to s, radii of
// stations as much more proximal.
//
// Why the curvature limit bounds w of a cut frozen region although the body at d1 or d0 may break it (its
// bends are those of an allowed state q of the cell, at insertion d). About d1: the states between are deeper
// than q, so their |Theta| / f is at most that of q. About d0 they are not, and the derivative alone would
// not do. Take the difference instead. At arc length x past the entry plane, with sigma = x0 + x the station
// of body 0, delta and eps the flexible lengths of [x0 - t, x0] and [sigma - t, sigma], both at most t, f_q =
// f_0 + delta, F = F(x0, sigma):
//     b_0 - b_q = Theta (F / f_0 - (F + delta - eps) / f_q) = Theta (eps - delta (1 - F / f_0)) / f_q,
// whose size is at most t |Theta| / f_q: w <= |Theta| / f_q, the curvature of q itself. Where sigma lies past
// the region and sigma - t in it, F / f_0 = 1 and the same holds with eps the part of [sigma - t, sigma] that
// is in it, the rest being the next region's, at w = |u|: the integrals over x and t of these are those of
// the pieces. A region that is inside as a whole at d0 is straight in body 0, or there is no such body;
// where q bends it, that bend alone is straightened first, at d.
//   Premises: d1 <= L; every frozen bend has some length to be in at d1; q is allowed (AllowedBox: the bends
//   that no allowed state of the cell has are no bends of body 0 or 1 either).
//   Rounding: a few dozen sums and products of 2^-53 on numbers of one sign: kSlideRounding (cell_slide.cpp).
#pragma once

#include <optional>
#include <vector>

#include "planner/proof/lemmas/limits_over_box.h"

namespace withy {

/// Of one cell; a value. Invariant: it has a piece at least, and all rates are finite.
class CellSlide {
 public:
  /// Nothing where nothing is known: part of the base may be past the entry plane, or a frozen bend may have
  /// no flexible length to be in.
  static std::optional<CellSlide> of(const Design& design, const BendChart& chart, const Leaf& leaf,
                                     const AllowedBox& cell);

  /// d1 - d0 (mm).
  double width_mm() const { return width_mm_; }

  /// (d1 - d0) K at each of the stations (mm, ascending), about the body at d1.
  void about_deepest(const std::vector<double>& stations_mm, std::vector<double>& aside_mm) const;
  /// The same about the body at d0.
  void about_shallowest(const std::vector<double>& stations_mm, std::vector<double>& aside_mm) const;

  /// The most that any point moves aside (mm).
  double most_aside_mm() const { return width_mm_ * pieces_.back().turn_to; }

 private:
  /// A stretch of the body with one w.
  struct Piece {
    double from_mm;
    double to_mm;
    double rate_per_mm;
    double turn_to = 0.0;  // integral of w to its end
  };
  /// Gathers the pieces of one cell.
  class Builder;

  void fill(const std::vector<double>& stations_mm, double further_mm, std::vector<double>& aside_mm) const;

  double width_mm_ = 0.0;
  std::vector<Piece> pieces_;
};

}  // namespace withy
