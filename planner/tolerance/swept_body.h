// SPDX-License-Identifier: GPL-3.0-or-later
// Where a body is while its free region's bend is swept at one insertion: points by curvature vector and
// station, and what holds between the corners of a cell.
//
// Free region: curvature u, the same all along, so it bends in one plane: at flexible length F from where it
// starts its tangent has turned by |u| F within that plane, rigid spans go on straight, and an arc of length
// l has the chord l sinc(|u| l / 2) at the mean of its two angles (the arc transformation of shape.h).
//
// A cell is a stretch [s0, s1] of the body over a rectangle of curvature vectors with sides w1, w2. Its
// points differ from the trilinear interpolation x of its eight corners by at most
//     e = (ds^2 max|p_ss| + |w1|^2 max|p_11| + |w2|^2 max|p_22|) / 8,                                  (1)
// the error of linear interpolation applied along each of the three in turn (K. E. Atkinson, "An Introduction
// to Numerical Analysis", 2nd ed., 1989, eq. 3.1.11); |p_ss| <= kappa, |p_kk| <= c l^3 / 3 for unit steps of
// curvature, c and l as in motion_acceleration.h. kappa is greatest at a corner. So
//   * no point is higher than the highest corner and e;
//   * no point is further from a corner, or from any other point m, than x may be and e: the corners' hull;
//   * |x|^2 - d(x)^2 being convex (verify.h), d^2 at x is at least the mean of the corners' d^2, as x weighs
//     them, less the mean square of their distances from x. The weights are products over the three
//     directions, so that mean square is at most the sum over directions of a quarter of the squared longest
//     edge (B. Efron and C. Stein, "The jackknife estimate of variance", Annals of Statistics 9, 1981):
//         d >= sqrt(min d_i^2 - (a^2 + b1^2 + b2^2) / 4) - e.                                          (2)
//
// How high a station gets over the box is told more closely about its middle m: with g the entry plane's
// normal in the frame at the free region's start, dz/ds = g . Exp(b), b = u F, Exp(b) = (b sin|b| / |b|,
// cos|b|). Along any way the second derivative of cos|b| is between -cos|b| and -sin|b| / |b|, so at most
// -cos(beta) where |b| <= beta <= pi all over the box, and of no size above 1; that of Exp is at most c
// (motion_acceleration.h). Hence, with J the integral of F^2 up to the station and v = u - m,
//     z <= z(m) + dz/du . v + 1/2 M |v|^2,    M = J (c |g_xy| - g_z cos(beta)), J (c |g_xy| + |g_z|) if g_z <
//     0: (3)
// a body that is held upright only sinks as it is swept. Where (3) is at most 0 the station is not past the
// entry plane; what is left of the box lies within a smaller one. Between two stations z is at most what it
// is at the higher one and ds^2 kappa / 8.
//
// Derivatives: across the plane of the bend a station turns about the start, by its distance from the axis
// over |u|; within it, of an arc's chord c at angle a that starts at F, dc/d|u| = l^2 / 2 sinc'(|u| l / 2),
// da/d|u| = F + l / 2.
//
// Rounding: of a point, below 1e-9 mm at lengths of up to 1e3 mm; who uses the bounds adds that.
#pragma once

#include <algorithm>
#include <array>
#include <optional>
#include <vector>

#include <Eigen/Geometry>
#include <boost/container/small_vector.hpp>

#include "planner/segment/shape.h"
#include "planner/tolerance/bench.h"

namespace withy {

/// A rectangle of curvature vectors (1/mm), or a line of them.
struct BendBox {
  Eigen::Vector2d middle = Eigen::Vector2d::Zero();
  std::array<Eigen::Vector2d, 2> half = {Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero()};  ///< of the sides

