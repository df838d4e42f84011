// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/worst_case.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <memory>
#include <numbers>
#include <queue>
#include <utility>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// The space before the entry plane that is looked at for what errors may bring past it. Past that nothing is
// said.
constexpr double kBehind_mm = 8.0;
constexpr double kRounding_mm = 1e-9;
// What is kept by a cell that is looked at in parts is told up to so much, and so closely.
constexpr double kMostInParts_mm = 8.0;
constexpr double kInPartsWithin_mm = 0.01;

}  // namespace

WorstCase::WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                     const State& reached, const Eigen::Vector3d& channel_centre_E, const Effort& effort)
    : WorstCase(problem, motions, reached, channel_centre_E,
                std::make_shared<const WallTriangles>(problem.distance->exact().channel()), effort) {}

WorstCase::WorstCase(const SearchProblem& problem, const std::vector<PlannedMotion>& motions,
                     const State& reached, const Eigen::Vector3d& channel_centre_E,
                     std::shared_ptr<const WallTriangles> triangles, const Effort& effort)
    : problem_(problem),
      effort_(effort),
      reached_(reached),
      centre_E_(channel_centre_E),
      bend_per_offset_(bend_per_offset(problem.design)),
      bend_per_pull_(bend_from_pulls(problem.design)),
      tip_(bend_levers(problem.design, reached, body_stations(problem.design, reached, 0.0)).back()),
      tip_directions_(bend_directions(problem.design, reached, problem.design.length_mm())),
      directed_(std::move(triangles), bend_per_pull_, channel_centre_E) {
  for (const PlannedMotion& motion : motions) {
    if (effort_.cut_short()) break;
    motions_.emplace_back(problem.design, *problem.distance, motion, channel_centre_E, kBehind_mm);
  }
}

ErrorBounds WorstCase::bounds(const ErrorSizes& sizes) const {
  ErrorBounds out;
  out.backlash_rad = most_lock_bend(problem_.design, sizes);
  out.pull_gain = sizes[ErrorKind::pull_gain];
  out.offset_mm = sizes[ErrorKind::pull_offset];
  out.offset_rad = sizes[ErrorKind::pull_offset] * bend_per_offset_;
  out.entry_mm = sizes[ErrorKind::entry_position];
  out.entry_rad = sizes[ErrorKind::entry_angle];
  out.registration_mm = sizes[ErrorKind::registration_position];
  out.registration_rad = sizes[ErrorKind::registration_angle];
  out.lumen_scale = sizes[ErrorKind::lumen_scale];
  out.take_chords();
  return out;
}

/// The sizes of one bench's own errors.
ErrorBounds WorstCase::bounds_of(const ErrorDraw& errors) const {
  ErrorBounds out;
  for (const Eigen::Vector2d& bend : errors.bend_at_lock)
    out.backlash_rad = std::max(out.backlash_rad, bend.norm());
  out.pull_gain = std::abs(errors.pull_gain);
  if (bend_per_pull_.cols() > 0) {
    out.offset_mm = errors.pull_offset_mm.cwiseAbs().maxCoeff();
    out.offset_rad = (bend_per_pull_ * errors.pull_offset_mm).norm();
  }
  out.entry_mm = errors.entry_position_mm.norm();
  out.entry_rad = errors.entry_turn.norm();
  out.registration_mm = errors.registration_position_mm.norm();
  out.registration_rad = errors.registration_turn.norm();
  out.lumen_scale = std::abs(errors.lumen_scale);
  out.take_chords();
  return out;
}

/// The clearance that a cell keeps, as far as it is known without directions; infinite when none of it gets
/// past the entry plane.
double WorstCase::kept_in(const MotionCell& cell, const ErrorBounds& errors) const {
  const double off = errors.moved(cell.levers, cell.from_entry_mm, cell.from_centre_mm) + kRounding_mm;
  if (cell.height_mm + off <= 0.0) return kInfinity;
  if (may_reach_passage(cell, errors, off)) return -kInfinity;
  const double scale = errors.lumen_scale;
  return (1.0 - scale) * cell.clearance_mm - off - scale * (cell.radius_mm + cell.from_entry_mm);  // (2)
}

/// `off_mm`: how far its points may be off.
bool WorstCase::may_reach_passage(const MotionCell& cell, const ErrorBounds& errors, double off_mm) const {
  return cell.from_passage_mm <=
         (off_mm + errors.lumen_scale * cell.from_entry_mm) / (1.0 - errors.lumen_scale);
}

/// Under errors of these bounds what a cell of a sweep is held to: the sweep is one more of them.
ErrorBounds WorstCase::bounds_in(const MotionCells& motion, const ErrorBounds& errors) {
  return motion.motion().sweep ? errors.with(*motion.motion().sweep) : errors;
}

