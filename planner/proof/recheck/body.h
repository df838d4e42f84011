// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own segment: where the body is over a whole box of states, in intervals.
//
// A box has insertions [d_lo, d_hi], free curvatures within h_u of u, and bends of frozen region r within h_r
// of theta_r. The body is placed once, at d_hi, u, theta_r, in intervals (constant-curvature arcs: R. J.
// Webster III and B. A. Jones, "Design and Kinematic Modeling of Constant Curvature Continuum Robots: A
// Review", Int. J. Robotics Research 29(13), 2010). How far a station s is from there in any other state of
// the box:
//
//   Lemma. Two curves that start in the same frame with curvature vectors k1, k2 along them (torsion-free
//   frames) have at arc length s frames turned against one another by at most the integral of |k1 - k2| to s,
//   and points apart by at most the integral of (s - t) |k1(t) - k2(t)| dt. (A' = A [k]x gives (A1 A2^T)' =
//   A1 [k1 - k2]x A2^T, so the angle between A1 and A2 grows no faster than |k1 - k2|; the tangents differ by
//   no more than that angle.)
//
//   free curvature: |k1 - k2| <= h_u over the flexible part of the free region;
//   frozen bend:    |k1 - k2| <= h_r / f_r over the flexible part of region r, f_r its length;
//   insertion, free carriage: the whole body moves along -z by d_hi - d;
//   insertion, guide: the same, and what is in the guide at d but not at d_hi is straight. In a region that
//   the entry
//     plane cuts, with f the exposed flexible length at d_hi and f - g that at d: what came out has curvature
//     k = |theta| / f (free region: |u|) over the length g, and the part that was out has |theta| (1 / (f -
//     g) - 1 / f) over f - g, k g in all; so the point moves by at most 2 k g (free region: k g) times (s -
//     first exposed station), beside the way along -z. States whose frozen bend has no length left to be in
//     are not legal; where f may be 0 at d_hi the region is straight in the reference, and turns by no more
//     than kappa_max f in a legal state.
//
// So all places of station s lie in a segment of length d_hi - d_lo along z, made thicker by rho(s): in a
// ball. Sums of fewer than a hundred positive doubles are rounded up by a factor of 1 + 1e-12 (100 x 2^-53
// = 1.1e-14).
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <vector>

#include <Eigen/Core>

#include "planner/proof/interval/interval.h"
#include "planner/scene/scene.h"

namespace withy::recheck {

using Interval2 = std::array<Interval, 2>;

inline Interval dot(const Interval2& a, const Interval2& b) {
  return a[0] * b[0] + a[1] * b[1];
}
inline Interval cross(const Interval2& a, const Interval2& b) {
  return a[0] * b[1] - a[1] * b[0];
}

inline constexpr double kRoundedUp = 1.0 + 1e-12;

/// The segment as the scene's reader gives it, checked there.
struct Robot {
  Segment segment;
  std::optional<LockHardware> lock;
  LockLayout layout;
  std::optional<LatchHardware> latch;
  std::optional<TendonHardware> tendons;
  bool guide = false;
  double insertion_max_mm = 0.0;
  double clearance_mm = 0.0;  ///< required
  /// Lock switches count wherever they are for some stations this near to the layout's (stations_near.h).
  double station_play_mm = 0.0;

  int lock_count() const { return layout.count(); }
};

/// A stretch of the segment that is rigid, or bends as one region's flexible part.
struct Piece {
  Interval from_mm;
  Interval to_mm;
  bool rigid = false;
  int region = 0;
  double radius_mm = 0.0;
};

/// A box of states of one set of engaged locks.
struct StateBox {
  double d_lo = 0.0;
  double d_hi = 0.0;
  Interval2 u;                   ///< free curvature, 1/mm
  std::vector<Interval2> theta;  ///< frozen bends, rad
};

/// A ball that holds a station of the body in every state of a box. E, mm.
struct Ball {
  Eigen::Vector3d centre;
  double radius = 0.0;
};

/// Half the diagonal of a box, rounded up.
double half_diagonal(const Interval2& box);
/// Least and greatest length of the vectors in a box, rounded outward.
Interval length(const Interval2& box);

/// The segment with one set of engaged locks.
class Body {
 public:
  Body(const Robot& robot, std::vector<int> engaged);

