// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/directed_bound.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <utility>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"

namespace withy {
namespace {

// Parallels of directions, and twice as many meridians, 3 degrees apart: no direction is further than half a
// spacing's diagonal from one of them, which costs the bound 7 in ten thousand.
constexpr int kParallels = 60;
constexpr double kNoLength = 1e-12;
// Parts of a cell are halved down to about this size (mm): they then lose a few thousandths.
constexpr double kLeastPart_mm = 0.125;
// Looks at parts of one cell: past that it is let be. Cells take a few to a thousand.
constexpr int kMostParts = 4000;
// Covers the rounding of a part's points and levers, at lengths of up to 1e3 mm.
constexpr double kPartRounding_mm = 1e-9;
// Steps of the golden section between no tilt and nearly straight down.
constexpr int kTiltSteps = 12;
constexpr double kMostTilt_rad = 1.55;
// Looks for the way to a triangle.
constexpr int kWaysToTriangle = 4;

/// max over the triangle's corners v of n . v + sigma |n . v|.
double reach_of(const WallTriangle& triangle, const Eigen::Vector3d& n, double sigma) {
  double most = -kInfinity;
  for (const Eigen::Vector3d& v : triangle) most = std::max(most, n.dot(v) + sigma * std::abs(n.dot(v)));
  return most;
}

/// What the rotations do past first order, and to the displacement of the bends.
double turned_further(const ErrorBounds& errors, double bent_mm, double from_entry_mm,
                      double from_centre_mm) {
  const double alpha = errors.entry_rad;
  const double rho = errors.registration_rad;
  return 0.5 * alpha * alpha * from_entry_mm + 0.5 * rho * rho * from_centre_mm + chord(alpha) * bent_mm +
         chord(rho) * (bent_mm + chord(alpha) * from_entry_mm + errors.entry_mm);
}

double second_order(const BendLevers& levers, const ErrorBounds& errors) {
  return levers.second_order(errors.backlash_rad, errors.pull_gain, errors.offset_rad);
}

/// All that the bound of a cell loses besides its corners' first order.
double past_first_order(const MotionCell& cell, const CellCorners& corners, const ErrorBounds& errors) {
  return second_order(cell.levers, errors) +
         corners.between.first_order(errors.backlash_rad, errors.pull_gain, errors.offset_rad) +
         turned_further(errors, errors.bent(cell.levers), cell.from_entry_mm, cell.from_centre_mm) +
         corners.bulge_mm * (1.0 + errors.entry_rad + errors.registration_rad);
}

}  // namespace

double chord(double angle_rad) {
  return 2.0 * std::sin(0.5 * std::min(angle_rad, std::numbers::pi));
}

void ErrorBounds::take_chords() {
  entry_chord = chord(entry_rad);
  registration_chord = chord(registration_rad);
}

double ErrorBounds::moved(const BendLevers& levers, double from_entry_mm, double from_centre_mm) const {
  return bent(levers) + entry_mm + entry_chord * from_entry_mm + registration_mm +
         registration_chord * from_centre_mm;
}

ErrorBounds ErrorBounds::with(const HuntSweep& sweep) const {
  ErrorBounds out = *this;
  // The gain counts for what is swept too.
  out.swept_rad = (1.0 + pull_gain) * sweep.bend_rad;
  out.swept_line = sweep.line;
  out.offset_rad += out.swept_rad;
  return out;
}

/// n . p - H_n(p) at one corner.
double DirectedBound::along(const Eigen::Vector3d& n, const BendDirections& at,
                            const ErrorBounds& errors) const {
  double lost = errors.entry_mm + errors.registration_mm + errors.pull_gain * std::abs(at.gain.dot(n));
  for (const BendDirections::Matrix32& lock : at.at_lock)
    lost += errors.backlash_rad * (lock.transpose() * n).norm();
  const Eigen::Vector2d free = at.free.transpose() * n;
  for (Eigen::Index k = 0; k < bend_per_pull_.cols(); ++k)
    lost += errors.offset_mm * std::abs(bend_per_pull_.col(k).dot(free));
  lost +=
      errors.swept_rad * (errors.swept_line.isZero() ? free.norm() : std::abs(errors.swept_line.dot(free)));
  lost += errors.entry_rad * at.point_E.cross(n).norm() +
          errors.registration_rad * (at.point_E - centre_E_).cross(n).norm();
  return n.dot(at.point_E) - lost;
}

/// The displacement z of first order that errors may do with the least n . z.
Eigen::Vector3d DirectedBound::worst_against(const Eigen::Vector3d& n, const BendDirections& at,
                                             const ErrorBounds& errors) const {
  const auto way = [](const auto& v) { return (v / std::max(v.norm(), kNoLength)).eval(); };
  Eigen::Vector3d z = (errors.entry_mm + errors.registration_mm) * n;
  z += std::copysign(errors.pull_gain, at.gain.dot(n)) * at.gain;
  for (const BendDirections::Matrix32& lock : at.at_lock)
    z += errors.backlash_rad * lock * way(Eigen::Vector2d(lock.transpose() * n));
  const Eigen::Vector2d free = at.free.transpose() * n;
  for (Eigen::Index k = 0; k < bend_per_pull_.cols(); ++k) {
    const Eigen::Vector2d bend = bend_per_pull_.col(k);
    z += std::copysign(errors.offset_mm, bend.dot(free)) * (at.free * bend);
  }
  if (errors.swept_line.isZero())
    z += errors.swept_rad * (at.free * way(free));
  else
    z += std::copysign(errors.swept_rad, errors.swept_line.dot(free)) * (at.free * errors.swept_line);
  const auto turned = [&](const Eigen::Vector3d& p) {
    return way(Eigen::Vector3d(p.cross(n))).cross(p).eval();
  };
  z += errors.entry_rad * turned(at.point_E) + errors.registration_rad * turned(at.point_E - centre_E_);
  return -z;
}

/// How far the triangle stays away from the cell, to first order; or `enough_mm` if that is less.
double DirectedBound::room_to(const WallTriangle& triangle, const CellCorners& corners,
                              const ErrorBounds& errors, double enough_mm) const {
  double best = -kInfinity;
  // Where the body may come to, the triangle standing still: its growth is put on the body, as if it were all
  // at its middle.
  Eigen::Vector3d x = corners.middle_E;
  const Eigen::Vector3d grown = errors.lumen_scale / 3.0 * (triangle[0] + triangle[1] + triangle[2]);
  for (int step = 0; step < shares::kDirectionSteps && best < enough_mm; ++step) {
    const Eigen::Vector3d way = x - nearest_on(triangle, x);
    const double length = way.norm();
    if (length < kNoLength) break;  // the errors reach it
    const Eigen::Vector3d n = way / length;
    const BendDirections* nearest = nullptr;
    double least = kInfinity;
    for (const BendDirections& at : corners.at) {
      const double room = along(n, at, errors);
      if (room < least) nearest = &at;
      least = std::min(least, room);
    }
    best = std::max(best, least - reach_of(triangle, n, errors.lumen_scale));
    const Eigen::Vector3d on =
        nearest->point_E + worst_against(n, *nearest, errors) - std::copysign(1.0, n.dot(grown)) * grown - x;
    x += std::clamp(-way.dot(on) / std::max(on.squaredNorm(), kNoLength), 0.0, 1.0) * on;
  }
  return std::min(best, enough_mm);
}

std::optional<double> DirectedBound::kept(const MotionCell& cell, const CellCorners& corners,
                                          const ErrorBounds& errors, double enough_mm) const {
  double lowest = kInfinity;
  double reach = 0.0;
  for (const BendDirections& at : corners.at) {
    lowest = std::min(lowest, at.point_E.z());
    reach = std::max(reach, (at.point_E - corners.middle_E).norm() + corners.bulge_mm);
  }
  if (lowest < corners.bulge_mm || cell.clearance_mm + cell.radius_mm <= 0.0) return std::nullopt;
  const double sigma = errors.lumen_scale;
  const double off = errors.moved(cell.levers, cell.from_entry_mm, cell.from_centre_mm) +
                     sigma * (cell.radius_mm + cell.from_entry_mm);
  const double lost = past_first_order(cell, corners, errors) + cell.radius_mm;
  // No more is kept than is planned.
  double least = std::min(enough_mm, corners.middle_wall_mm - cell.radius_mm);
  const double radius = reach + cell.radius_mm + (std::max(0.0, least) + off) / (1.0 - sigma);
  std::vector<std::pair<double, const WallTriangle*>> near;
  triangles_->near(corners.middle_E, radius, [&](const WallTriangle& triangle) {
    const double distance = (corners.middle_E - nearest_on(triangle, corners.middle_E)).norm();
    near.emplace_back((1.0 - sigma) * (distance - reach - cell.radius_mm) - off, &triangle);
  });
  std::sort(near.begin(), near.end());
  for (const auto& [undirected, triangle] : near) {
    if (undirected >= least) break;
    const double room = room_to(*triangle, corners, errors, least + lost) - lost;
    least = std::min(least, std::max(room, undirected));
  }
  return least;
}

/// C of a part of a cell.
class DirectedBound::Reach {
 public:
  Reach(const DirectedBound& bound, const ErrorBounds& errors) : bound_(bound), errors_(errors) {}
  void add(BendDirections corner) { corners_.push_back(std::move(corner)); }
  void lose(double lost_mm) { lost_mm_ = lost_mm; }
  const std::vector<BendDirections>& corners() const { return corners_; }

