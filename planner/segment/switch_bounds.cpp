// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <tuple>

#include "geometry/numbers/decompositions.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/segment/hardware_bounds.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Rounding of the middle pose's figures, as a share of what they are made of (counted in hardware_bounds.h).
constexpr double kBoundRounding = 4.0 * kLimitRounding;

/// Rotation of an arc of bending angle vector `theta`.
Eigen::Matrix3d rotation_of(const Eigen::Vector2d& theta) {
  return arc_pose(theta, 1.0).linear();
}

/// A product of rotations with all factors known to within an angle: its middle, and by how much it may turn
/// away. The exponential map shortens (|d exp| <= 1 on the rotations with their angle as the distance), so an
/// arc whose bending angle vector is off by delta is turned by at most |delta|, and angles add up over a
/// product.
struct Turned {
  Eigen::Matrix3d middle = Eigen::Matrix3d::Identity();
  double spread_rad = 0.0;

  Turned then(const Eigen::Vector2d& lo, const Eigen::Vector2d& hi) const {
    return {middle * rotation_of(0.5 * (lo + hi)), spread_rad + 0.5 * (hi - lo).norm()};
  }
};

double exposed_length(const Design& design, double insertion_mm, double from_mm, double to_mm) {
  const double exposed_from = first_exposed_station(design, insertion_mm);
  return exposed_from < to_mm ? design.flexible_length(std::max(from_mm, exposed_from), to_mm) : 0.0;
}

/// Bending angle vector, from `from_mm` to `to_mm`, of a free region of curvature in the box.
void add_free(const Design& design, const StateBox& box, double from_mm, double to_mm, Turned& at) {
  const Interval f = {exposed_length(design, box.insertion_lo_mm, from_mm, to_mm),
                      exposed_length(design, box.insertion_hi_mm, from_mm, to_mm)};
  const Interval x = f * Interval{box.u_lo.x(), box.u_hi.x()};
  const Interval y = f * Interval{box.u_lo.y(), box.u_hi.y()};
  at = at.then({x.lo, y.lo}, {x.hi, y.hi});
}

/// A frozen region from `from_mm` to `end_mm`, as far as station `to_mm`: the exposed flexible length up to
/// there over the whole exposed one is the share of its bend. Behind the guide's end the share is 0, and 1 at
/// the region's end.
void add_frozen(const Design& design, const StateBox& box, int index, double from_mm, double end_mm,
                double to_mm, Turned& at) {
  const Eigen::Vector2d lo = box.theta_lo[static_cast<std::size_t>(index)];
  const Eigen::Vector2d hi = box.theta_hi[static_cast<std::size_t>(index)];
  const auto share_at = [&](double insertion_mm) {
    const double whole = exposed_length(design, insertion_mm, from_mm, end_mm);
    return whole > kNoLength_mm ? exposed_length(design, insertion_mm, from_mm, to_mm) / whole : 0.0;
  };
  // Exposed length a up to the station and a + b to the end: coming out adds to a alone, so a / (a + b) grows
  // with the insertion until the region is wholly out. At the end itself the share is 1 as soon as anything
  // is out.
  const Interval share = {share_at(box.insertion_lo_mm), share_at(box.insertion_hi_mm)};
  const Interval x = share * Interval{lo.x(), hi.x()};
  const Interval y = share * Interval{lo.y(), hi.y()};
  at = at.then({x.lo, y.lo}, {x.hi, y.hi});
}

/// Middle and spread of the rotation at every lock.
std::array<Turned, kMaxLocks> turned_over(const Design& design, const StateBox& box) {
  std::array<Turned, kMaxLocks> result;
  Turned base;
  double from = 0.0;
  int region = 0;
  int pending = 0;  // first lock whose region is not known yet
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!box.engaged.test(static_cast<std::size_t>(lock))) continue;
    const double end = design.station_mm(lock);
    for (; pending <= lock; ++pending) {
      Turned at = base;
      add_frozen(design, box, region, from, end, design.station_mm(pending), at);
      result[static_cast<std::size_t>(pending)] = at;
    }
    base = result[static_cast<std::size_t>(lock)];
    from = end;
    ++region;
  }
  for (; pending < design.lock_count(); ++pending) {
    Turned at = base;
    add_free(design, box, from, design.station_mm(pending), at);
    result[static_cast<std::size_t>(pending)] = at;
  }
  return result;
}

