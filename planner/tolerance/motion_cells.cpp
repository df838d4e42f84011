// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/motion_cells.h"

#include <algorithm>
#include <cmath>

#include "planner/effort/shares.h"
#include "planner/proof/lemmas/motion_acceleration.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// Cells are about this long along the motion (mm), kLeverStation_mm along the body.
constexpr double kPart_mm = 1.5;

MotionBounds bounds_between(const Design& design, const State& from, const State& to) {
  return motion_bounds(design, StateRange::of_motion(from, to));
}

/// Most that a point at station s moves from one end of a motion to the other, under these bounds.
double travel(const MotionBounds& bounds, const State& from, const State& to, double s) {
  return bounds.insertion_lever(s) * std::abs(to.insertion_mm - from.insertion_mm) +
         bounds.curvature_lever_mm2(s) * (to.u_free - from.u_free).norm();
}

}  // namespace

MotionCells::MotionCells(const Design& design, const ChannelDistance& distance, const PlannedMotion& motion,
                         const Eigen::Vector3d& channel_centre_E, double behind_mm)
    : design_(design), distance_(distance), motion_(motion), centre_E_(channel_centre_E) {
  const double length = design.length_mm();
  const double deepest = std::max(motion.from.insertion_mm, motion.to.insertion_mm);
  const double far = travel(bounds_between(design, motion.from, motion.to), motion.from, motion.to, length);
  parts_ = std::clamp(static_cast<int>(std::ceil(far / kPart_mm)), 1, shares::kToleranceParts);
  stations_ = body_stations(design, motion.from, std::min(0.0, length - deepest - behind_mm));
  auto first = corner_levers(0);
  for (int part = 0; part < parts_; ++part) {
    auto last = corner_levers(part + 1);
    add_part(part, first, last);
    first = std::move(last);
  }
}

std::vector<BendLevers> MotionCells::corner_levers(int part) const {
  return bend_levers(design_, state_at(part), stations_);
}

void MotionCells::add_part(int part, const std::vector<BendLevers>& first,
                           const std::vector<BendLevers>& last) {
  const State from = state_at(part);
  const State to = state_at(part + 1);
  const Shape middle(design_, interpolate(motion_.from, motion_.to, (part + 0.5) / parts_));
  const MotionBounds bounds = bounds_between(design_, from, to);
  const bool guided = design_.carriage().kind == CarriageKind::guide;
  std::vector<BendLevers> deepest;
  if (guided) {
    State deeper = from.insertion_mm > to.insertion_mm ? from : to;
    deeper.u_free = from.u_free.norm() > to.u_free.norm() ? from.u_free : to.u_free;
    deepest = bend_levers(design_, deeper, stations_);
  }
  for (std::size_t k = 0; k + 1 < stations_.size(); ++k) {
    const double s0 = stations_[k];
    const double s1 = stations_[k + 1];
    MotionCell cell;
    cell.part = part;
    cell.stretch = static_cast<int>(k);
    cell.from_mm = s0;
    cell.to_mm = s1;
    cell.radius_mm = design_.body_radius(0.5 * (s0 + s1));
    if (guided) {
      cell.levers = deepest[k + 1];
    } else if (s1 > 0.0) {
      cell.levers = first[k];
      cell.levers.cover(first[k + 1]).cover(last[k]).cover(last[k + 1]);
      cell.levers.add(between_corners(design_, from, to, s1 - s0));
    }
    const Eigen::Vector3d p = middle.point_E(0.5 * (s0 + s1));
    const double reach = 0.5 * (s1 - s0) + 0.5 * travel(bounds, from, to, s1);
    place_cell(cell, p, reach, distance_, centre_E_);
    cells_.push_back(cell);
  }
}

const CellCorners& MotionCells::corners(std::size_t index) {
  const auto [found, fresh] = corners_.try_emplace(index);
  CellCorners& out = found->second;
  if (!fresh) return out;
  const MotionCell& cell = cells_[index];
  const State from = state_at(cell.part);
  const State to = state_at(cell.part + 1);
  const double s0 = stations_[static_cast<std::size_t>(cell.stretch)];
  const double s1 = stations_[static_cast<std::size_t>(cell.stretch) + 1];
  out.at = {bend_directions(design_, from, s0), bend_directions(design_, from, s1),
            bend_directions(design_, to, s0), bend_directions(design_, to, s1)};
  for (const BendDirections& at : out.at) out.middle_E += 0.25 * at.point_E;
  out.middle_wall_mm = distance_.exact().distance(out.middle_E);
  if (s1 <= 0.0) return out;  // the shaft is straight
  out.between = between_corners(design_, from, to, s1 - s0);
  out.bulge_mm = bulge_between(design_, from, to, s0, s1);
  return out;
}

double bulge_between(const Design& design, const State& from, const State& to, double s0_mm, double s1_mm) {
  if (s1_mm <= 0.0) return 0.0;
  const double du_squared = (to.u_free - from.u_free).squaredNorm();
  const auto regions = regions_of(design, from);
  const double kappa = largest_curvature_between(regions, from, to);
  const double l = std::max(0.0, s1_mm - regions.back().from_mm);
  const double ds = s1_mm - s0_mm;
  return (kTangentAcceleration * du_squared * l * l * l / 3.0 + ds * ds * kappa) / 8.0;
}

void place_cell(MotionCell& cell, const Eigen::Vector3d& p, double reach_mm, const ChannelDistance& distance,
                const Eigen::Vector3d& channel_centre_E) {
  cell.from_entry_mm = p.norm() + reach_mm;
  cell.from_centre_mm = (p - channel_centre_E).norm() + reach_mm;
  cell.from_passage_mm = distance.passage_distance(p) - reach_mm;
  cell.height_mm = p.z() + reach_mm;
  cell.clearance_mm = distance.signed_lower(p) - cell.radius_mm - reach_mm;
}

double proved_clearance(const Design& design, const ChannelDistance& distance, const MotionCell& cell,
                        const State& from, const State& to) {
  BodyPlacement placement;
  placement.behind_mm = std::max(0.0, 2.0 * cell.from_entry_mm);  // the whole cell
  return MotionVerifier(design, distance, placement)
      .clearance(from, to, BodyStretch{cell.from_mm, cell.to_mm})
      .lower_mm;
}

void MotionCells::refine(std::size_t index) {
  MotionCell& cell = cells_[index];
  const double proved =
      proved_clearance(design_, distance_, cell, state_at(cell.part), state_at(cell.part + 1));
  cell.clearance_mm = std::max(cell.clearance_mm, proved);
  cell.refined = true;
}

const MotionCell& MotionCells::swept(std::size_t index, const Effort& effort) {
  const auto [found, fresh] = along_track_.try_emplace(index);
  if (!fresh) return found->second;
  if (!swept_) swept_.emplace(design_, distance_, *motion_.sweep, centre_E_, stations_);
  return found->second = swept_->along_track(cells_[index], effort);
}

}  // namespace withy
