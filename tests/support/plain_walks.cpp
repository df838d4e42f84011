// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_walks.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include <Eigen/Dense>

#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"

namespace withy_plain {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kPi = 3.14159265358979323846;
constexpr double kMouth_mm = 0.5;      // faces of the entry reach no farther past its plane
constexpr double kNothing_mm = 1e-9;   // a flexible length below this is none
constexpr double kOnNotch_mm = 1e-9;   // rounding of slides
constexpr double kParallel = 1e-9;     // sine of the angle between directions that count as one
constexpr double kAhead_mm = 0.1;      // room looked for at first, where there was none to spare
constexpr double kMostAhead_mm = 1.5;  // and at most

Eigen::Vector2d direction(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

double cross(const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  return a.x() * b.y() - a.y() * b.x();
}

std::optional<Eigen::Vector2d> common_plane(const std::optional<Tendons>& tendons) {
  if (!tendons) return std::nullopt;
  const Eigen::Vector2d first = direction(tendons->angle_rad.front());
  for (const double beta : tendons->angle_rad) {
    if (std::abs(cross(first, direction(beta))) > kParallel) return std::nullopt;
  }
  return first;
}

// How near to the axis a face of the entry that stands past its plane may come.
double mouth_radius(const Solid& channel) {
  double least = kInfinity;
  for (std::size_t i = 0; i < channel.mesh.faces.size(); ++i) {
    if (channel.role[i] != Role::entry) continue;
    double highest = 0, nearest = kInfinity, edge = 0;
    for (int k = 0; k < 3; ++k) {
      const auto corner = [&](int j) {
        return channel.mesh
            .points[static_cast<std::size_t>(channel.mesh.faces[i][static_cast<std::size_t>(j % 3)])];
      };
      highest = std::max(highest, corner(k).z());
      nearest = std::min(nearest, corner(k).head<2>().norm());
      edge = std::max(edge, (corner(k) - corner(k + 1)).norm());
    }
    if (highest > 1e-6) least = std::min(least, nearest - edge);
  }
  return least;
}

}  // namespace

Walker::Walker(const Robot& robot, const Solid& channel, unsigned seed)
    : robot_(robot),
      scene_(robot.scene),
      wall_(channel),
      random_(seed),
      target_E_(scene_.X_SE.inverse() * scene_.target_S),
      plane_(common_plane(scene_.tendons)),
      mouth_radius_mm_(mouth_radius(channel)) {
  const double thin = std::min(1.0, scene_.radius_mm / kThinnest_mm);
  station_mm_ = thin * kStation_mm;
  step_mm_ = thin * kStep_mm;
  caution_mm_ = thin * kCaution_mm;
  if (scene_.target_direction_S)
    target_direction_E_ = scene_.X_SE.linear().transpose() * *scene_.target_direction_S;
  const Eigen::Vector3d mouth(0, 0, kMouth_mm);
  mouth_room_mm_ = wall_.inside(mouth) ? std::min(wall_.distance(mouth), wall_.outlet_distance(mouth)) : 0;
}

// ---- chance

double Walker::uniform(double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random_);
}

Eigen::Vector2d Walker::in_disk(double radius) {
  if (plane_) return uniform(-radius, radius) * *plane_;
  const double r = radius * std::sqrt(uniform(0, 1));
  return r * direction(uniform(-kPi, kPi));
}

// ---- what is allowed

/// Is p on the same side of the solid's surface as a point that no wall and no outlet is nearer to than
/// `room_mm`? False also where that can't be told. Faces that are not wall stand at the entry only.
bool Walker::same_side(const Eigen::Vector3d& known_E, double room_mm, const Eigen::Vector3d& p_E) const {
  if ((p_E - known_E).norm() >= room_mm) return false;
  return (known_E.z() > kMouth_mm && p_E.z() > kMouth_mm) ||
         (known_E.head<2>().norm() < mouth_radius_mm_ && p_E.head<2>().norm() < mouth_radius_mm_);
}

double Walker::widened_radius(double s_mm) const {
  return std::max(
      {radius(robot_, s_mm), radius(robot_, s_mm - station_mm_), radius(robot_, s_mm + station_mm_)});
}

