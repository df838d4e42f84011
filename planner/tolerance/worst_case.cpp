// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/worst_case.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

#include "planner/motion/motion_bounds.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

// Clearance is verified with so much of the space before the entry plane counted in; a displacement between
// two of these takes the greater, which only lowers the bound. Past the last nothing is said.
constexpr std::array kBehind_mm = {0.0, 0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0};

// Samples that measure how far a motion's body reaches; what may lie between them is added.
constexpr int kReachFractions = 32;
constexpr double kReachStation_mm = 1.0;

/// How far an error of one region's bend moves the tip at most, per rad, at the motion's deepest insertion.
double lever_of(const Design& design, const Region& region, double exposed_from_mm) {
  if (region.flexible_mm < kNoLength_mm) return 0.0;
  return design.length_mm() - std::max(region.from_mm, exposed_from_mm) - 0.5 * region.flexible_mm;
}

}  // namespace

WorstCase::WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                     const State& reached, const Eigen::Vector3d& channel_centre_E)
    : problem_(problem),
      motions_(motions),
      reached_(reached),
      centre_E_(channel_centre_E),
      bend_per_offset_(bend_per_offset(problem.design)) {
  for (const PlannedMotion& motion : motions) levers_.push_back(levers(motion.from, motion.to));
  tip_levers_ = levers(reached, reached);
  const Eigen::Vector3d tip = Shape(problem.design, reached).tip_E().translation();
  tip_levers_.from_entry_mm = tip.norm();
  tip_levers_.from_centre_mm = (tip - channel_centre_E).norm();
}

WorstCase::Levers WorstCase::levers(const State& from, const State& to) const {
  const Design& design = problem_.design;
  const State& deepest = from.insertion_mm > to.insertion_mm ? from : to;
  const double exposed = first_exposed_station(design, deepest.insertion_mm);
  const auto regions = regions_of(design, deepest);
  const bool tendons = design.tendons().has_value();
  Levers out;
  Eigen::Vector2d frozen = Eigen::Vector2d::Zero();
  for (std::size_t i = 0; i + 1 < regions.size(); ++i) {
    const bool free_behind = i + 2 == regions.size();
    out.backlash_mm += lever_of(design, regions[i], exposed);
    if (!free_behind || tendons) out.backlash_mm += lever_of(design, regions[i + 1], exposed);
    frozen += regions[i].theta;
  }
  // From a guide the regions come out one after the other, so their bends need not add up as they do in the
  // end.
  double bent = frozen.norm();
  if (design.carriage().kind == CarriageKind::guide) {
    bent = 0.0;
    for (std::size_t i = 0; i + 1 < regions.size(); ++i) bent += regions[i].theta.norm();
  }
  if (tendons) {
    out.free_mm = lever_of(design, regions.back(), exposed);
    out.total_bend_rad = bent + std::max(from.u_free.norm(), to.u_free.norm()) * regions.back().flexible_mm;
  }
  measure_reach(from, to, out);
  return out;
}

void WorstCase::measure_reach(const State& from, const State& to, Levers& out) const {
  const Design& design = problem_.design;
  const double length = design.length_mm();
  const double deepest = std::max(from.insertion_mm, to.insertion_mm);
  const MotionBounds bounds = motion_bounds(design, from, std::min(from.insertion_mm, to.insertion_mm),
                                            deepest, std::max(from.u_free.norm(), to.u_free.norm()));
  const double between = 0.5 * kReachStation_mm +
                         0.5 / kReachFractions *
                             (bounds.insertion_lever(length) * std::abs(to.insertion_mm - from.insertion_mm) +
                              bounds.curvature_lever_mm2(length) * (to.u_free - from.u_free).norm());
  out.from_outlet_mm = kInfinity;
  for (int i = 0; i <= kReachFractions; ++i) {
    const Shape shape(design, interpolate(from, to, static_cast<double>(i) / kReachFractions));
    for (double s = length; s > length - deepest - kBehind_mm.back() - kReachStation_mm;
         s -= kReachStation_mm) {
      const Eigen::Vector3d p = shape.point_E(s);
      if (p.z() < -kBehind_mm.back() - between) continue;
      out.from_entry_mm = std::max(out.from_entry_mm, p.norm() + between);
      out.from_centre_mm = std::max(out.from_centre_mm, (p - centre_E_).norm() + between);
      out.from_outlet_mm = std::min(out.from_outlet_mm, problem_.distance->outlet_distance(p) - between);
    }
  }
}