/// Every pose of the locks over a box, as one pose and how far any other may be from it.
///
/// Rotations: as `Turned` says. Places: those of the box's middle state. In any other state of the box the
/// tangent at a station is turned against the middle state's by at most what the bends up to there differ by:
/// for a frozen region by half the diagonal of its bends' box and, where a guide lets its share of the bend
/// vary with the insertion, |Theta| times the change of that share, which is at most the change of insertion
/// over the exposed length and at most 1; for the free region by its length times half the diagonal of its
/// curvatures' box, and |u| times the change of insertion in a guide. So the vector from one station to
/// another changes by at most their distance along the segment times the largest such turn up to the farther
/// one
/// (`turn_rad`), and a lock's place by that from the base on, and by the change of insertion, which moves the
/// base.
struct BoxPoses {
  LockPoses middle;
  std::array<double, kMaxLocks> spread_rad{};  ///< of the rotations
  std::array<double, kMaxLocks> turn_rad{};    ///< largest turn of a tangent from the base to the lock
  std::array<double, kMaxLocks> moved_mm{};    ///< of the lock's place in E
  bool finite = true;
};

State middle_of(const StateBox& box) {
  State state;
  state.insertion_mm = 0.5 * (box.insertion_lo_mm + box.insertion_hi_mm);
  state.engaged = box.engaged;
  for (std::size_t r = 0; r < box.engaged.count(); ++r)
    state.theta_frozen.push_back(0.5 * (box.theta_lo[r] + box.theta_hi[r]));
  state.u_free = 0.5 * (box.u_lo + box.u_hi);
  return state;
}

/// What the regions from the base to each lock may turn a tangent by.
void add_turns(const Design& design, const StateBox& box, const State& middle, BoxPoses& poses) {
  const bool guide = design.carriage().kind == CarriageKind::guide;
  const double half_insertion = 0.5 * (box.insertion_hi_mm - box.insertion_lo_mm);
  const double half_u = 0.5 * (box.u_hi - box.u_lo).norm();
  double turn = 0.0;  // of the regions that end before the lock
  double from = 0.0;
  std::size_t region = 0;
  const auto frozen_turn = [&](double end) {
    double extra = 0.0;
    if (guide && half_insertion > 0.0) {
      const double exposed = exposed_length(design, box.insertion_lo_mm, from, end);
      const double share = exposed > half_insertion ? half_insertion / exposed : 1.0;
      extra = middle.theta_frozen[region].norm() * share;
    }
    return 0.5 * (box.theta_hi[region] - box.theta_lo[region]).norm() + extra;
  };
  int pending = 0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!box.engaged.test(static_cast<std::size_t>(lock))) continue;
    turn += frozen_turn(design.station_mm(lock));
    for (; pending <= lock; ++pending) poses.turn_rad[static_cast<std::size_t>(pending)] = turn;
    from = design.station_mm(lock);
    ++region;
  }
  for (; pending < design.lock_count(); ++pending) {
    const double exposed = exposed_length(design, box.insertion_hi_mm, from, design.station_mm(pending));
    poses.turn_rad[static_cast<std::size_t>(pending)] =
        turn + exposed * half_u + (guide ? middle.u_free.norm() * half_insertion : 0.0);
  }
}

BoxPoses poses_over(const Design& design, const StateBox& box) {
  BoxPoses poses;
  const State middle = middle_of(box);
  poses.middle = lock_poses_E(design, middle);
  add_turns(design, box, middle, poses);
  const std::array<Turned, kMaxLocks> turned = turned_over(design, box);
  const double half_insertion = 0.5 * (box.insertion_hi_mm - box.insertion_lo_mm);
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    poses.middle.R_E[index] = turned[index].middle;
    poses.spread_rad[index] = turned[index].spread_rad;
    poses.moved_mm[index] = half_insertion + design.station_mm(i) * poses.turn_rad[index];
    poses.finite = poses.finite && poses.middle.p_E[index].allFinite();
  }
  return poses;
}