  /// h(n), n of length 1.
  double least(const Eigen::Vector3d& n) const { return least_at(n).first; }
  /// A point x of C with n . x = h(n).
  Eigen::Vector3d point(const Eigen::Vector3d& n) const {
    const BendDirections& at = *least_at(n).second;
    return at.point_E + bound_.worst_against(n, at, errors_) - lost_mm_ * n;
  }

 private:
  std::pair<double, const BendDirections*> least_at(const Eigen::Vector3d& n) const {
    std::pair<double, const BendDirections*> out = {kInfinity, nullptr};
    for (const BendDirections& at : corners_) {
      const double here = bound_.along(n, at, errors_);
      if (here < out.first) out = {here, &at};
    }
    out.first -= lost_mm_;
    return out;
  }

  const DirectedBound& bound_;
  const ErrorBounds& errors_;
  std::vector<BendDirections> corners_;
  double lost_mm_ = 0.0;
};

/// A cell looked at in parts.
class DirectedBound::Parts {
 public:
  Parts(const DirectedBound& bound, const CellPlace& place, double enough_mm, const Effort& effort)
      : bound_(bound),
        place_(place),
        cell_(place.cell),
        room_mm_(cell_.radius_mm + enough_mm),
        effort_(effort) {}

  bool motion_keeps(const State& from, const State& to, const ErrorBounds& errors) {
    return keeps({from, to, cell_.from_mm, cell_.to_mm}, errors);
  }