  static BendBox line(const Eigen::Vector2d& from, const Eigen::Vector2d& to) {
    return {0.5 * (from + to), {0.5 * (to - from), Eigen::Vector2d::Zero()}};
  }
  /// How many corners are of its own.
  std::size_t corners() const { return half[1].isZero(0.0) ? 2 : 4; }
  Eigen::Vector2d corner(std::size_t k) const {
    return middle + (k % 2 == 0 ? -1.0 : 1.0) * half[0] + (k < 2 ? -1.0 : 1.0) * half[1];
  }
};

/// The body bent to one curvature vector: where its straight and bent pieces start.
class BentBody {
 public:
  struct Start {
    double across_mm = 0.0, along_mm = 0.0;    ///< in the plane of the bend
    double across_mm2 = 0.0, along_mm2 = 0.0;  ///< derivatives by the curvature
    double sine = 0.0, cosine = 1.0;           ///< of the angle turned
    double flexible_mm = 0.0;                  ///< F
    double square_mm3 = 0.0;                   ///< J
  };

 private:
  friend class SweptBody;
  Eigen::Vector2d way_ = Eigen::Vector2d::Zero();  // unit vector of the curvature
  double kappa_per_mm_ = 0.0;
  boost::container::small_vector<Start, 8> starts_;
};

/// A cell by its corners.
struct SweptCell {
  std::size_t per_end = 4;                ///< corners at either end of the stretch
  std::array<Eigen::Vector3d, 8> corner;  ///< the first `per_end` at s0, as many at s1
  double bulge_mm = 0.0;                  ///< e
  double edge_s_mm = 0.0;                 ///< longest edges
  std::array<double, 2> edge_u_mm = {0.0, 0.0};
  std::size_t highest = 0;
  double lowest_mm = 0.0;

  std::size_t corners() const { return 2 * per_end; }
  /// No point is higher over the entry plane.
  double top_mm() const { return corner[highest].z() + bulge_mm; }
  double longest_edge_mm() const { return std::max({edge_s_mm, edge_u_mm[0], edge_u_mm[1]}); }
  /// Most that a point is from a corner.
  double across_mm() const { return edge_s_mm + edge_u_mm[0] + edge_u_mm[1] + bulge_mm; }
  /// (2), of corners that are at least `least_mm` from a closed set.
  double from_set(double least_mm) const;
};

/// As the channel of one bench sees it; the bench must outlive it.
class SweptBody {
 public:
  SweptBody(const Bench& bench, const HuntSweep& sweep);

  /// Curvature vectors (1/mm, of the bench) at the corners of the track.
  const std::vector<Eigen::Vector2d>& track() const { return track_; }

  /// Stations and curvatures are the bench's, points the channel's.
  BentBody bent(const Eigen::Vector2d& u) const;
  Eigen::Vector3d point(const BentBody& body, double s_mm) const;

  /// A box and the body in its middle.
  struct Rise {
    BendBox box;
    BentBody middle;
    double kappa_per_mm = 0.0;  // largest of the box
  };
  Rise rise(const BendBox& box) const;

  /// (3) for one station.
  struct Height {
    double middle_mm = 0.0;
    std::array<double, 2> slope_mm2 = {0.0, 0.0};  // along the sides
    double bend_mm3 = 0.0;                         // M
  };
  Height height(const Rise& rise, double s_mm) const;

  /// A box that has all of this one where any point of the stretch may be past the entry plane, or nothing
  /// where none is. `a`, `b` are of the stretch's ends.
  std::optional<BendBox> past_entry(const Rise& rise, double s0_mm, const Height& a, double s1_mm,
                                    const Height& b) const;

  /// `bodies`: one for each corner of the box. The stretch has no end of a region or rigid span within.
  SweptCell cell(const BendBox& box, const std::array<BentBody, 4>& bodies, double s0_mm, double s1_mm) const;

 private:
  struct Piece {
    double from_mm, to_mm;
    bool rigid;
  };

  BentBody::Start end(const BentBody& body, double s_mm) const;

  double scale_;
  double free_from_mm_;  // no bend of the free region moves what is proximal
  double frozen_kappa_per_mm_;
  std::vector<Piece> pieces_;    // of the free region
  Shape planned_;                // one state of the sweep
  Eigen::Isometry3d X_channel_;  // from the entry frame, mm of the channel
  Eigen::Matrix3d R_;            // of the free region's start
  Eigen::Vector3d start_;        // in the channel
  std::vector<Eigen::Vector2d> track_;
};

}  // namespace withy