/// By how much what lock `a`'s magnet feels of all others along a unit vector of its cross-section may differ
/// from the middle pose (mT), in states that keep the curvature limit.
///
/// A dipole's field is at most 2 K m / r^3, K = mu0 / 4 pi, and no derivative of it is larger than 6 K m /
/// r^4: with m at an angle gamma to r^ the gradient is 3 K m / r^4 times [cos(gamma) (1 - 3 r^ r^T) +
/// sin(gamma) (y r^T + r^ y^T)], of norm (cos + sqrt(9 cos^2 + 4 sin^2)) / 2 <= 2 in the plane of the two.
/// While the places move by delta relative to one another r stays at least r_0 - delta; the field turns with
/// its magnet. Where that is more than both fields can be, they are the bound: legal states keep r at least
/// that of least_lock_distance_mm.
double coupling_slack_mT(const Design& design, const BoxPoses& poses, int a) {
  const double strength = 2.0 * kDipole * design.lock().magnet_Am2;
  const auto cubed = [](double r) { return r * r * r; };
  double slack = 0.0;
  for (int b = 0; b < design.lock_count(); ++b) {
    if (b == a) continue;
    const auto at = static_cast<std::size_t>(a);
    const auto other = static_cast<std::size_t>(b);
    const double r = (poses.middle.p_E[at] - poses.middle.p_E[other]).norm();
    const double apart =
        std::abs(design.station_mm(a) - design.station_mm(b)) * poses.turn_rad[std::max(at, other)];
    const double least = least_lock_distance_mm(design, a, b);
    const double near = r - apart;  // all along from the middle pose to any other
    const double legal = least > 0.0 ? strength / cubed(least) : kInfinity;
    const double both = (r > 0.0 ? strength / cubed(r) : kInfinity) + legal;
    const double turned = poses.spread_rad[at] + poses.spread_rad[other];
    const double change =
        near > 0.0 ? strength * (turned / cubed(near) + 3.0 * apart / (cubed(near) * near)) : kInfinity;
    slack += std::min(change, both) + (r > 0.0 ? kBoundRounding * strength / cubed(r) : 0.0);
  }
  return slack;
}

/// What the coils' currents can be at most over the box (A), where that is known: each coil's limit, and what
/// the field limit leaves. With G the gains of all locks one above the other, |G I| <= sqrt(N) B_max, so |I|
/// <= sqrt(N) B_max / sigma, sigma the least singular value of G, which differs from the middle pose's by at
/// most the change of G.
Currents most_currents(const Design& design, const CurrentLimits& limits, double gain_change) {
  const Eigen::Index n = limits.gains.front().cols();
  const auto places = static_cast<Eigen::Index>(limits.gains.size());
  Currents most = Currents::Constant(n, kInfinity);
  if (3 * places >= n) {
    Eigen::MatrixXd stacked(3 * places, n);
    for (Eigen::Index k = 0; k < places; ++k)
      stacked.middleRows(3 * k, 3) = limits.gains[static_cast<std::size_t>(k)];
    if (stacked.allFinite()) {
      const double sigma = singular_values(stacked)(n - 1) - gain_change;
      if (sigma > 0.0)
        most.setConstant(std::sqrt(static_cast<double>(places)) * design.field()->strength_max_mT / sigma);
    }
  }
  return limits.most_A.size() > 0 ? Currents(most.cwiseMin(limits.most_A)) : most;
}

/// By how much the field that the coils make at each lock may differ from the middle pose's (mT).
std::array<double, kMaxLocks> gain_slack_mT(const Design& design, const BoxPoses& poses,
                                            const CurrentLimits& limits) {
  std::array<double, kMaxLocks> slack{};
  const auto& coils = design.field()->coils;
  if (coils.empty()) return slack;
  std::vector<Currents> change;  // of each coil's gain, at each lock
  double square = 0.0;
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    const Eigen::Vector3d p_S = design.R_SE() * poses.middle.p_E[index] + design.p_SE();
    Currents of_lock(static_cast<Eigen::Index>(coils.size()));
    for (std::size_t c = 0; c < coils.size(); ++c) {
      const double wire = distance_to_wire_mm(coils[c], p_S) - poses.moved_mm[index];
      of_lock(static_cast<Eigen::Index>(c)) =
          poses.moved_mm[index] > 0.0 ? coil_gradient_bound(coils[c], wire) * poses.moved_mm[index] : 0.0;
    }
    square += of_lock.squaredNorm();
    change.push_back(of_lock);
  }
  const Currents most = most_currents(design, limits, std::sqrt(square));
  for (int i = 0; i < design.lock_count(); ++i)
    for (Eigen::Index c = 0; c < most.size(); ++c) {
      const double by = change[static_cast<std::size_t>(i)](c);
      if (by > 0.0) slack[static_cast<std::size_t>(i)] += by * most(c);
    }
  return slack;
}

/// By how much a known ambient field's component along a direction may change as the direction turns (mT).
double ambient_slack_mT(const Design& design, double spread_rad) {
  return design.field() ? design.field()->ambient_S.norm() * (spread_rad + kBoundRounding) : 0.0;
}