/// The same after the closest look there is, or something no less than `enough_mm`.
double WorstCase::looked_at(MotionCells& motion, std::size_t index, const ErrorBounds& errors,
                            double enough_mm) {
  const double kept = looked_at_cell(motion, index, bounds_in(motion, errors), enough_mm);
  if (!motion.motion().sweep || kept >= enough_mm) return kept;
  return std::max(kept, kept_in(motion.swept(index, effort_), errors));
}

/// The same after a look at it in parts, where nothing else keeps it off the wall.
double WorstCase::looked_at_in_parts(MotionCells& motion, std::size_t index, const ErrorBounds& errors,
                                     double enough_mm) {
  const double kept = looked_at(motion, index, errors, enough_mm);
  if (kept >= std::min(enough_mm, 0.0)) return kept;
  enough_mm = std::max(enough_mm, 0.0);  // below that nothing is told
  const auto keeps = [&](double clearance_mm) {
    const auto& sweep = motion.motion().sweep;
    const MotionCell& cell = sweep ? motion.swept(index, effort_) : motion.cells()[index];
    const CellPlace place{problem_.design, *problem_.distance, cell};
    return sweep ? directed_.keeps_in_parts(place, *sweep, errors, clearance_mm, effort_)
                 : directed_.keeps_in_parts(place, motion.first_state(index), motion.last_state(index),
                                            errors, clearance_mm, effort_);
  };
  if (enough_mm <= kMostInParts_mm) return keeps(enough_mm) ? enough_mm : kept;
  double low = 0.0;
  if (!keeps(low)) return kept;
  double high = kMostInParts_mm;
  while (high - low > kInPartsWithin_mm) {
    const double middle = 0.5 * (low + high);
    (keeps(middle) ? low : high) = middle;
  }
  return low;
}

double WorstCase::looked_at_cell(MotionCells& motion, std::size_t index, const ErrorBounds& errors,
                                 double enough_mm) {
  const MotionCell& cell = motion.cells()[index];
  const double off = errors.moved(cell.levers, cell.from_entry_mm, cell.from_centre_mm) + kRounding_mm;
  if (may_reach_passage(cell, errors, off)) return -kInfinity;
  if (!cell.refined) motion.refine(index);
  const double undirected = kept_in(cell, errors);
  if (undirected >= enough_mm || problem_.design.carriage().kind == CarriageKind::guide) return undirected;
  const auto found = directed_.kept(cell, motion.corners(index), errors, enough_mm + 2.0 * kRounding_mm);
  return found ? std::max(*found - kRounding_mm, undirected) : undirected;
}

/// The least over all cells, or something no less than `enough_mm`.
double WorstCase::kept(MotionCells& motion, const ErrorBounds& errors, double enough_mm) {
  struct KeptIn {
    double least_mm;
    std::size_t cell;
    bool looked_at;
    bool operator<(const KeptIn& other) const { return least_mm > other.least_mm; }
  };
  const ErrorBounds own = bounds_in(motion, errors);
  std::vector<KeptIn> entries;
  for (std::size_t i = 0; i < motion.cells().size(); ++i) {
    const double least = kept_in(motion.cells()[i], own);
    if (least < kInfinity) entries.push_back({least, i, false});
  }
  std::priority_queue<KeptIn> queue(std::less<KeptIn>(), std::move(entries));
  while (!queue.empty()) {
    if (effort_.cut_short()) return -kInfinity;
    KeptIn top = queue.top();
    if (top.looked_at || top.least_mm >= enough_mm) return top.least_mm;
    queue.pop();
    top.least_mm = looked_at_in_parts(motion, top.cell, errors, enough_mm);
    top.looked_at = true;
    enough_mm = std::min(enough_mm, top.least_mm);
    queue.push(top);
  }
  return kInfinity;
}

bool WorstCase::shaft_stays_behind(const ErrorBounds& errors) const {
  const Eigen::Vector3d first(0.0, 0.0, -kBehind_mm);
  return chord(errors.entry_rad) + chord(errors.registration_rad) <= 1.0 &&
         errors.moved({}, kBehind_mm, (first - centre_E_).norm()) + kRounding_mm <= kBehind_mm;
}

double WorstCase::clearance_kept(const ErrorSizes& sizes) {
  const ErrorBounds errors = bounds(sizes);
  if (effort_.cut_short()) return -kInfinity;
  if (!motions_.empty() && !shaft_stays_behind(errors)) return -kInfinity;
  double least = kInfinity;
  for (MotionCells& motion : motions_) least = std::min(least, kept(motion, errors, least));
  return least;
}

bool WorstCase::keeps_off_the_wall(const ErrorSizes& sizes) {
  const ErrorBounds errors = bounds(sizes);
  if (!motions_.empty() && !shaft_stays_behind(errors)) return false;
  for (MotionCells& motion : motions_) {
    const ErrorBounds own = bounds_in(motion, errors);
    for (std::size_t i = 0; i < motion.cells().size(); ++i)
      if (kept_in(motion.cells()[i], own) < 0.0 &&
          (effort_.cut_short() || looked_at_in_parts(motion, i, errors, 0.0) < 0.0))
        return false;
  }
  return true;
}

