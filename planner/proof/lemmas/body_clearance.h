// SPDX-License-Identifier: GPL-3.0-or-later
// Is this body, or any body near it, free of the wall? Answered from the distance field in one pass.
//
// Lemma 8 (margins of stations). A cell is a set of states: one state, and all that differ from it by at most
// dd in insertion and du in the free curvature (same locks, same frozen bends). Station j of any of them is
// within slack_j of where the centre state puts it (motion_bounds.h). With L and U the field's bounds of D,
//
//     least   = min over stations that may be past the entry plane of   L(p_j) - R_j - slack_j   (1)
//     blocked = min over stations that surely are of                    U(p_j) - R_j + slack_j   (2)
//
// so `least` >= c proves every station of every state of the cell clear by c, and `blocked` < c proves that
// no state of the cell is. Both take D for 1-Lipschitz along the line from where the centre puts the station
// to where it is. It is where that line meets no passage (geometry/channel/passage.h). A station with a
// passage within slack_j is not known to be clear, and for `blocked` it counts with an upper bound of |D|,
// which is 1-Lipschitz along every line. Rounding is inside slack_j: that of points (body_sampler.h) and
// look-ups (geometry/distance/distance_field_view.h), and what the loop loses on L - R - slack in single
// precision. With e = 2^-24, that is e (L + R + (L + R) + (L + R + slack)) at most: root, radius, two
// differences.
//
// Lemma 9 (between stations). Premises: lemma 8; no curvature of the states that count is above the limit.
// Rounding: kDistanceRounding_mm. Between neighbouring stations at most a apart along the body, at fractions
// 1 - f, f of the way, the point x differs by at most kappa a^2 / 8 from (1 - f) x_1 + f x_2 (linear
// interpolation of a curve with |x''| <= kappa), where d^2 >= min(d_1, d_2)^2 - a^2 / 4 (d^2 is semiconcave,
// geometry/distance/distance_field.h). Hence, with m = least + R and R the smallest radius (the loss shrinks
// as m grows),
//
//     whole-body clearance >= sqrt(m^2 - a^2 / 4) - kappa a^2 / 8 - R.   (3)
//
// Where the body passes the entry plane between two stations, the one behind is taken at its projection y_1.
// The path y_1, x_c (in the plane), x_2 is the chord seen so; it leaves the straight line y_1 x_2 by at most
// H = |y_1 x_c| z_2 / |y_1 x_2|, which is no more than |y_1 x_c| and, whatever the slope, than 0.193 a (with
// the chord's slope alpha and fraction t behind the plane H <= t (1 - t) a cos sin / sqrt(cos^2 + (1 - t)^2
// sin^2)
// <= a t sqrt(1 - t) / 2, greatest at t = 2/3). There the bound above, with the two stations' own margins, is
// lowered by H.
//
// Two stations behind the plane may have past it what is between them: the arc rises at most kappa a^2 / 8
// over its chord. A point x of it past the plane, c the chord's point at the same fraction and c' its
// projection: z(c) <= 0 < z(x), so |x - c'| <= |x - c| <= kappa a^2 / 8, and c' is on the straight line
// between the two projections. So the bound holds with the margins at those and no H.
//
// The sign between two stations: what is between is within a / 2 of one of them. With no wall on the way (the
// bound is positive) and no passage within slack + a / 2 of either station, it is on their side.
//
// The shaft behind the base is on the axis at radius R; it is inside the channel from z = 0 to d - L. Its
// margins are laid out once along the axis.
//
// Units: mm, frame E.
#pragma once

#include <memory>
#include <vector>

#include "geometry/distance/ball_margins.h"
#include "geometry/distance/distance_field.h"
#include "geometry/numbers/numbers.h"
#include "planner/motion/body_sampler.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/proof/lemmas/moved_distance.h"

namespace withy {

/// Safe to use from several threads at once, each with a BodyPoints of its own.
class BodyCheck {
 public:
  /// Stations at most `spacing_mm` apart. The design must outlive this.
  BodyCheck(const Design& design, std::shared_ptr<const DistanceField> field, double spacing_mm);

  static constexpr int kNobody = -1;
  static constexpr int kShaft = -2;

  struct Margins {
    /// Proved lower bound; +infinity when nothing can be past the entry plane, -infinity when nothing is
    /// known.
    LowerBound least = {kInfinity};
    int worst = kNobody;  ///< the station it is from, or kShaft
    /// The same of the body's stations alone, without the shaft.
    LowerBound least_of_stations = {kInfinity};
    /// Proved upper bound of the clearance of every state of the cell; only sought when least < wanted, and
    /// no closer than it takes to be below that.
    UpperBound blocked = {kInfinity};
    int suspect = kNobody;
  };

  BodyPoints make_points() const { return sampler_.make_points(); }

  /// Margins of one state.
  Margins evaluate(const State& state, BodyPoints& points, double wanted_mm = 0.0) const;

  /// Margins of a cell of half-sizes dd (mm) and du (1/mm, length of the difference of curvature vectors)
  /// about `state`. `bounds` holds over the cell; `extra_mm` is added to every allowance.
  Margins evaluate(const State& state, const MotionBounds& bounds, double dd_mm, double du_per_mm,
                   BodyPoints& points, double wanted_mm = 0.0, double extra_mm = 0.0) const;

  /// Margins with the allowances that the caller has put in points.slack (one for each station, rounded up).
  /// `dd_mm` is the shaft's.
  Margins evaluate_with_slack(const State& state, double dd_mm, BodyPoints& points,
                              double wanted_mm = 0.0) const;

  /// The whole body's clearance, for every state of the cell that was evaluated last with `points`, from its
  /// margins. Precondition: no curvature in the cell is above the design's limit. At most `margins.least`.
  LowerBound whole_body(const Margins& margins, const BodyPoints& points) const;

  const BodySampler& sampler() const { return sampler_; }
  const DistanceField& field() const { return *field_; }

 private:
  struct AxisMargin {
    double least;    // proved for the axis from z = 0 to here
    double blocked;  // upper bound found on the way
  };

  void lay_axis();
  Margins settle(const State& state, double dd_mm, BodyPoints& points, double wanted_mm) const;
  void add_shaft(double depth_mm, double dd_mm, Margins& margins) const;
  void settle_passages(BodyPoints& points, Margins& margins) const;
  void find_blocked(int suspect, const BodyPoints& points, double wanted_mm, Margins& margins) const;
  MovedPoint moved(const BodyPoints& points, std::size_t j) const;
  UpperBound upper_margin(const BodyPoints& points, std::size_t j, double wanted_mm) const;
  void settle_station(std::size_t j, BodyPoints& points) const;
  double largest_slack(const BodyPoints& points) const;
  bool may_pass(const BodyPoints& points, std::size_t j, double beyond_mm) const;
  double between_stations(LowerBound margin) const;

  std::shared_ptr<const DistanceField> field_;
  BodySampler sampler_;
  BallMarginsLoop loop_;
  double kappa_max_ = 0.0;
  double rounding_mm_ = 0.0;      // of look-ups and margins
  std::vector<AxisMargin> axis_;  // at z = 0, kAxisStep_mm, ...
};

}  // namespace withy