  bool sweep_keeps(const HuntSweep& sweep, const ErrorBounds& errors) {
    if (sweep.corners.size() < 2) return motion_keeps(sweep.corners.front(), sweep.corners.front(), errors);
    chords_.resize(sweep.corners.size() - 1);
    std::iota(chords_.begin(), chords_.end(), std::size_t{0});
    return group_keeps(sweep, 0, chords_.size(), errors);
  }

 private:
  struct Part {
    State from, to;
    double s0_mm, s1_mm;
  };

  bool may_look() { return ++looks_ <= kMostParts && !effort_.cut_short(); }

  bool keeps(const Part& part, const ErrorBounds& errors) {
    if (!may_look()) return false;
    double across_mm = 0.0;
    if (clear(part, errors, across_mm)) return true;
    const double along_mm = part.s1_mm - part.s0_mm;
    if (std::max(across_mm, along_mm) <= kLeastPart_mm) return false;
    if (across_mm > along_mm) {
      const State middle = interpolate(part.from, part.to, 0.5);
      return keeps({part.from, middle, part.s0_mm, part.s1_mm}, errors) &&
             keeps({middle, part.to, part.s0_mm, part.s1_mm}, errors);
    }
    const double middle_mm = 0.5 * (part.s0_mm + part.s1_mm);
    return keeps({part.from, part.to, part.s0_mm, middle_mm}, errors) &&
           keeps({part.from, part.to, middle_mm, part.s1_mm}, errors);
  }

