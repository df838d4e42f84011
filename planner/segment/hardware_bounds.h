// SPDX-License-Identifier: GPL-3.0-or-later
// Bounds on what a whole box, or a whole straight motion, asks of the hardware. Used through hardware.h.
//
// Lemma 18 (StateBounds), lemma 19 (coupling_over_box) and lemma 20 (switch_over_box) of the list in
// DEVELOPERS.md; statements and premises here, derivations beside the code. They stand in this room, below
// planner/proof/lemmas, because Hardware answers for states, motions and boxes alike.
//   Statement: `none` means that no state of the box keeps the limits, `all` that every one does.
//   Premises: lemmas 19 and 20 count those states that keep the curvature limit, for how near two locks come
//   rests on it.
//   Rounding: a limit may be passed by kLimitRounding, and `none` asks for twice that. What the bounds lose
//   themselves is taken off before, as a share of what a figure is made of.
//
//   kFigureRounding covers 900 roundings of 2^-53. A pull: a dozen for each region, of r_t |Theta|, and for
//   each gap between disks, of its length, so a dozen of their sum. A tension: nine, and those of the capstan
//   factor, an exponential of mu times kMaxLocks + 1 sums, below 50 (past that it is 1e21), so 9 + 50 * 12;
//   of the middle's tension and its change. A load: as a tension; of the moments that it is the difference
//   of. A frozen curvature is a quotient by a length that is wrong by kLengthRounding_mm: that share of it
//   besides.
//
//   kBoundRounding (switch_bounds.cpp) covers 4e7. Coupling: kMaxLocks - 1 dipoles of 30 each, and, three
//   times over, a distance that is wrong by 1e-12 mm, 3e4 roundings at 1 mm; of each dipole's field. A
//   demand: normals and gains of 30; of the largest field that the coils may make, and of the ambient one.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "planner/segment/disk_bounds.h"
#include "planner/segment/hardware.h"
#include "planner/segment/interval.h"

namespace withy {

/// Share (and, in the unit at hand, amount) by which a limit may be passed: rounding only.
inline constexpr double kLimitRounding = 1e-9;

/// What bounds of pulls, tensions and lock loads lose by rounding, as a share of what they are made of.
inline constexpr double kFigureRounding = 1e-13;

inline bool exceeds(double value, double limit) {
  return value > limit + kLimitRounding * (1.0 + limit);
}

/// Beyond the limit by more than `exceeds` and the bounds' own rounding together, so that a box said to hold
/// no allowed state holds none by the rule for states either.
inline bool surely_exceeds(double value, double limit) {
  return value > limit + 2.0 * kLimitRounding * (1.0 + limit);
}

/// Where the free curvature may be: anywhere in the box [a, b], or on the straight line from a to b.
struct CurvatureRange {
  Eigen::Vector2d a;
  Eigen::Vector2d b;
  bool line = false;

  Eigen::Vector2d middle() const { return 0.5 * (a + b); }
  double radius() const { return 0.5 * (b - a).norm(); }
  Interval along(const Eigen::Vector2d& e) const;
  /// Distance to the points of a box.
  Interval distance_to(const Eigen::Vector2d& lo, const Eigen::Vector2d& hi) const;
  Interval size() const { return distance_to(Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero()); }
};

struct BoundVerdict {
  BoxVerdict verdict = BoxVerdict::all;
  HardwareBreach cause;  ///< unless "all": a limit that may be (some) or is (none) broken; value: the bound
};

/// Stroke, plane, tension and lock load for many states at once.
class StateBounds {
 public:
  StateBounds(const Design& design, const TendonStatics& statics,
              const std::vector<Eigen::Vector2d>& direction)
      : design_(design), tendons_(*design.tendons()), statics_(statics), direction_(direction) {}

  BoundVerdict over(const StateBox& box) const;

  /// Precondition: both ends keep the limits.
  std::optional<HardwareBreach> on_the_way(const State& from, const State& to,
                                           const Hardware& hardware) const;

 private:
  /// One region of every state of the box.
  struct RegionRange {
    int end_lock = -1;
    Interval flexible;
    CurvatureRange u;
    Interval kappa;
    Interval bend;  ///< |Theta|
    Eigen::Vector2d theta_lo;
    Eigen::Vector2d theta_hi;
    bool unbounded = false;  ///< frozen bend with, in some state, no length to bend over
  };
  struct Regions {
    std::array<RegionRange, kMaxLocks + 1> item;
    int count = 0;
  };
  /// Through disks, insertion of motors that stand left out.
  struct DiskPulls {
    DiskBounds bounds;
    Eigen::VectorXd at_middle;
  };

  BoundVerdict bounded(const StateBox& box, const CurvatureRange& u) const;
  Regions regions_over(const StateBox& box, const CurvatureRange& u) const;
  RegionRange frozen_range(const StateBox& box, int index, int lock, double from_mm) const;
  Interval exposed(const StateBox& box, double from_mm, double to_mm) const;
  /// Lambda.
  static Interval wrapped_over(const Regions& regions);
  Interval continuous_pull(const Regions& regions, std::size_t tendon) const;
  State middle_of(const StateBox& box, const CurvatureRange& u) const;
  DiskPulls disk_pulls(const Regions& regions, const StateBox& box, const CurvatureRange& u) const;
  Interval pull_over(const Regions& regions, const std::optional<DiskPulls>& disks, std::size_t tendon) const;
  void judge_pulls(const Regions& regions, const StateBox& box, const CurvatureRange& u,
                   BoundVerdict& so_far) const;
  void judge_tensions(const Regions& regions, const CurvatureRange& u, BoundVerdict& so_far) const;
  void judge_plane(const CurvatureRange& u, BoundVerdict& so_far) const;
  void judge_loads(const Regions& regions, const CurvatureRange& u, BoundVerdict& so_far) const;
  std::optional<HardwareBreach> search_way(const State& from, const State& to, double share,
                                           const Hardware& hardware) const;

  const Design& design_;
  const TendonHardware& tendons_;
  const TendonStatics& statics_;
  const std::vector<Eigen::Vector2d>& direction_;
};

/// Can the field switch `lock` over the box with that reserve? Of the box's states those count that keep the
/// curvature limit. Precondition: the design has a field and locks.
BoxVerdict switch_over_box(const Design& design, const StateBox& box, int lock, double reserve = 1.0);

/// Proved: in every state of the box that keeps the curvature limit, the currents switch `lock` with a
/// reserve of 1 or more and make no more than the field limit at any lock. `box.engaged` says which regions
/// are frozen, `engaged` which stops the magnets are on; the two differ while a latch that may have dropped
/// in is still driven. False proves nothing. The coils' own current limits are not looked at. Fields may fall
/// short by `leniency_mT`. Precondition: the design has locks, `lock` is one of them.
bool currents_serve_box(const Design& design, const StateBox& box, const LockSet& engaged, int lock,
                        const Currents& current_A, double leniency_mT = 0.0);

/// The same over the straight way between two states of the same locks and frozen bends, cut finer where that
/// is needed; the free curvature may be off the way by `aside_per_mm` in either component.
bool currents_serve_way(const Design& design, const State& from, const State& to, const LockSet& engaged,
                        int lock, const Currents& current_A, double leniency_mT = 0.0,
                        double aside_per_mm = 0.0);

/// Do the locks' magnets leave one another on their stops over the box? Of its states those count that keep
/// the curvature limit. Precondition: the design has locks.
BoxVerdict coupling_over_box(const Design& design, const StateBox& box);

}  // namespace withy