  const Robot& robot() const { return *robot_; }
  const std::vector<int>& engaged() const { return engaged_; }
  std::size_t frozen_count() const { return engaged_.size(); }
  const std::vector<Piece>& pieces() const { return pieces_; }

  /// Exposed flexible length of region r (frozen_count(): the free one) at insertion d.
  Interval flexible(std::size_t r, const Interval& d) const;
  /// Exposed flexible length between two stations.
  Interval flexible_between(const Interval& from, const Interval& to, const Interval& d) const;
  /// Station where region r starts, and where it ends.
  Interval region_start(std::size_t r) const;
  Interval region_end(std::size_t r) const;

  /// Stations that are asked about: none at the ends of a piece, so that each has one radius.
  struct Station {
    double s_mm;
    double radius_mm;
    std::size_t piece;
  };
  const std::vector<Station>& stations() const { return stations_; }

  /// A rigid piece of the lock's body.
  std::size_t lock_piece(int lock) const { return lock_piece_[static_cast<std::size_t>(lock)]; }

 private:
  const Robot* robot_;
  std::vector<int> engaged_;
  std::vector<Piece> pieces_;
  std::vector<Station> stations_;
  std::vector<std::size_t> lock_piece_;
};

/// A place and a cross-section's axes.
template <class T>
struct Frame {
  std::array<T, 3> p;
  std::array<T, 9> R;  // rows
};

/// The frame a straight span, or an arc of curvature u, further on.
template <class T>
Frame<T> after(const Frame<T>& frame, const std::array<T, 2>& u, const T& length, bool straight);

/// The reference body of a box, placed with numbers of type T: double for guesses, Interval for proofs.
template <class T>
class Placed {
 public:
  /// Curvatures of a box's reference state. A frozen region with no exposed flexible length is straight.
  Placed(const Body& body, const StateBox& box);

  std::array<T, 3> point(double s_mm, std::size_t piece) const;
  /// Point and tangent of the tip.
  std::array<T, 3> tip() const { return at_.back().p; }
  std::array<T, 3> tip_tangent() const { return {at_.back().R[2], at_.back().R[5], at_.back().R[8]}; }
  /// Rotation at the start of a piece, by rows: columns are the local axes.
  const std::array<T, 9>& rotation(std::size_t piece) const { return at_[piece].R; }

 private:
  const Body* body_;
  T first_;  // station of the first frame: the base, or what is at the entry plane
  std::vector<Frame<T>> at_;
  std::vector<T> start_;  // station where each frame's piece starts
  std::vector<std::array<T, 2>> u_;
};

extern template Frame<double> after(const Frame<double>&, const std::array<double, 2>&, const double&, bool);
extern template Frame<Interval> after(const Frame<Interval>&, const std::array<Interval, 2>&, const Interval&,
                                      bool);
extern template class Placed<double>;
extern template class Placed<Interval>;

/// How far the states of a box move stations from the reference body.
class Reach {
 public:
  Reach(const Body& body, const StateBox& box);

  /// Along z (downward) from the reference.
  double along_mm() const { return along_; }
  /// Beside that, at station s.
  double aside(double s_mm) const;
  /// By how much the frame at station s turns, rad.
  double turn(double s_mm) const;

  /// The shares in aside(): insertion, free curvature, each frozen bend.
  double by_insertion(double s_mm) const;
  double by_curvature(double s_mm) const;
  double by_frozen(std::size_t r, double s_mm) const;

 private:
  double lever(std::size_t region, double s_mm) const;

  const Body* body_;
  double along_ = 0.0;
  double first_exposed_ = 0.0;  // lower bound, at d_hi
  double h_u_ = 0.0;
  double entry_turn_ = 0.0;
  std::vector<double> per_length_;   // h_r / f_r
  std::vector<double> hidden_turn_;  // of regions that may have nothing exposed
  std::vector<double> h_theta_;
};

/// A ball about station `s` of all states.
Ball ball_of(const std::array<Interval, 3>& reference, double along, double aside);

}  // namespace withy::recheck
