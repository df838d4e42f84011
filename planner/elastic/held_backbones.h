// SPDX-License-Identifier: GPL-3.0-or-later
// Secondary backbones held by engaged locks, with their stretch and the latches' play.
//
// Backbone k has slid by delta = r_b e_k . (integral of u from the base), what is inside the guide left out.
// An engaged lock i holds it at rho_ik + g_ik: rho its rest, fixed while the lock is engaged, g in [-b, b].
// The stretch of a span between neighbouring clamps (the base, where all is 0, and engaged locks) is the
// change of delta - rho - g over it, with the energy EA stretch^2 / (2 l), l from lock centre to lock centre,
// rigid spans and the guide's part included. g takes the values of least energy: a string drawn tight through
// gates (taut_string.h) whose middles are delta - rho. Beyond the last engaged lock backbones slide free.
//
// A lock that engages at station s finds backbone k stretched by h(s) in all between base and s, so that the
// wire's own slide there is w = delta - h; it drops into the notch n p nearest to that, rho = n p (friction
// lock: rho = w). If |w - n p| <= b nothing moves: the string leads through the new gate as it is, and both
// parts of a span that is parted keep its force. A lock that opens takes its gate away: rests add.
#pragma once

#include <array>
#include <vector>

#include <Eigen/Core>

#include "planner/elastic/equilibrium_terms.h"
#include "planner/elastic/taut_string.h"
#include "planner/segment/state.h"

namespace withy {

/// rho (mm) of each backbone, by lock; empty for a lock that is released.
using LatchRests = std::array<Eigen::VectorXd, kMaxLocks>;

/// One stretch of one backbone with one force.
struct BackboneSpan {
  int backbone = 0;
  int from_lock = -1;  ///< -1: the base
  int to_lock = 0;
  double force_N = 0.0;    ///< tension positive
  double stiffness = 0.0;  ///< N per mm
  double stretch_mm = 0.0;
};

class HeldBackbones {
 public:
  HeldBackbones(const Design& design, const ElementMesh& mesh);

  void update(const ElasticChain& chain, const Eigen::VectorXd& strain, const LockSet& engaged,
              const LatchRests& rest);
  void add(const ElasticChain& chain, ForceBalance& balance) const;

  /// Slide of each backbone at a lock, engaged or not (mm).
  const Eigen::VectorXd& slides_mm(int lock) const { return slide_[static_cast<std::size_t>(lock)]; }
  /// The wires' own slides there: the same less what each is stretched between base and lock (mm).
  Eigen::VectorXd own_slides_mm(int lock) const;
  /// Force (N) in a backbone just before (proximal) or behind a lock.
  double force_N(int lock, int backbone, bool proximal) const;
  /// Moment (N mm) that an engaged lock carries: r_b times the sum of (N before - N behind) e_k.
  Eigen::Vector2d lock_moment_Nmm(int lock) const;
  double energy_Nmm() const;
  /// Where lock `lock` would hold each backbone if it engaged now.
  Eigen::VectorXd rest_on_engaging(int lock) const;

 private:
  double stretch_mm(int lock, int backbone) const;
  double station(int lock) const { return lock < 0 ? 0.0 : design_->station_mm(lock); }

  const Design* design_;
  std::vector<Eigen::Vector2d> direction_;
  std::vector<int> lock_node_;
  std::vector<Eigen::VectorXd> slide_;
  std::vector<BackboneSpan> span_;
};

}  // namespace withy
