// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cassert>

#include "planner/segment/hardware_bounds.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

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

}  // namespace

/// A field of at most B_max changes its component along a direction by at most B_max eps when the direction
/// turns by eps. So if the half-spaces of the middle pose, each let out by B_max eps_i, have no point within
/// B_max, no pose of the box has; and a point within B_max of those taken in by B_max eps_i serves every pose
/// of the box.
BoxVerdict switch_over_box(const Design& design, const StateBox& box, int lock) {
  assert(design.field() && design.lock_count() > 0);
  const double B_max = design.field()->strength_max_mT;
  const std::array<Turned, kMaxLocks> turned = turned_over(design, box);
  LockRotations rotation_E;
  FieldSlack in{};
  FieldSlack out{};
  for (int i = 0; i < design.lock_count(); ++i) {
    const auto index = static_cast<std::size_t>(i);
    rotation_E[index] = turned[index].middle;
    in[index] = B_max * turned[index].spread_rad;
    out[index] = -B_max * (turned[index].spread_rad + 2.0 * kLimitRounding);
  }
  LockSet switching;
  switching.set(static_cast<std::size_t>(lock));
  const auto strict = weakest_field_E(design, rotation_E, box.engaged, switching, in);
  if (strict && strict->norm() <= B_max) return BoxVerdict::all;
  const auto loose = weakest_field_E(design, rotation_E, box.engaged, switching, out);
  if (!loose || surely_exceeds(loose->norm(), B_max)) return BoxVerdict::none;
  return BoxVerdict::some;
}

}  // namespace withy
