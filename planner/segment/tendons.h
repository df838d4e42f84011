// SPDX-License-Identifier: GPL-3.0-or-later
// What the tendons do: how far each is drawn (pull) and how hard (tension).
//
// Tendon k runs at pitch radius r_t, angle beta_k, e_k = (cos beta_k, sin beta_k); pulls in mm, positive =
// drawn out of the base, zero for the straight segment.
//
// Pull, continuous routing:   pull_k = sum over regions of r_t e_k . Theta.   (1)
// Pull, spacer disks: the disks sit on the segment at stations 0, h, 2h, ..., L whatever the locks do, those
// on rigid spans included; the tendon runs straight from hole to hole, the hole of tendon k at station s
// being at p(s) + R(s) r_t e_k. Its length is the sum of the distances between the holes' places, and the
// pull is L less that. So a pull depends on where the body is and on nothing else: a lock that switches moves
// none. With the guide the body's places are those of scenes/MODEL.md, section 4: straight up to station L -
// d, so a gap may be partly inside. In a gap of length h_g and of one curvature u, kappa = |u|, phi =
// atan2(uy, ux), the distance is
//                             2 sin(kappa h_g / 2) (1/kappa - r_t cos(phi - beta_k)) (2)
// (B. A. Jones and I. D. Walker, "Kinematics for Multisection Continuum Robots", IEEE Trans. Robotics 22(1),
// 2006), written here as c_g (1 - r_t e_k . u) with the chord c_g = 2 sin(kappa h_g / 2) / kappa of the
// centreline, which is smooth at kappa = 0. A gap with a border of a region, an end of a rigid span or the
// guide's end in it has its holes placed by the arcs in it, one after the other.
// Motors that stand beside the carriage also take up -d.
//
// Tension: the free region of rigidity EI needs the moment M = EI u (Euler-Bernoulli), so
//     sum_k T_k r_t e_k = M,  T_k >= T_min,  least sum_k T_k.   (3)
// Over the base wraps the capstan equation adds friction: T_base,k = T_k exp(mu Lambda), Lambda = sum over
// regions |Theta|.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// Stations of the disks: 0, h, 2h, ..., L; the last gap may be shorter. Empty for continuous routing.
std::vector<double> disk_stations(double length_mm, double disk_spacing_mm);

/// What the body's bend alone draws of every tendon (mm): the pull of motors that ride. `insertion_mm` tells
/// what stands in the guide. A region whose curvature is infinite (regions_of) counts as straight.
/// Precondition: the design has tendons, the regions are those of one of its states at that insertion.
Eigen::VectorXd drawn_by_bends(const Design& design, const std::vector<Region>& regions, double insertion_mm);

/// Pull of every tendon (mm). Precondition: the design has tendons.
Eigen::VectorXd tendon_pulls(const Design& design, const std::vector<Region>& regions, double insertion_mm);

/// Lambda: the angle the tendons wrap over all regions (rad).
double wrapped_angle(const std::vector<Region>& regions);

/// exp(mu Lambda): tension at the base over tension at the tip (capstan equation, L. Euler 1769, J. A.
/// Eytelwein 1808).
double capstan_factor(double friction_coefficient, double wrapped_rad);

enum class TensionFault {
  out_of_plane,  ///< all tendons lie in one plane, the bend does not
  no_pull_side   ///< no tendon pulls towards that side, however hard the others do
};

/// "out of the tendons' plane", "to a side that no tendon pulls to".
const char* phrase_of(TensionFault fault);

/// The least-total-tension solution above pretension: at most two tendons pull harder than T_min.
struct ExtraTension {
  int first = 0;
  int second = 0;
  double first_N = 0.0;
  double second_N = 0.0;
  double largest_N() const { return first_N > second_N ? first_N : second_N; }
};

/// Solves for the least total tension, in closed form.
///
/// With T_k = T_min + x_k the problem is min sum x_k, sum x_k e_k = M'/r_t, x >= 0, M' = M - T_min r_t sum
/// e_k: a linear programme in standard form with two equations. The points e_k lie on one circle, so each is
/// a corner of their convex hull, and a basis (i, j) is dual feasible (all reduced costs >= 0) exactly when
/// segment e_i e_j is a side of that hull that the origin can see, i.e. when i and j are next to one another
/// by angle, less than half a turn apart. Hence the optimum uses the two tendons on either side of M',
/// whatever its size. Of tendons at the same angle the first named pulls.
class TendonStatics {
 public:
  explicit TendonStatics(const TendonHardware& tendons);

  tl::expected<ExtraTension, TensionFault> extra_tension(const Eigen::Vector2d& moment_Nmm) const;

  /// All tensions before friction (N), pretension included.
  tl::expected<Eigen::VectorXd, TensionFault> tensions(const Eigen::Vector2d& moment_Nmm) const;

  /// No tendon's tension changes by more than this for a change of the moment by one (N per N mm): within the
  /// sector between two neighbours gamma apart |d x / d M| = 1 / (r_t sin gamma), and the tensions are
  /// continuous across sectors.
  double lipschitz_N_per_Nmm() const { return lipschitz_; }

  /// The direction that all tendons lie along, on one side of the backbone or on both; nothing where they
  /// don't.
  std::optional<Eigen::Vector2d> plane() const {
    if (!in_one_plane_ || direction_.empty()) return std::nullopt;
    return direction_.front();
  }

  double radius_mm() const { return radius_mm_; }
  double pretension_N() const { return pretension_N_; }
  /// e_k of every tendon.
  const std::vector<Eigen::Vector2d>& directions() const { return direction_; }

  /// Can every moment be had?
  bool spans_plane() const { return edge_.empty(); }

  /// Distance (N mm) from `moment` to the nearest moment that can't be had (positive), or to the nearest that
  /// can (negative or zero). Infinite when every moment can be had.
  double reach_margin(const Eigen::Vector2d& moment_Nmm) const;

 private:
  struct Sector {
    int first;
    int second;
    Eigen::Vector2d e_first;
    Eigen::Vector2d e_second;
    double sine;  // of the angle between them
  };
  std::optional<ExtraTension> on_a_ray(const Eigen::Vector2d& need, double tolerance) const;

  double radius_mm_;
  double pretension_N_;
  std::vector<Eigen::Vector2d> direction_;
  std::vector<Sector> sectors_;
  std::vector<Eigen::Vector2d>
      edge_;  // directions that bound what can be pulled; none when every moment can be had
  Eigen::Vector2d pretension_moment_;
  double lipschitz_ = 0.0;
  bool in_one_plane_ = false;
};

}  // namespace withy