  /// The chords from `first` up to `last` in their order.
  bool group_keeps(const HuntSweep& sweep, std::size_t first, std::size_t last, const ErrorBounds& errors) {
    const auto& corners = sweep.corners;
    if (last - first == 1)
      return keeps({corners[chords_[first]], corners[chords_[first] + 1], cell_.from_mm, cell_.to_mm},
                   errors);
    if (!may_look()) return false;
    Eigen::AlignedBox2d box;
    for (std::size_t i = first; i < last; ++i)
      box.extend(corners[chords_[i]].u_free).extend(corners[chords_[i] + 1].u_free);
    // About a bend of the track, for which the cell's levers hold.
    const State* about = nullptr;
    for (std::size_t i = first; i < last; ++i)
      for (const State* at : {&corners[chords_[i]], &corners[chords_[i] + 1]})
        if (about == nullptr ||
            (at->u_free - box.center()).squaredNorm() < (about->u_free - box.center()).squaredNorm())
          about = at;
    double off_per_mm = 0.0;
    for (std::size_t i = first; i < last; ++i)
      for (const State* at : {&corners[chords_[i]], &corners[chords_[i] + 1]})
        off_per_mm = std::max(off_per_mm, (at->u_free - about->u_free).norm());
    HuntSweep swept{sweep.lock, {}, off_per_mm * regions_of(place_.design, *about).back().flexible_mm};
    double across_mm = 0.0;
    if (clear({*about, *about, cell_.from_mm, cell_.to_mm}, errors.with(swept), across_mm)) return true;
    const Eigen::Index axis = box.sizes().x() >= box.sizes().y() ? 0 : 1;
    const std::size_t middle = (first + last) / 2;
    const auto at = [&](std::size_t i) { return chords_.begin() + static_cast<std::ptrdiff_t>(i); };
    std::nth_element(at(first), at(middle), at(last), [&](std::size_t a, std::size_t b) {
      return corners[a].u_free[axis] + corners[a + 1].u_free[axis] <
             corners[b].u_free[axis] + corners[b + 1].u_free[axis];
    });
    return group_keeps(sweep, first, middle, errors) && group_keeps(sweep, middle, last, errors);
  }

  /// Is it proved that the part keeps enough? `across_mm`: how far its points are apart along the motion.
  bool clear(const Part& part, const ErrorBounds& errors, double& across_mm) const {
    Reach reach(bound_, errors);
    const bool moves = !(part.from == part.to);
    for (const double s : {part.s0_mm, part.s1_mm}) {
      reach.add(bend_directions(place_.design, part.from, s));
      if (!moves) continue;
      reach.add(bend_directions(place_.design, part.to, s));
      const auto& corners = reach.corners();
      across_mm = std::max(
          across_mm, (corners[corners.size() - 1].point_E - corners[corners.size() - 2].point_E).norm());
    }
    CellCorners lost;
    if (part.s1_mm > 0.0) {
      lost.between = between_corners(place_.design, part.from, part.to, part.s1_mm - part.s0_mm);
      lost.bulge_mm = bulge_between(place_.design, part.from, part.to, part.s0_mm, part.s1_mm);
    }
    reach.lose(past_first_order(cell_, lost, errors) + kPartRounding_mm);
    const double top_mm = -reach.least(-Eigen::Vector3d::UnitZ());
    return top_mm <= 0.0 || clear_past_entry(reach, top_mm, errors.lumen_scale);
  }

  /// The same of what is past the entry plane, up to `top_mm`.
  bool clear_past_entry(const Reach& reach, double top_mm, double sigma) const {
    Eigen::AlignedBox3d box;
    for (Eigen::Index k = 0; k < 3; ++k) {
      box.min()[k] = reach.least(Eigen::Vector3d::Unit(k));
      box.max()[k] = k < 2 ? -reach.least(-Eigen::Vector3d::Unit(k)) : top_mm;
    }
    box.min().z() = std::clamp(box.min().z(), 0.0, top_mm);
    const Eigen::Vector3d middle = box.center();
    const double ball_mm = 0.5 * box.diagonal().norm() + kPartRounding_mm;
    // A point w at (1 + s) w is within x of the middle only if w is within this of it.
    const auto as_planned = [&](double x) { return (x + sigma * middle.norm()) / (1.0 - sigma); };
    if (place_.distance.passage_distance(middle) <= as_planned(ball_mm)) return false;
    const double needed_mm = as_planned(ball_mm + room_mm_);
    if (place_.distance.signed_lower(middle) >= needed_mm) return true;
    const Eigen::Vector3d highest = reach.point(-Eigen::Vector3d::UnitZ());
    if (place_.distance.signed_exact(highest) <= 0.0) return false;
    std::vector<std::pair<double, const WallTriangle*>> near;
    bound_.triangles_->near(middle, needed_mm, [&](const WallTriangle& triangle) {
      const double distance = (middle - nearest_on(triangle, middle)).norm();
      if (distance < needed_mm) near.emplace_back(distance, &triangle);
    });
    std::sort(near.begin(), near.end());
    double tilt_rad = 0.0;
    return std::all_of(near.begin(), near.end(), [&](const auto& found) {
      return keeps_from(*found.second, reach, highest, sigma, tilt_rad);
    });
  }