/// By how much the field (mT) that given currents make at a lock may differ over the box from the middle
/// pose's: each coil's change of gain (coils.h, 4) over the way that the lock's place may move, times its
/// current. The ways end within `moved_mm` of the middle's place, so the straight line between keeps that far
/// from the wire too.
double given_field_slack_mT(const Design& design, const BoxPoses& poses, int lock,
                            const Currents& current_A) {
  if (!design.field() || design.field()->coils.empty()) return 0.0;
  const double moved = poses.moved_mm[static_cast<std::size_t>(lock)];
  if (moved <= 0.0) return 0.0;
  const Eigen::Vector3d p_S =
      design.R_SE() * poses.middle.p_E[static_cast<std::size_t>(lock)] + design.p_SE();
  double slack = 0.0;
  for (std::size_t c = 0; c < design.field()->coils.size(); ++c) {
    const double current = std::abs(current_A(static_cast<Eigen::Index>(c)));
    if (current <= 0.0) continue;
    const Coil& coil = design.field()->coils[c];
    slack += current * coil_gradient_bound(coil, distance_to_wire_mm(coil, p_S) - moved) * moved;
  }
  return slack;
}

/// The demands of the middle pose, moved by `sense` times what any pose of the box may change them by: +1 for
/// fields that serve every pose, -1 for fields that might serve one.
///
/// A field of at most B_max changes its component along a direction by at most B_max eps when the direction
/// turns by eps, so demand i moves by at most B_max spread_i + gain slack_i + coupling slack_i.
class MovedDemands {
 public:
  MovedDemands(const Design& design, const BoxPoses& poses, const StateBox& box, int lock, double reserve)
      : design_(design), lock_(lock), reserve_(reserve), limits_(current_limits(design, poses.middle)) {
    const LockSet switching = only(lock);
    torques_ = torque_demands(design, poses.middle, box.engaged, switching);
    gain_slack_ = gain_slack_mT(design, poses, limits_);
    const double B_max = design.field()->strength_max_mT;
    for (int i = 0; i < design.lock_count(); ++i) {
      const auto index = static_cast<std::size_t>(i);
      pose_slack_[index] = B_max * (poses.spread_rad[index] + kBoundRounding) +
                           coupling_slack_mT(design, poses, i) +
                           ambient_slack_mT(design, poses.spread_rad[index]);
    }
  }

  CurrentsVerdict with(double sense) const {
    std::vector<CurrentDemand> demands;
    for (const TorqueDemand& t : torques_) {
      const auto at = static_cast<std::size_t>(t.lock);
      demands.push_back(
          {limits_.gains[at].transpose() * t.normal_E,
           demanded_mT(design_.lock(), t, reserve_) + sense * (pose_slack_[at] + gain_slack_[at])});
    }
    CurrentLimits limits = limits_;
    for (std::size_t i = 0; i < limits.most_mT.size(); ++i) {
      limits.most_mT[i] -= sense * (gain_slack_[i] + kBoundRounding * limits.most_mT[i]);
      if (limits.most_mT[i] < 0.0) return CurrentsVerdict::none;
    }
    if (limits.most_A.size() > 0) limits.most_A *= 1.0 - sense * kBoundRounding;
    return least_currents(demands, limits).verdict;
  }

  /// Is the lock's own torque out of reach, whatever the field at the other locks?
  bool own_torque_out_of_reach() const {
    std::vector<HalfSpace> own;
    for (const TorqueDemand& t : torques_) {
      const auto index = static_cast<std::size_t>(t.lock);
      // The field at the lock itself is what is sought here, so no gain plays a part.
      if (t.lock == lock_)
        own.push_back({t.normal_E, demanded_mT(design_.lock(), t, reserve_) - pose_slack_[index]});
    }
    if (!std::isfinite(own.front().at_least)) return false;
    const auto B = least_norm_point(own);
    return !B || surely_exceeds(B->norm(), design_.field()->strength_max_mT);
  }

 private:
  const Design& design_;
  int lock_;
  double reserve_;
  CurrentLimits limits_;
  std::vector<TorqueDemand> torques_;
  std::array<double, kMaxLocks> gain_slack_{};
  std::array<double, kMaxLocks> pose_slack_{};
};

}  // namespace

/// If the demands of the middle pose, each let out by what it may change by over the box, can't be met within
/// limits let out alike, no pose of the box meets its own; and currents that meet those taken in serve every
/// pose. What is not settled is "some".
BoxVerdict switch_over_box(const Design& design, const StateBox& box, int lock, double reserve) {
  assert(design.field() && design.lock_count() > 0);
  if (stroke_too_wide(design.lock())) return BoxVerdict::none;
  const BoxPoses poses = poses_over(design, box);
  if (!poses.finite) return BoxVerdict::some;
  const MovedDemands demands(design, poses, box, lock, reserve);
  if (demands.own_torque_out_of_reach()) return BoxVerdict::none;
  if (demands.with(1.0) == CurrentsVerdict::found) return BoxVerdict::all;
  return demands.with(-1.0) == CurrentsVerdict::none ? BoxVerdict::none : BoxVerdict::some;
}

