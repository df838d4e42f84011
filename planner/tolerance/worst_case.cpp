// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/worst_case.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numbers>
#include <queue>
#include <utility>

#include "planner/segment/shape.h"

namespace withy {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

// The space before the entry plane that is looked at for what errors may bring past it. Past that nothing is
// said.
constexpr double kBehind_mm = 8.0;
constexpr double kRounding_mm = 1e-9;

/// h: most that a rotation by this angle (rad) moves a point at distance 1.
double chord(double angle) {
  return 2.0 * std::sin(0.5 * std::min(angle, std::numbers::pi));
}

}  // namespace

WorstCase::WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                     const State& reached, const Eigen::Vector3d& channel_centre_E)
    : problem_(problem),
      reached_(reached),
      centre_E_(channel_centre_E),
      bend_per_offset_(bend_per_offset(problem.design)),
      tip_(bend_levers(problem.design, reached, body_stations(problem.design, reached, 0.0)).back()) {
  for (const PlannedMotion& motion : motions)
    motions_.emplace_back(problem.design, *problem.distance, motion, channel_centre_E, kBehind_mm);
}

double WorstCase::moved(const BendLevers& levers, double from_entry_mm, double from_centre_mm,
                        const ErrorSizes& sizes) const {
  const auto& latch = problem_.design.latch();
  const double backlash_rad = latch ? sizes[ErrorKind::backlash] / latch->backbone_radius_mm : 0.0;
  return levers.displacement(backlash_rad, sizes[ErrorKind::pull_gain],
                             sizes[ErrorKind::pull_offset] * bend_per_offset_) +
         sizes[ErrorKind::entry_position] + chord(sizes[ErrorKind::entry_angle]) * from_entry_mm +
         sizes[ErrorKind::registration_position] +
         chord(sizes[ErrorKind::registration_angle]) * from_centre_mm;
}

/// The clearance that a cell keeps, as far as it is known; infinite when none of it gets past the entry
/// plane.
double WorstCase::kept_in(const MotionCell& cell, const ErrorSizes& sizes) const {
  const double off = moved(cell.levers, cell.from_entry_mm, cell.from_centre_mm, sizes) + kRounding_mm;
  if (cell.height_mm + off <= 0.0) return kInfinity;
  const double scale = sizes[ErrorKind::lumen_scale];
  if (cell.from_outlet_mm <= (off + scale * cell.from_entry_mm) / (1.0 - scale)) return -kInfinity;
  return (1.0 - scale) * cell.clearance_mm - off - scale * (cell.radius_mm + cell.from_entry_mm);
}

/// The least of all cells' once the cell it is of has been looked at closely, or something no less than
/// `enough_mm`.
double WorstCase::kept(MotionCells& motion, const ErrorSizes& sizes, double enough_mm) const {
  using KeptIn = std::pair<double, std::size_t>;
  std::vector<KeptIn> entries;
  for (std::size_t i = 0; i < motion.cells().size(); ++i) {
    const double value = kept_in(motion.cells()[i], sizes);
    if (value < kInfinity) entries.emplace_back(value, i);
  }
  std::priority_queue<KeptIn, std::vector<KeptIn>, std::greater<>> queue(std::greater<>(),
                                                                         std::move(entries));
  while (!queue.empty()) {
    const auto [value, i] = queue.top();
    if (value >= enough_mm || motion.cells()[i].refined) return value;
    queue.pop();
    motion.refine(i);
    queue.emplace(kept_in(motion.cells()[i], sizes), i);
  }
  return kInfinity;
}

bool WorstCase::shaft_stays_behind(const ErrorSizes& sizes) const {
  const Eigen::Vector3d first(0.0, 0.0, -kBehind_mm);
  return chord(sizes[ErrorKind::entry_angle]) + chord(sizes[ErrorKind::registration_angle]) <= 1.0 &&
         moved({}, kBehind_mm, (first - centre_E_).norm(), sizes) + kRounding_mm <= kBehind_mm;
}

double WorstCase::kept(const ErrorSizes& sizes, double enough_mm) const {
  if (!motions_.empty() && !shaft_stays_behind(sizes)) return -kInfinity;
  double least = kInfinity;
  for (MotionCells& motion : motions_)
    least = std::min(least, kept(motion, sizes, std::min(least, enough_mm)));
  return least;
}

double WorstCase::clearance_kept(const ErrorSizes& sizes) const {
  return kept(sizes, kInfinity);
}

double WorstCase::tip_error(const ErrorSizes& sizes) const {
  const Goal& goal = problem_.goal;
  const Eigen::Isometry3d tip_E = Shape(problem_.design, reached_).tip_E();
  return goal.distance(tip_E) +
         moved(tip_, tip_E.translation().norm(), (tip_E.translation() - centre_E_).norm(), sizes) +
         sizes[ErrorKind::lumen_scale] * goal.point_E.norm() + kRounding_mm;
}

bool WorstCase::stands(const ErrorSizes& sizes, Standing what) const {
  return what == Standing::off_the_wall ? kept(sizes, 0.0) >= 0.0
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
      return kBehind_mm;
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
