// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/cell_body_exact.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/moved_distance.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

constexpr double kExactSpacing_mm = 1.0;
// A point placed by arcs along a body of up to 1e3 mm is right to this: some dozens of products of rotations
// and sums, each wrong by 2^-53 of that.
constexpr double kPointRounding_mm = 1e-10;
constexpr double kShaftStep_mm = 0.25;
// The shaft is laid out until it is so far outside the lumen (mm): a carriage may be longer than any channel.
constexpr double kExactFarOutside_mm = 20.0;

/// Where the body most likely collides.
struct Suspect {
  MovedPoint at;
  double need;
  double margin;
};

}  // namespace

CellBodyExact::CellBodyExact(const WallQuestion& asked) : asked_(asked) {
  lay_stations();
  lay_shaft();
}

void CellBodyExact::lay_stations() {
  const Design& design = asked_.design;
  const double kappa = design.segment().curvature_max_per_mm;
  std::vector<double> cuts = {0.0, design.length_mm()};
  for (const RigidSpan& span : design.rigid_spans())
    for (const double s : {span.from_mm, span.to_mm}) cuts.push_back(s);
  std::sort(cuts.begin(), cuts.end());
  const auto add = [&](double s, double gap, double radius) {
    const double reach = radius + asked_.required_clearance_mm;
    const double free = std::hypot(reach + kappa * gap * gap / 8.0, 0.5 * gap);
    if (!stations_.empty() &&
        stations_.back().s_mm == s) {  // where the radius changes the thicker body counts
      stations_.back().need_free = std::max(stations_.back().need_free, free);
      stations_.back().need_blocked = std::max(stations_.back().need_blocked, reach);
    } else {
      stations_.push_back({s, free, reach});
    }
  };
  for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
    const double span = cuts[i + 1] - cuts[i];
    if (span <= 0.0) continue;
    const int parts = static_cast<int>(std::ceil(span / kExactSpacing_mm));
    const double radius = design.body_radius(0.5 * (cuts[i] + cuts[i + 1]));
    for (int k = 0; k <= parts; ++k)
      add(k == parts ? cuts[i + 1] : cuts[i] + span * k / parts, span / parts, radius);
  }
}

/// The shaft only ever stands on the axis: the least distance to a depth answers for it.
void CellBodyExact::lay_shaft() {
  const double depth = asked_.design.carriage().insertion_max_mm - asked_.design.length_mm();
  const WallDistance& wall = asked_.distance.exact();
  double least = kInfinity;
  for (double z = 0.0; depth > 0.0 && z <= depth + kShaftStep_mm; z += kShaftStep_mm) {
    const Eigen::Vector3d p(0.0, 0.0, z);
    least = std::min(least, wall.signed_distance(p));
    shaft_free_.push_back(least);
    // What is half a step from here may be past a passage.
    if (!OneSide::of(asked_.distance, {p, 0.5 * kShaftStep_mm}))
      shaft_known_to_mm_ = std::min(shaft_known_to_mm_, z - 0.5 * kShaftStep_mm);
    if (least <= -kExactFarOutside_mm) break;
  }
}

double CellBodyExact::margin(const State& state) const {
  const Shape shape(asked_.design, state);
  double least = kInfinity;
  for (const Station& station : stations_)
    if (const Eigen::Vector3d p = shape.point_E(station.s_mm); p.z() > 0.0)
      least = std::min(least, asked_.distance.signed_lower(p) - asked_.design.body_radius(station.s_mm));
  return least;
}

CellStatus CellBodyExact::check_shaft(const Box& box) const {
  const double length = asked_.design.length_mm();
  const double need = asked_.design.segment().radius_mm + asked_.required_clearance_mm;
  const auto least_to = [&](double z) {
    return shaft_free_[std::min(shaft_free_.size() - 1,
                                static_cast<std::size_t>(std::ceil(z / kShaftStep_mm)))];
  };
  // Samples a step apart on the axis: the gap between two loses at most a^2/4 of the square (verify.h).
  const double need_free = std::hypot(need, 0.5 * kShaftStep_mm);
  if (box.low[0] > length) {
    const auto whole_steps = static_cast<std::size_t>((box.low[0] - length) / kShaftStep_mm);
    if (shaft_free_[std::min(shaft_free_.size() - 1, whole_steps)] < need) return CellStatus::blocked;
  }
  const double farthest = box.high[0] - length;
  if (farthest > 0.0 && (least_to(farthest) < need_free || farthest > shaft_known_to_mm_))
    return CellStatus::mixed;
  return CellStatus::free;
}

CellStatus CellBodyExact::check(const CellReach& reach, const Box& box, const State& centre) const {
  const Design& design = asked_.design;
  const ChannelDistance& distance = asked_.distance;
  const CellStatus shaft = check_shaft(box);
  if (shaft == CellStatus::blocked) return shaft;
  const Shape shape(design, centre);
  bool all_free = shaft == CellStatus::free;
  MovedPoint distal{shape.tip_E().translation(), reach.at(design.length_mm()) + kPointRounding_mm};
  std::optional<Suspect> deepest;
  // From the tip back: what is deepest inside is likeliest to touch.
  for (std::size_t i = stations_.size(); i-- > 0;) {
    const Station& station = stations_[i];
    if (box.high[0] - design.length_mm() + station.s_mm + kExactSpacing_mm <= 0.0) break;
    const MovedPoint at{shape.point_E(station.s_mm), reach.at(station.s_mm) + kPointRounding_mm};
    const MovedPoint next = std::exchange(distal, at);
    const MovedPoint and_chord{at.centre_E, at.reach_mm + kExactSpacing_mm};
    if (!and_chord.may_be_past_entry()) continue;
    double lower = distance.signed_lower(at.centre_E) - kDistanceRounding_mm;
    const double sideways = (at.centre_E - next.centre_E).head<2>().norm();
    if (!at.surely_past_entry())
      lower -= std::min(at.reach_mm - at.centre_E.z(), sideways + at.reach_mm + next.reach_mm);
    if (lower - at.reach_mm < station.need_free || !OneSide::of(distance, and_chord)) all_free = false;
    const double margin = lower + at.reach_mm - station.need_blocked;
    if (at.surely_past_entry() && margin < (deepest ? deepest->margin : 0.0))
      deepest = Suspect{at, station.need_blocked, margin};
  }
  if (all_free) return CellStatus::free;
  if (deepest && upper_over(distance, deepest->at).value < deepest->need) return CellStatus::blocked;
  return CellStatus::mixed;
}

}  // namespace withy
