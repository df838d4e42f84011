// SPDX-License-Identifier: GPL-3.0-or-later
// The segment as it is on a bench: weight, wires that give, friction, play.
//
// Unknowns are the curvature vector and the twist along every flexible stretch, and with `segment_EA_N` its
// axial give. In equilibrium the generalised force vanishes: the derivative of the energies of bending and
// twist, EI |u|^2 / 2 + GJ tau^2 / 2, of held backbones (held_backbones.h) and of the weight, less what the
// tendons do, sum over k of T_k(s) d(shortening_k) (elastic_tendons.h). Friction has no energy, so equations
// are solved and nothing is minimised. The axial give counts for shortenings and for where the body is; a
// backbone's slide is that of its bend alone.
//
// Small elements of even curvature, twist and give (Euler-Bernoulli; exact where these are even, as in the
// ideal segment), Newton's method with the exact tangent. Each of its steps ends where the unbalanced forces
// do next to no work along it (H. Matthies and G. Strang, "The Solution of Nonlinear Finite Element
// Equations", Int. J. Numer. Meth. Engng 14(11), 1979), so that it can't go to and fro over the kinks of
// slack tendons and dead zones. Where it does not come to rest, the step of the motion is halved, down to 1 /
// 2^kMostHalvings of it, and where that does not help either the body is let go in a bath that thins as it
// comes to rest (C. T. Kelley and D. E. Keyes, "Convergence Analysis of Pseudo-Transient Continuation", SIAM
// J. Numer. Anal. 35(2), 1998): it snaps to where it stays. Elements h long leave an error of order h^2:
// doubled_error below measures it. Frame E, mm, N, rad.
//
// Source of the mechanics: S. S. Antman, "Nonlinear Problems of Elasticity", 2nd ed., 2005, chapter 8 (rods
// with bending and twist); tendons as D. C. Rucker and R. J. Webster III, "Statics and Dynamics of Continuum
// Robots With General Tendon Routing and External Loading", IEEE Trans. Robotics 27(6), 2011, for routing
// along the body.
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "planner/elastic/held_backbones.h"
#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// Newton steps before a step of the motion is halved.
inline constexpr int kMostIterations = 40;
/// How often a step is halved before it is given up.
inline constexpr int kMostHalvings = 6;

/// A body in equilibrium, and all that it remembers. A value.
struct ElasticState {
  double insertion_mm = 0.0;
  LockSet engaged;
  Eigen::VectorXd pull_mm;    ///< of the motors
  Eigen::VectorXd strain;     ///< of flexible elements, base to tip
  Eigen::MatrixXd tension_N;  ///< along the body: elements or gaps by tendons
  LatchRests rest_mm;         ///< of engaged locks
};

/// What can be read off a body.
struct ElasticReading {
  Eigen::Isometry3d tip_E = Eigen::Isometry3d::Identity();
  Eigen::VectorXd base_N;                 ///< tension of each tendon at the base
  Eigen::VectorXd tip_N;                  ///< and in the last element or gap
  std::vector<Eigen::VectorXd> slide_mm;  ///< of each backbone, by lock
  std::vector<Eigen::VectorXd>
      own_slide_mm;                   ///< the same less the backbone's stretch: what meets the notches
  std::vector<double> lock_load_Nmm;  ///< by lock, 0 where released
  std::vector<Eigen::Vector2d> lock_moment_Nmm;  ///< the same with its direction in the section
  double turned_rad = 0.0;                       ///< Lambda up to the last element or gap
  double compression_N = 0.0;                    ///< the most of any held backbone, positive
  double energy_Nmm = 0.0;  ///< bending, twist, give, backbones, weight; tendons left out
};

/// Why a body could not be found.
enum class ElasticFault {
  no_equilibrium,
  cut_short  ///< the effort was spent
};

class ElasticSegment {
 public:
  /// Precondition: the design has [elastic] and [tendons], and with locks [latch]; it must outlive this. Not
  /// for several threads at once.
  explicit ElasticSegment(const Design& design, int elements = kUsualElements);
  ~ElasticSegment();
  ElasticSegment(ElasticSegment&&) noexcept;

  const Design& design() const;

  /// All pulls and insertion at zero, no lock engaged, sagging.
  tl::expected<ElasticState, ElasticFault> start();

  /// The equilibrium after a step to this insertion and these pulls, in one go as far as Newton's method
  /// goes. Friction is exact for steps along which each tendon keeps to one direction.
  tl::expected<ElasticState, ElasticFault> step(const ElasticState& from, double insertion_mm,
                                                const Eigen::VectorXd& pull_mm);

  /// The same with given tensions at the base (N, not negative) instead of pulls, which follow.
  tl::expected<ElasticState, ElasticFault> step_to_tensions(const ElasticState& from, double insertion_mm,
                                                            const Eigen::VectorXd& base_N);

  /// After lock `lock` has dropped into the notches nearest to it, the latch drawing the body where they are
  /// farther off than its play. Precondition: released.
  tl::expected<ElasticState, ElasticFault> engage(const ElasticState& from, int lock);
  /// After it has opened. Precondition: engaged.
  tl::expected<ElasticState, ElasticFault> release(const ElasticState& from, int lock);

  ElasticReading read(const ElasticState& state);

  /// Pose in E at each station (mm); s < 0 is the shaft.
  std::vector<Eigen::Isometry3d> poses_E(const ElasticState& state, const std::vector<double>& stations_mm);

  /// Does the tangent have an eigenvalue below zero (its real part, where friction makes it unsymmetric)? A
  /// body that is so is in equilibrium and does not stay: any push leads it away. Tensions between their
  /// bounds of friction count as constant.
  bool unstable(const ElasticState& state);

  /// The generalised force that is left (N mm per rad of each element, largest), for one whose tensions are
  /// those of the state: how far a state is from equilibrium.
  double unbalanced_Nmm(const ElasticState& state);

  /// Force and tangent at strains `strain` after a step from `from`, as Newton's method has them: for tests.
  std::pair<Eigen::VectorXd, Eigen::MatrixXd> balance(const ElasticState& from, double insertion_mm,
                                                      const Eigen::VectorXd& pull_mm,
                                                      const Eigen::VectorXd& strain);

  /// Newton steps since this was made.
  long iterations() const;
  /// What they count as (Effort).
  std::int64_t work() const;

 private:
  struct Solver;
  std::unique_ptr<Solver> solver_;
};

}  // namespace withy
