// SPDX-License-Identifier: GPL-3.0-or-later
// How far errors of the bends (errors.h) move the points of the body: proved, station by station.
//
// Region j's bend up to station x is the vector tau_j(x) Theta_j, tau_j the part of its exposed flexible
// length proximal of x, and the tangent there T(x) = E_1 ... E_k z with E_j = exp of the cross-product matrix
// of tau_j Theta_j turned a quarter. Errors put Theta_j + delta_j for Theta_j. The nth derivative of a matrix
// exponential exp(B) along V_1 ... V_n is the sum over the n! orders of the V's of an integral, over a
// simplex of volume 1/n!, of products of exponentials and the V's (R. M. Wilcox, "Exponential Operators and
// Parameter Differentiation in Quantum Physics", J. Math. Phys. 8, 1967, section 2, applied n times).
// Cross-product matrices have the length of their vector for their norm and exponentials that are rotations,
// so that derivative is at most |V_1| ... |V_n|; and by the product rule
//     |D^n T(x)[v_1, ..., v_n]| <= turn_1(x) ... turn_n(x),    turn_i(x) = sum over j of tau_j(x) |v_i,j|.
//     (1)
// A point is the integral of T, so along Theta + lambda delta, lambda from 0 to 1 (Taylor),
//     |p'(s) - p(s) - Dp(s)[delta]| <= 1/2 integral from 0 to s of turn(x)^2 dx, (2) |p'(s) - p(s)| <=
//     integral from 0 to s of turn(x) dx.                                                 (3)
//
// With e_i the errors of the bends up to the engaged locks and phi what the tendons add to the bend up to the
// tip (|e_i| <= e; phi = g G + A o, G as in errors.h), delta_i = e_i - e_(i-1) and delta_free = phi - e_last,
// so
//     Dp[delta] = sum over i of (J_i - J_(i+1)) e_i + J_free phi,    J_j = dp / dTheta_j:
// e_i moves what lies past region i + 1 only by what its turn there and its turning back, about axes apart by
// the bends between, leave over. Without tendons no error gets to the free region, and J_free counts for what
// a hunt sweeps alone; without anything of it to bend J_free is zero.
//
// Free carriage: J along the body is found exactly, and (2) added with |delta_1| <= e, |delta_i| <= 2 e,
// |delta_free| <= e + |phi|, and where tendons lie in one plane S e_last and S G (errors.h) for e_last
// and G there. Guide: a curvature held to its limit (bench.h) makes delta_free any vector of
// at most that length, so (3) is taken, where tau_j at a fixed station only grows with insertion: levers at a
// motion's deepest insertion hold for all of it.
//
// Between stations x0 < x1 and states at t0 < t1 of a motion, free carriage: a bilinear interpolation of
// Dp[delta] between the four corners errs by at most (dx^2 max|d^2/dx^2| + dt^2 max|d^2/dt^2|) / 8
// (verify.h), and no point of it is longer than the longest corner. Along the body d^2/dx^2 Dp[delta] = d/dx
// DT[delta], which by (1) is at most turn(x) kappa + |delta_k| / f_k in region k. Along the motion only
// Theta_free changes, by beta over the part, evenly: by (1) at most beta^2 l times the turn for a fixed
// delta, l the length past the free region's start, and for g G, which changes too, by gamma, g beta l
// (beta |G| + 2 gamma); gamma is at most beta and what the insertion adds.
//
// Rounding: a point of the body, its levers and the sums take some thousand operations at most on numbers up
// to 1e3, below 1e-9 mm together; who uses them adds that (WorstCase).
#pragma once

#include <vector>

#include <Eigen/Core>

#include "planner/segment/state.h"

namespace withy {

/// S: the part of a bend that the tendons set. The identity, the projection onto their plane where they lie
/// in one, zero without tendons.
Eigen::Matrix2d set_by_tendons(const Design& design);

/// What moves one station: each number is for errors of size 1.
struct BendLevers {
  double backlash_mm = 0.0;     ///< e = 1 rad at every engaged lock: first order
  double free_mm = 0.0;         ///< |A o| = 1 rad: first order
  double gain_mm = 0.0;         ///< g = 1: first order
  double total_bend_rad = 0.0;  ///< |G|
  // Second order: halves of the integrals of turn^2 = (e w + |phi| tau)^2, per rad^2.
  double backlash_squared_mm = 0.0;
  double mixed_mm = 0.0;
  double free_squared_mm = 0.0;

  /// Bound (mm) of the displacement; `backlash_rad` e, `offset_rad` |A o|.
  double displacement(double backlash_rad, double gain, double offset_rad) const {
    return first_order(backlash_rad, gain, offset_rad) + second_order(backlash_rad, gain, offset_rad);
  }
  double first_order(double backlash_rad, double gain, double offset_rad) const;
  double second_order(double backlash_rad, double gain, double offset_rad) const;

  /// The greater of each.
  BendLevers& cover(const BendLevers& other);
  /// Adds each.
  BendLevers& add(const BendLevers& other);
};

/// Stations are at most this far apart (mm): errors of the usual size move one less than 0.1 mm further than
/// the one before.
inline constexpr double kLeverStation_mm = 1.0;

/// Stations (mm) from `first` to the tip, ascending, among them every end of a region or rigid span and the
/// base.
std::vector<double> body_stations(const Design& design, const State& state, double first);

/// Levers at each of `stations`, as body_stations lays them; those below 0 are the shaft's, which no bend
/// moves. With the guide they hold for every
/// insertion up to the state's.
std::vector<BendLevers> bend_levers(const Design& design, const State& state,
                                    const std::vector<double>& stations);

/// The derivatives that first-order levers are the sizes of, at one station.
struct BendDirections {
  using Matrix32 = Eigen::Matrix<double, 3, 2>;
  Eigen::Vector3d point_E = Eigen::Vector3d::Zero();
  std::vector<Matrix32> at_lock;                   ///< of the errors at the engaged locks, mm per rad
  Matrix32 free = Matrix32::Zero();                ///< of what tendons add to the bend, mm per rad
  Eigen::Vector3d gain = Eigen::Vector3d::Zero();  ///< of the gain, mm
};

/// With the free carriage only. Precondition: 0 <= station <= L.
BendDirections bend_directions(const Design& design, const State& state, double station_mm);

/// The largest curvature (1/mm) along a motion of the regions with any exposed flexible length, `regions`
/// being those of `from`.
double largest_curvature_between(const std::vector<Region>& regions, const State& from, const State& to);

/// What is to be added to the levers at the corners of a cell, `station_mm` along the body and from `from` to
/// `to` along a motion, to hold all over it. Nothing with the guide, where the levers at the deeper state's
/// last station do.
BendLevers between_corners(const Design& design, const State& from, const State& to, double station_mm);

}  // namespace withy