/// Least clearance at the stations beyond what is required; stops at the first negative one unless asked to
/// go on. Where there is room stations may be as far apart as it lets them.
double Walker::margin(const State& state, bool to_the_end) const {
  const double need = scene_.required_clearance_mm + caution_mm_;
  const double off_outlets = station_mm_ + step_mm_;  // for no point between samples to come to one
  ++looks_;
  const double thickest =
      std::max(scene_.radius_mm, scene_.lock && robot_.locks() > 0 ? scene_.lock->body_radius_mm : 0.0);
  const Body body(robot_, state);
  const double L = scene_.length_mm;
  Eigen::Vector3d known(0, 0, kMouth_mm);
  double room = mouth_room_mm_;
  double least = kInfinity;
  double ahead = kAhead_mm;  // how much room beyond what is needed is looked for
  for (double s = std::min(0.0, L - state.insertion_mm);; s = std::min(s, L)) {
    const Eigen::Vector3d p = body.point_E(s);
    double step = station_mm_;
    if (p.z() > -station_mm_) {
      const double most = thickest + need + ahead;
      double d = wall_.distance(p, most);
      const double outlet = wall_.outlet_distance(p);
      least = std::min(least, outlet - off_outlets);
      ahead = d < most ? kAhead_mm : std::min(2 * ahead, kMostAhead_mm);
      if (d < widened_radius(s) + need && !to_the_end) return d - widened_radius(s) - need;
      if (p.z() > 0) {
        if (!same_side(known, room, p) && (to_the_end || !wall_.inside(p))) d = -d;
        known = d > 0 ? p : known;
        room = d > 0 ? std::min(d, outlet) : room;
      }
      least = std::min(least, d - widened_radius(s) - need);
      if (least < 0 && !to_the_end) return least;
      step = std::max(step, std::min(d - thickest - need, outlet - off_outlets));
    } else {
      step = std::max(step, -station_mm_ - p.z());
    }
    if (s >= L) return least;
    s += step;
  }
}

bool Walker::hardware_allows(const State& state) const {
  if (!scene_.tendons) return true;
  for (const double pull : pulls(robot_, state)) {
    if (std::abs(pull) > scene_.tendons->stroke_max_mm) return false;
  }
  const auto tensions = base_tensions(robot_, state);
  if (!tensions) return false;
  for (const double tension : *tensions) {
    if (tension > scene_.tendons->tension_max_N) return false;
  }
  for (const double moment : lock_moments(robot_, state)) {
    if (moment > scene_.lock->hold_moment_Nmm) return false;
  }
  return true;
}

bool Walker::allowed(const State& state) const {
  if (state.insertion_mm < 0 || state.insertion_mm > scene_.insertion_max_mm) return false;
  for (const Region& r : state.regions) {
    if (!(r.u.norm() <= scene_.curvature_max_per_mm)) return false;
  }
  for (int i = 0; scene_.field && i < robot_.locks(); ++i) {
    if (coupling(robot_, state, i) > scene_.lock->hold_torque_Nmm) return false;
  }
  return hardware_allows(state) && margin(state, false) >= 0;
}

bool Walker::field_allows(const State& state, int lock) const {
  if (!scene_.field) return true;
  for (int i = 0; i < robot_.locks(); ++i)
    if (coupling(robot_, state, i) > scene_.lock->hold_torque_Nmm) return false;
  const auto least = least_currents(robot_, state, lock, 1);
  return least && limits_passed(robot_, state, *least) == 0;
}

/// Is nothing flexible out proximal to the lock in its region? It then switches at any curvature (model,
/// section 3): inside the guide, with its body half out, or touching what is before it.
bool Walker::hidden(const State& state, int lock) const {
  const double from = state.regions[region_of(state, lock)].from_mm;
  return flexible_length(robot_, state.insertion_mm, from, station(lock)) <= kNothing_mm;
}

