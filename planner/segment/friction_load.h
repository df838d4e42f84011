// SPDX-License-Identifier: GPL-3.0-or-later
// What tendons with friction may do to a frozen region: every moment they can make there.
//
// The free region needs the tensions T_k at the tip (tendons.h). Between tip and base friction adds to a
// tendon that is drawn and takes from one that is let out, by a factor of at most exp(mu Lambda) over the
// whole wrap (capstan equation). Which tendon slides which way is not known, so at a frozen region
//     t_k in [T_k exp(-mu Lambda), T_k exp(+mu Lambda)],   each tendon for itself,   (1)
// and the lock has to carry |sum_k t_k r_t e_k - EI u_frozen| for the worst of them. With
//     t_k = T_k (cosh(mu Lambda) + sigma_k sinh(mu Lambda)),   sigma_k in [-1, 1],   (2)
//     sum_k T_k r_t e_k = EI u_free
// the moments fill a zonotope with middle cosh(mu Lambda) EI u_free. A norm is convex, so it is greatest at a
// corner. Corners: every side of a zonotope in the plane runs along one of its generators g_k; the side's
// normal n is square to g_k, every other generator adds its end that is farther along n, and the side's two
// ends add -g_k and +g_k (G. M. Ziegler, "Lectures on Polytopes", 1995, section 7.3).
#pragma once

#include <Eigen/Core>
#include <boost/container/small_vector.hpp>

#include "planner/segment/tendons.h"

namespace withy {

/// The moments (N mm, in the section) that the tendons of one state may make at a frozen region.
class FrictionMoments {
 public:
  /// `moment_Nmm`: what the free region needs, EI u; `extra`: the tensions that make it; `exponent`: mu
  /// Lambda.
  FrictionMoments(const TendonStatics& statics, const Eigen::Vector2d& moment_Nmm, const ExtraTension& extra,
                  double exponent);

  /// The greatest distance (N mm) of any of the moments from `rest_Nmm`, the moment that the region would
  /// rest at: the lock's load at friction's worst.
  double farthest_from(const Eigen::Vector2d& rest_Nmm) const;

 private:
  Eigen::Vector2d middle_;
  boost::container::small_vector<Eigen::Vector2d, 16> corners_;  // from the middle; repeats are left in
};

/// How far the farthest moment may change between one state and all others near it.
struct FrictionChange {
  double curvature_per_mm = 0.0;         ///< of the free region, to either side
  double frozen_curvature_per_mm = 0.0;  ///< of the frozen region, to either side
  double exponent_lo = 0.0;              ///< least and greatest mu Lambda
  double exponent_hi = 0.0;
};

/// Bound of |farthest_from(EI u_frozen) - the same at a state within `change`| (N mm), for the state with
/// free curvature `u`, tensions `extra` and `exponent` in [exponent_lo, exponent_hi]. For one and the same
/// sigma the two vectors differ by at most
///     EI |cosh x u' - cosh x0 u| + EI |u_frozen' - u_frozen| + r_t sum_k |sinh x T'_k - sinh x0 T_k|,
/// and so do their greatest lengths. The first is at most EI (cosh x |u' - u| + |cosh x - cosh x0| |u|); in
/// the last sum_k |T'_k - T_k| <= 2 l EI |u' - u|, l being TendonStatics::lipschitz_N_per_Nmm, since between
/// two neighbouring tendons no other tension changes and the moments that can be made are a convex set.
double friction_load_change(const TendonStatics& statics, double rigidity_Nmm2, const Eigen::Vector2d& u,
                            const ExtraTension& extra, double exponent, const FrictionChange& change);

}  // namespace withy