/// A demand n . (G I) >= c of the middle pose becomes n' . B' >= c' in another. n' . B' - n . B = (n' - n) .
/// B'
/// + n . (B' - B) is no less than -(spread |B'| + |B' - B|), with |B'| <= |B| + |B' - B|, and c' - c no more
/// than what coupling and known ambient field may change by. So demands that the middle pose meets with that
/// to spare are met in every pose, and both ends of the stroke imply the rest of it (field.h).
bool currents_serve_box(const Design& design, const StateBox& box, const LockSet& engaged, int lock,
                        const Currents& current_A, double leniency_mT) {
  assert(design.lock_count() > 0 && lock >= 0 && lock < design.lock_count());
  if (stroke_too_wide(design.lock())) return false;
  const BoxPoses poses = poses_over(design, box);
  if (!poses.finite) return false;
  const CurrentLimits limits = current_limits(design, poses.middle);
  std::array<Eigen::Vector3d, kMaxLocks> field_E;
  std::array<double, kMaxLocks> slack{};
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto at = static_cast<std::size_t>(i);
    field_E[at] = limits.gains[at] * current_A;
    const double moved = given_field_slack_mT(design, poses, i, current_A);
    const double most = field_E[at].norm() + moved;
    if (!(most <= limits.most_mT[at] * (1.0 + kCurrentRounding) + leniency_mT)) return false;
    slack[at] = moved + most * (poses.spread_rad[at] + kBoundRounding) + coupling_slack_mT(design, poses, i) +
                ambient_slack_mT(design, poses.spread_rad[at]);
  }
  const LockSet switching = only(lock);
  const std::vector<TorqueDemand> torques = torque_demands(design, poses.middle, engaged, switching);
  return std::all_of(torques.begin(), torques.end(), [&](const TorqueDemand& t) {
    const auto at = static_cast<std::size_t>(t.lock);
    return t.normal_E.dot(field_E[at]) >= demanded_mT(design.lock(), t, 1.0) + slack[at] - leniency_mT;
  });
}

namespace {

bool serve_way(const Design& design, const State& from, const State& to, const LockSet& engaged, int lock,
               const Currents& current_A, double leniency_mT, double aside_per_mm, int halvings) {
  const Eigen::Vector2d aside = Eigen::Vector2d::Constant(aside_per_mm);
  StateBox box = StateBox::around(from);
  std::tie(box.insertion_lo_mm, box.insertion_hi_mm) = std::minmax({from.insertion_mm, to.insertion_mm});
  box.u_lo = from.u_free.cwiseMin(to.u_free) - aside;
  box.u_hi = from.u_free.cwiseMax(to.u_free) + aside;
  if (currents_serve_box(design, box, engaged, lock, current_A, leniency_mT)) return true;
  if (halvings == 0) return false;
  State middle = from;
  middle.insertion_mm = 0.5 * (from.insertion_mm + to.insertion_mm);
  middle.u_free = 0.5 * (from.u_free + to.u_free);
  const auto half = [&](const State& a, const State& b) {
    return serve_way(design, a, b, engaged, lock, current_A, leniency_mT, aside_per_mm, halvings - 1);
  };
  return half(from, middle) && half(middle, to);
}

}  // namespace

bool currents_serve_way(const Design& design, const State& from, const State& to, const LockSet& engaged,
                        int lock, const Currents& current_A, double leniency_mT, double aside_per_mm) {
  return serve_way(design, from, to, engaged, lock, current_A, leniency_mT, aside_per_mm,
                   shares::kSweepFieldHalvings);
}

BoxVerdict coupling_over_box(const Design& design, const StateBox& box) {
  const BoxPoses poses = poses_over(design, box);
  if (!poses.finite) return BoxVerdict::some;
  const LockHardware& hardware = design.lock();
  bool all = true;
  for (int i = 0; i < design.lock_count(); ++i) {
    const double push = coupling_push_Nmm(design, poses.middle, box.engaged, i);
    const double slack = hardware.magnet_Am2 * coupling_slack_mT(design, poses, i);
    if (surely_exceeds(push - slack, hardware.hold_torque_Nmm)) return BoxVerdict::none;
    all = all && push + slack <= hardware.hold_torque_Nmm;
  }
  return all ? BoxVerdict::all : BoxVerdict::some;
}

}  // namespace withy