  /// Is the triangle proved to stay away? `start` a point of what is past the entry plane; `tilt_rad` is
  /// tried first, and left as it did.
  bool keeps_from(const WallTriangle& triangle, const Reach& reach, const Eigen::Vector3d& start,
                  double sigma, double& tilt_rad) const {
    Eigen::Vector3d x = start;
    for (int look = 0; look < kWaysToTriangle; ++look) {
      const Eigen::Vector3d way = x - nearest_on(triangle, x);
      const double length = way.norm();
      if (length < kNoLength) return false;
      const Eigen::Vector3d m = way / length;
      const auto tilted = [&](double tilt) {
        return Eigen::Vector3d(m - std::tan(tilt) * Eigen::Vector3d::UnitZ());
      };
      const double reached = reach_of(triangle, m, sigma);
      const auto room = [&](double tilt) {
        const Eigen::Vector3d n = tilted(tilt);
        return n.norm() * reach.least(n.normalized()) - reached;
      };
      if (room(tilt_rad) >= room_mm_) return true;
      tilt_rad = best_tilt(room);
      if (room(tilt_rad) >= room_mm_) return true;
      // Towards where errors may come to against that way.
      Eigen::Vector3d on = reach.point(tilted(tilt_rad).normalized());
      on.z() = std::max(0.0, on.z());
      on -= x;
      x += std::clamp(-way.dot(on) / std::max(on.squaredNorm(), kNoLength), 0.0, 1.0) * on;
    }
    return false;
  }

  /// Where the room is greatest, or enough.
  template <class Room>
  double best_tilt(const Room& room) const {
    constexpr double kGolden = 1.0 / std::numbers::phi;
    double low = 0.0;
    double high = kMostTilt_rad;
    double a = high - kGolden * (high - low);
    double b = low + kGolden * (high - low);
    double at_a = room(a);
    double at_b = room(b);
    for (int step = 0; step < kTiltSteps && std::max(at_a, at_b) < room_mm_; ++step) {
      if (at_a >= at_b) {
        high = b;
        b = a;
        at_b = at_a;
        a = high - kGolden * (high - low);
        at_a = room(a);
      } else {
        low = a;
        a = b;
        at_a = at_b;
        b = low + kGolden * (high - low);
        at_b = room(b);
      }
    }
    return at_a >= at_b ? a : b;
  }

  const DirectedBound& bound_;
  const CellPlace& place_;
  const MotionCell& cell_;
  double room_mm_;
  const Effort& effort_;
  int looks_ = 0;
  std::vector<std::size_t> chords_;
};

bool DirectedBound::keeps_in_parts(const CellPlace& place, const State& from, const State& to,
                                   const ErrorBounds& errors, double enough_mm, const Effort& effort) const {
  return place.design.carriage().kind == CarriageKind::free &&
         Parts(*this, place, enough_mm, effort).motion_keeps(from, to, errors);
}

bool DirectedBound::keeps_in_parts(const CellPlace& place, const HuntSweep& sweep, const ErrorBounds& errors,
                                   double enough_mm, const Effort& effort) const {
  return place.design.carriage().kind == CarriageKind::free &&
         Parts(*this, place, enough_mm, effort).sweep_keeps(sweep, errors);
}

double DirectedBound::farthest(const BendDirections& station, const BendLevers& levers,
                               const Eigen::Vector3d& target_E, const ErrorBounds& errors) const {
  const double spacing = std::numbers::pi / kParallels;
  double most = 0.0;
  for (int i = 0; i < kParallels; ++i)
    for (int j = 0; j < 2 * kParallels; ++j) {
      const double polar = (i + 0.5) * spacing;
      const double around = (j + 0.5) * spacing;
      const Eigen::Vector3d n(std::sin(polar) * std::cos(around), std::sin(polar) * std::sin(around),
                              std::cos(polar));
      // n . (v + z) at its most, z being no different from -z.
      const double support = 2.0 * n.dot(station.point_E) - along(n, station, errors) - n.dot(target_E) +
                             errors.lumen_scale * std::abs(n.dot(target_E));
      most = std::max(most, support);
    }
  // Half a step along a meridian and, at most, half a step along a parallel, at right angles everywhere.
  const double eta = spacing / std::numbers::sqrt2;
  return most / std::cos(eta) + second_order(levers, errors) +
         turned_further(errors, errors.bent(levers), station.point_E.norm(),
                        (station.point_E - centre_E_).norm());
}

}  // namespace withy