std::optional<Eigen::Vector2d> Walker::latchable(const Eigen::Vector2d& wish) const {
  if (!scene_.latch || scene_.latch->pitch_mm == 0) return wish;
  const Latch& latch = *scene_.latch;
  const Eigen::Vector2d first = direction(latch.angle_rad.front());
  for (const double psi : latch.angle_rad) {
    if (std::abs(cross(first, direction(psi))) < 0.1) continue;
    Eigen::Matrix2d rows;
    rows << first.transpose(), direction(psi).transpose();
    const double notch = latch.pitch_mm / latch.radius_mm;
    const Eigen::Vector2d slides = rows * wish / notch;
    const Eigen::Vector2d bend =
        rows.inverse() * (notch * Eigen::Vector2d(std::round(slides.x()), std::round(slides.y())));
    if (notch_miss(latch, bend) < kOnNotch_mm) return bend;
  }
  return std::nullopt;
}

// ---- states

/// How far the tip is from where this share of the tolerances would allow it.
double Walker::target_excess(const State& state, double share) const {
  const Eigen::Isometry3d tip = Body(robot_, state).pose_E(scene_.length_mm);
  double excess = std::max(0.0, (tip.translation() - target_E_).norm() - share * scene_.target_tolerance_mm);
  if (target_direction_E_) {
    const Eigen::Vector3d t = tip.linear().col(2);
    const double angle = std::atan2(t.cross(*target_direction_E_).norm(), t.dot(*target_direction_E_));
    excess += 0.3 * scene_.length_mm * std::max(0.0, angle - share * scene_.target_direction_tolerance_rad);
  }
  return excess;
}

std::optional<State> Walker::random_state() {
  State state;
  state.insertion_mm = uniform(0, scene_.insertion_max_mm);
  double from = 0;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int i = 0; i < robot_.locks(); ++i) {
    state.locked.push_back(coin());
    if (!state.locked.back()) continue;
    const double f = flexible_length(robot_, state.insertion_mm, from, station(i));
    const Eigen::Vector2d wish = sum + f * in_disk(scale() * scene_.curvature_max_per_mm);
    if (!add_latched(state, i, from, sum, wish)) return std::nullopt;
  }
  state.regions.push_back({from, scene_.length_mm, in_disk(scene_.curvature_max_per_mm)});
  return state;
}

/// Adds the region from `from`, where the bends so far are `sum`, to a lock that holds the notches nearest to
/// `wish`; moves both on. False where no notch will do.
bool Walker::add_latched(State& state, int lock, double& from, Eigen::Vector2d& sum,
                         const Eigen::Vector2d& wish) const {
  const double f = flexible_length(robot_, state.insertion_mm, from, station(lock));
  const auto latched = latchable(wish);
  if (!latched) return false;
  state.regions.push_back({from, station(lock), Eigen::Vector2d::Zero()});
  if (f > kNothing_mm) {
    state.regions.back().u = (*latched - sum) / f;
    sum = *latched;
  }
  from = station(lock);
  return state.regions.back().u.norm() <= scene_.curvature_max_per_mm;
}

/// How far the tip is from the target, less a little of the tolerance, and the body in the wall.
double Walker::target_cost(const State& state, bool with_wall) const {
  double cost = target_excess(state, 0.9);
  for (const Region& r : state.regions) cost += r.u.norm() <= scene_.curvature_max_per_mm ? 0 : 1e3;
  if (with_wall && cost < 1e3) cost += std::max(0.0, -margin(state, true));
  return cost;
}

/// Random steps of insertion and free curvature that bring the state nearer to the target, and its body out
/// of the wall.
State Walker::descended(State state, bool with_wall, int tries) {
  const auto cost = [&](const State& s) { return target_cost(s, with_wall); };
  double least = cost(state);
  for (int i = 0; i < tries && least > 0; ++i) {
    const double size = scale();
    const double d = std::clamp(state.insertion_mm + uniform(-20, 20) * size, 0.0, scene_.insertion_max_mm);
    const State next = moved(state, d, state.regions.back().u + in_disk(size * scene_.curvature_max_per_mm));
    const double c = cost(next);
    if (c >= least) continue;
    least = c;
    state = next;
  }
  return state;
}