std::vector<DoubtfulMotion> WorstCase::doubtful(const ErrorSizes& sizes) {
  const ErrorBounds errors = bounds(sizes);
  std::vector<DoubtfulMotion> out;
  const bool shaft = !motions_.empty() && !shaft_stays_behind(errors);
  for (std::size_t m = 0; m < motions_.size(); ++m) {
    MotionCells& cells = motions_[m];
    const ErrorBounds own = bounds_in(cells, errors);
    DoubtfulMotion motion{m, cells.parts(), {}};
    for (std::size_t i = 0; i < cells.cells().size(); ++i)
      if (shaft || (kept_in(cells.cells()[i], own) < 0.0 &&
                    (effort_.cut_short() || looked_at(cells, i, errors, 0.0) < 0.0)))
        motion.cells.push_back(cells.motion().sweep ? cells.swept(i, effort_) : cells.cells()[i]);
    if (!motion.cells.empty()) out.push_back(std::move(motion));
  }
  return out;
}

std::optional<std::vector<const MotionCell*>> WorstCase::doubtful_on(const DoubtfulMotion& motion,
                                                                     const ErrorDraw& errors) const {
  const ErrorBounds own = bounds_of(errors);
  if (!shaft_stays_behind(own)) return std::nullopt;
  std::vector<const MotionCell*> out;
  for (const MotionCell& cell : motion.cells)
    if (kept_in(cell, own) < 0.0) out.push_back(&cell);
  return out;
}

double WorstCase::direction_error(const ErrorSizes& sizes) const {
  if (!problem_.goal.direction_E) return 0.0;
  const ErrorBounds errors = bounds(sizes);
  // Every frozen region turns by at most what its two ends do, the free one by what is left to it.
  const auto frozen = static_cast<double>(reached_.theta_frozen.size());
  const double bent =
      2.0 * frozen * errors.backlash_rad + errors.pull_gain * tip_.total_bend_rad + errors.offset_rad;
  return problem_.goal.direction_error(Shape(problem_.design, reached_).tip_E()) + bent + errors.entry_rad +
         errors.registration_rad + kRounding_mm;
}

double WorstCase::tip_error(const ErrorSizes& sizes) const {
  const Eigen::Vector3d& target = problem_.goal.point_E;
  const Eigen::Isometry3d tip_E = Shape(problem_.design, reached_).tip_E();
  const ErrorBounds errors = bounds(sizes);
  const double moved =
      errors.moved(tip_, tip_E.translation().norm(), (tip_E.translation() - centre_E_).norm());
  if (moved <= 0.0 && errors.lumen_scale <= 0.0) return problem_.goal.distance(tip_E);
  const double undirected =
      problem_.goal.distance(tip_E) + moved + errors.lumen_scale * target.norm() + kRounding_mm;
  if (problem_.design.carriage().kind == CarriageKind::guide) return undirected;
  const double directed = directed_.farthest(tip_directions_, tip_, target, errors) + kRounding_mm;
  return std::min(directed, undirected);
}

bool WorstCase::stands(const ErrorSizes& sizes, StandsFor what) {
  if (effort_.cut_short()) return false;
  return what == StandsFor::off_the_wall ? keeps_off_the_wall(sizes)
                                         : tip_error(sizes) <= problem_.goal.tolerance_mm;
}

double WorstCase::largest_sought(ErrorKind kind) {
  switch (kind) {
    case ErrorKind::entry_angle:
    case ErrorKind::registration_angle:
      return 0.25 * std::numbers::pi;
    case ErrorKind::pull_gain:
    case ErrorKind::lumen_scale:
    case ErrorKind::coil_gain:
    case ErrorKind::magnet_strength:
      return 0.5;
    default:
      return kBehind_mm;
  }
}

double WorstCase::largest(ErrorKind kind, StandsFor what) {
  ErrorSizes sizes;
  double low = 0.0;
  double high = largest_sought(kind);
  const auto stood = [&](double size) {
    sizes[kind] = size;
    return stands(sizes, what);
  };
  if (!stood(0.0)) return 0.0;
  if (stood(high)) return high;
  // To the last digits that anybody prints; before the wall, where the closest look is dear, to a few
  // thousandths of the answer.
  constexpr int kHalvings = 40;
  constexpr double kShareAtTheWall = 2e-3;
  const double share = what == StandsFor::off_the_wall ? kShareAtTheWall : 0.0;
  for (int i = 0; i < kHalvings && high - low > share * high; ++i) {
    const double middle = 0.5 * (low + high);
    (stood(middle) ? low : high) = middle;
  }
  return low;
}

}  // namespace withy
