// SPDX-License-Identifier: GPL-3.0-or-later
// Which field switches which lock over the bends of the segment.
//
// A bend here is one curvature for the whole segment, its locks in any state (an engaged lock then holds just
// that bend), the segment as far out as its carriage lets it. Bends are taken on rings of equal curvature,
// directions evenly spread, the straight segment once.
//
// A switch case is one lock, to its other state, with every other lock as stated. To lock all locks one after
// another and release them in turn takes a way through the sets of engaged locks from none to all, every step
// usable both ways. Fields are those of a reserve of 1 (field.h), other magnets and ambient field counted;
// the reserve of a pose is what the coils' limits allow there, up to what the scene wants. What that way asks
// for at its weakest best (least over the ways of the strongest field on the way) says whether the locks can
// be told apart.
#pragma once

#include <optional>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/effort/effort.h"
#include "planner/segment/field.h"

namespace withy {

/// Strength of a field that does not exist.
inline constexpr double kNoField_mT = kInfinity;

/// How finely bends are taken.
struct BendGrid {
  int rings = 8;  ///< curvatures from kappa_max / rings to kappa_max
  int directions = 24;
};

struct BendPose {
  int ring = 0;       ///< 0: straight
  int direction = 0;  ///< at 2 pi direction / directions
  Eigen::Vector2d u;
  LockPoses locks;
};

/// Straight first, then ring by ring. Precondition: the design has locks.
std::vector<BendPose> bend_poses(const Design& design, const BendGrid& grid);

/// One lock switched, the others as they are.
struct SwitchCase {
  int lock = 0;
  LockSet engaged;  ///< before the switch
  bool to_latched() const { return !engaged.test(static_cast<std::size_t>(lock)); }
};

/// Locks proximal of `lock` engaged, those distal of it released: how a plan that shapes the segment from its
/// base finds them, on its way in (to_latched) and out.
SwitchCase usual_case(int lock, bool to_latched);

/// All cases, lock by lock, to latched first: every state of the other locks when there are at most
/// `kAllStatesLocks` locks, the usual ones otherwise.
std::vector<SwitchCase> switch_cases(const Design& design);
inline constexpr int kAllStatesLocks = 3;

/// A reserve this little below 1 is 1: the search for the greatest leaves that much open.
inline constexpr double kAllowedReserve = 1.0 - 1e-6;

/// Field (mT, the largest at any lock) of the least currents that switch all of `switching` in this pose and
/// leaves the others; kNoField_mT when none does.
double strength_mT(const Design& design, const BendPose& pose, const LockSet& engaged,
                   const LockSet& switching);

/// The field limit, or no limit.
double field_limit_mT(const Design& design);

struct SwitchMap {
  SwitchCase which;
  std::vector<double> strength_mT;  ///< one for each pose
  std::vector<double> reserve;      ///< one for each pose; 0 where the lock is not turned at all

  double least() const;
  double most() const;           ///< of the fields there are; kNoField_mT when there is none at all
  double share_allowed() const;  ///< poses with a reserve of 1 or more
  double least_reserve() const;  ///< over the poses where the switch is allowed; 0 when it is nowhere
  double share_without() const;  ///< poses that no field of any strength does it in
};

/// Where the effort is cut short what is made is to be dropped, here and below.
SwitchMap switch_map(const Design& design, const std::vector<BendPose>& poses, const SwitchCase& which,
                     const Effort& effort = Effort());

/// Reserve of the currents chosen for switching all of `switching` in this pose; 0 when none turn them.
double reserve_in(const Design& design, const BendPose& pose, const LockSet& engaged,
                  const LockSet& switching);

/// Least reserve on the way that locks 1, 2, .. N in turn and releases them in reverse; 0 when some switch on
/// it has less than 1.
double proximal_first_reserve(const Design& design, const BendPose& pose);

/// Strongest field on the way that locks 1, 2, .. N in turn and releases them in reverse.
double proximal_first_mT(const Design& design, const BendPose& pose);

/// The same for N, .. 2, 1.
double distal_first_mT(const Design& design, const BendPose& pose);

/// The same for the best order. `group` > 1 also allows switching up to so many locks at once.
double best_order_mT(const Design& design, const BendPose& pose, int group, const Effort& effort = Effort());

/// What a field limit makes of a pose.
enum class Separability {
  alone,     ///< all locks can be engaged and released one by one, in some order
  together,  ///< only if several are switched at once
  never
};

/// "alone", "together", "not at all".
const char* name_of(Separability separability);
Separability separability(const Design& design, const BendPose& pose, double limit_mT,
                          const Effort& effort = Effort());

}  // namespace withy