std::optional<State> Walker::state_at_target(const State& near) {
  State state = descended(near, false, 100);
  if (!at_target(state)) return std::nullopt;
  if (!allowed(state)) state = descended(state, true, 60);
  if (!at_target(state) || !allowed(state)) return std::nullopt;
  return state;
}

/// Index of the region that ends at the lock, or that holds it.
std::size_t Walker::region_of(const State& state, int lock) const {
  std::size_t k = 0;
  while (state.regions[k].to_mm < station(lock)) ++k;
  return k;
}

/// The same locks and frozen bends at another insertion and free curvature.
State Walker::moved(const State& state, double insertion_mm, const Eigen::Vector2d& u) const {
  State out = state;
  out.insertion_mm = insertion_mm;
  out.regions.back().u = u;
  if (!scene_.guide) return out;
  for (std::size_t k = 0; k + 1 < out.regions.size(); ++k) {
    Region& r = out.regions[k];
    const Eigen::Vector2d bend = theta(robot_, state, state.regions[k]);
    const double f = flexible_length(robot_, insertion_mm, r.from_mm, r.to_mm);
    if (bend.isZero(0))
      r.u.setZero();
    else
      r.u = f > kNothing_mm ? Eigen::Vector2d(bend / f) : Eigen::Vector2d::Constant(kInfinity);
  }
  return out;
}

/// The state after the lock engages; nothing where its bend is not latchable.
std::optional<State> Walker::engaged(const State& state, int lock) const {
  if (scene_.latch && notch_miss(*scene_.latch, theta_to(robot_, state, station(lock))) > kOnNotch_mm)
    return std::nullopt;
  State out = state;
  const std::size_t k = region_of(state, lock);
  Region first = state.regions[k];
  first.to_mm = out.regions[k].from_mm = station(lock);
  if (hidden(state, lock)) first.u.setZero();
  out.regions.insert(out.regions.begin() + static_cast<std::ptrdiff_t>(k), first);
  out.locked[static_cast<std::size_t>(lock)] = true;
  return out;
}

/// The state after the lock is released; nothing where the body would snap.
std::optional<State> Walker::released(const State& state, int lock) const {
  const std::size_t k = region_of(state, lock);
  const Region &before = state.regions[k], &after = state.regions[k + 1];
  if (!hidden(state, lock) && (before.u - after.u).norm() > kSameCurvature_per_mm) return std::nullopt;
  State out = state;
  out.regions[k + 1].from_mm = before.from_mm;
  out.regions.erase(out.regions.begin() + static_cast<std::ptrdiff_t>(k));
  out.locked[static_cast<std::size_t>(lock)] = false;
  return out;
}

/// Steps that keep every point of the body within kStep_mm of where it was, with a third to spare.
double Walker::steps_between(const State& from, const State& to) const {
  constexpr int kParts = 8, kPoints = 16;
  double way = 0;
  Body before(robot_, from);
  for (int i = 1; i <= kParts; ++i) {
    const double t = static_cast<double>(i) / kParts;
    const Body now(robot_, moved(from, (1 - t) * from.insertion_mm + t * to.insertion_mm,
                                 (1 - t) * from.regions.back().u + t * to.regions.back().u));
    double most = 0;
    for (int k = 0; k <= kPoints; ++k) {
      const double s = scene_.length_mm * k / kPoints;
      most = std::max(most, (now.point_E(s) - before.point_E(s)).norm());
    }
    way = std::max(way, kParts * most);  // as if all of it went at the fastest part's pace
    before = now;
  }
  return 4.0 / 3.0 * way / step_mm_;
}

std::optional<double> Walker::insertion_for(double ratio, double a, double b, double c) const {
  const auto off = [&](double d) {
    return flexible_length(robot_, d, a, b) - ratio * flexible_length(robot_, d, b, c);
  };
  // What is proximal comes out last: from where it begins to, the ratio grows with the insertion.
  double low = scene_.length_mm - b, high = scene_.insertion_max_mm;
  if (!scene_.guide || off(low) > 0 || off(high) < 0) return std::nullopt;
  for (int i = 0; i < 80; ++i) (off((low + high) / 2) < 0 ? low : high) = (low + high) / 2;
  return high;
}

}  // namespace withy_plain