double WorstCase::displacement(const Levers& levers, const ErrorSizes& sizes) const {
  const auto& latch = problem_.design.latch();
  const double backlash_rad = latch ? sizes[ErrorKind::backlash] / latch->backbone_radius_mm : 0.0;
  const double bends =
      backlash_rad * levers.backlash_mm + (sizes[ErrorKind::pull_gain] * levers.total_bend_rad +
                                           sizes[ErrorKind::pull_offset] * bend_per_offset_) *
                                              levers.free_mm;
  const double entry = bends + sizes[ErrorKind::entry_position] +
                       sizes[ErrorKind::entry_angle] * (levers.from_entry_mm + bends);
  const double shift = sizes[ErrorKind::registration_position];
  return entry + shift + sizes[ErrorKind::registration_angle] * (levers.from_centre_mm + entry + shift);
}

double WorstCase::clearance(std::size_t motion, double behind_mm) const {
  const auto [found, fresh] = clearance_.try_emplace({motion, behind_mm}, 0.0);
  if (fresh) {
    BodyPlacement placement;
    placement.behind_mm = behind_mm;
    found->second = MotionVerifier(problem_.design, *problem_.distance, placement)
                        .clearance(motions_[motion].from, motions_[motion].to)
                        .lower_mm;
  }
  return found->second;
}

double WorstCase::kept(std::size_t motion, const ErrorSizes& sizes) const {
  const Levers& levers = levers_[motion];
  const double moved = displacement(levers, sizes);
  const double scale = sizes[ErrorKind::lumen_scale];
  if (levers.from_outlet_mm <= (moved + scale * levers.from_entry_mm) / (1.0 - scale)) return -kInfinity;
  const auto* const behind = std::lower_bound(kBehind_mm.begin(), kBehind_mm.end(), moved);
  if (behind == kBehind_mm.end()) return -kInfinity;
  return (1.0 - scale) * clearance(motion, *behind) - moved -
         scale * (problem_.design.largest_radius() + levers.from_entry_mm);
}

double WorstCase::clearance_kept(const ErrorSizes& sizes) const {
  double least = kInfinity;
  for (std::size_t i = 0; i < motions_.size(); ++i) least = std::min(least, kept(i, sizes));
  return least;
}

double WorstCase::tip_error(const ErrorSizes& sizes) const {
  const Goal& goal = problem_.goal;
  return goal.distance(Shape(problem_.design, reached_).tip_E()) + displacement(tip_levers_, sizes) +
         sizes[ErrorKind::lumen_scale] * goal.point_E.norm();
}

bool WorstCase::stands(const ErrorSizes& sizes, Standing what) const {
  return what == Standing::off_the_wall ? clearance_kept(sizes) >= 0.0
                                        : tip_error(sizes) <= problem_.goal.tolerance_mm;
}

double WorstCase::largest_sought(ErrorKind kind) {
  switch (kind) {
    case ErrorKind::entry_angle:
    case ErrorKind::registration_angle:
      return 0.25 * std::numbers::pi;
    case ErrorKind::pull_gain:
    case ErrorKind::lumen_scale:
      return 0.5;
    default:
      return kBehind_mm.back();
  }
}

double WorstCase::largest(ErrorKind kind, Standing what) const {
  ErrorSizes sizes;
  double low = 0.0;
  double high = largest_sought(kind);
  const auto stood = [&](double size) {
    sizes[kind] = size;
    return stands(sizes, what);
  };
  if (!stood(0.0)) return 0.0;
  if (stood(high)) return high;
  constexpr int kHalvings = 40;  // to the last digits that anybody prints
  for (int i = 0; i < kHalvings; ++i) {
    const double middle = 0.5 * (low + high);
    (stood(middle) ? low : high) = middle;
  }
  return low;
}

}  // namespace withy
