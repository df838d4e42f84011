// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_body.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "geometry/distance/rounding.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

// Spacing of the body's stations, and from which motion of the tip on it will do: what is lost between
// stations a apart is about a^2 / 8 R, and that should be a small part of what the cell's size loses.
struct Spacing {
  double spacing_mm;
  double from_slack_mm;
};
constexpr Spacing kSpacings[] = {{2.0, 2.0}, {1.0, 0.4}, {0.4, 0.0}};

// A sliding body is looked at where it moves aside by no more than this part of what its tip moves.
constexpr double kWorthSliding = 0.7;

// A difference of two radii in single precision, rounded thrice.
constexpr float kRadiusRounding = 1.0F + 4.0F * static_cast<float>(kFloatUnit);

// How many places where the body gets thicker are asked for their room.
constexpr int kThickenings = 3;

// The same for exact distances, which cost too much for more than one spacing.
constexpr double kExactSpacing_mm = 1.0;
constexpr double kShaftStep_mm = 0.25;
// The shaft is laid out until it is so far outside the lumen (mm): a carriage may be longer than any channel.
constexpr double kFarOutside_mm = 20.0;

/// Can the body be placed there? A frozen bend none of whose region is out can't.
bool can_be_placed(const Design& design, const State& state) {
  if (design.carriage().kind == CarriageKind::free) return true;
  const auto regions = regions_of(design, state);
  return std::all_of(regions.begin(), regions.end(), [](const Region& r) { return r.u.allFinite(); });
}

/// What a station of this radius surely needs: a station's radius is kept as the nearest float, which may be
/// above the true one by half a unit in the last place. A proof of "blocked" counts with the float below.
double surely_needed(float radius, double clearance_mm) {
  return static_cast<double>(std::nextafter(radius, 0.0F)) + clearance_mm;
}

/// Room that the body needs about its middle line, where it is thin and where it is thick.
std::vector<double> needed_room(const SearchProblem& problem) {
  std::vector<double> needs = {problem.design.segment().radius_mm};
  for (const RigidSpan& span : problem.design.rigid_spans())
    needs.push_back(problem.design.body_radius(0.5 * (span.from_mm + span.to_mm)));
  for (double& need : needs) need = surely_needed(static_cast<float>(need), problem.required_clearance_mm);
  return needs;
}

}  // namespace

CellBody::CellBody(const SearchProblem& problem, const BendChart& chart)
    : problem_(problem), chart_(chart), slide_(problem.design, chart) {
  if (const auto field = problem.distance->field_pointer()) {
    outside_.emplace(field);
    room_.emplace(field, needed_room(problem));
    for (const Spacing& s : kSpacings) {
      BodyCheck body(problem.design, field, s.spacing_mm);
      BodyPoints points = body.make_points();
      grains_.push_back({s.from_slack_mm, std::move(body), std::move(points)});
    }
    return;
  }
  lay_stations();
  lay_shaft();
}

void CellBody::lay_stations() {
  const Design& design = problem_.design;
  const double kappa = design.segment().curvature_max_per_mm;
  std::vector<double> cuts = {0.0, design.length_mm()};
  for (const RigidSpan& span : design.rigid_spans())
    for (const double s : {span.from_mm, span.to_mm}) cuts.push_back(s);
  std::sort(cuts.begin(), cuts.end());
  const auto add = [&](double s, double gap, double radius) {
    const double reach = radius + problem_.required_clearance_mm;
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
void CellBody::lay_shaft() {
  const double depth = problem_.design.carriage().insertion_max_mm - problem_.design.length_mm();
  const WallDistance& wall = problem_.distance->exact();
  double least = kInfinity;
  for (double z = 0.0; depth > 0.0 && z <= depth + kShaftStep_mm; z += kShaftStep_mm) {
    const Eigen::Vector3d p(0.0, 0.0, z);
    least = std::min(least, wall.signed_distance(p));
    shaft_free_.push_back(least);
    // What is half a step from here may be past a passage.
    if (problem_.distance->passage_distance(p) <= 0.5 * kShaftStep_mm)
      shaft_known_to_mm_ = std::min(shaft_known_to_mm_, z - 0.5 * kShaftStep_mm);
    if (least <= -kFarOutside_mm) break;
  }
}

double CellBody::Reach::at(double s_mm) const {
  double m = bounds.insertion_lever(s_mm) * dd_mm + bounds.curvature_lever_mm2(s_mm) * du_per_mm;
  for (const Frozen& region : frozen) m += std::max(0.0, s_mm - region.from_mm) * region.turn_rad;
  return m;
}

void CellBody::find_reach(const Leaf& leaf, const Box& box, const State& centre) {
  const Design& design = problem_.design;
  reach_.bounds = motion_bounds(design, centre, box.low[0], box.high[0], curvature_range(box).second);
  reach_.dd_mm = box.half(0);
  reach_.du_per_mm = std::hypot(box.half(1), box.half(2));
  reach_.frozen.clear();
  const int n = chart_.coordinates();
  if (n == 0) return;
  const auto stretches = stretches_of(design, leaf.engaged);
  for (int r = 0; r < leaf.engaged_count(); ++r)
    reach_.frozen.push_back(
        {std::max(stretches[Box::idx(r)].from_mm, reach_.bounds.exposed_from_mm),
         n == 1 ? box.half(3 + r) : std::hypot(box.half(3 + 2 * r), box.half(4 + 2 * r))});
}

CellLook CellBody::check(const Leaf& leaf, const Box& box) {
  const State centre = centre_state(chart_, leaf, box);
  if (!can_be_placed(problem_.design, centre)) return {};
  find_reach(leaf, box, centre);
  if (grains_.empty()) return {check_exactly(box, centre)};
  const CellStatus status = check_by_field(centre);
  if (status != CellStatus::mixed || !slide_.take(leaf, box)) return {status};
  const double ahead = reach_.bounds.insertion_lever(problem_.design.length_mm()) * reach_.dd_mm;
  if (slide_.most_aside_mm() > kWorthSliding * ahead) return {status};
  return check_sliding(box, centre);
}

double CellBody::aside_per_mm(const Leaf& leaf, const Box& box) {
  if (!slide_.take(leaf, box) || slide_.width_mm() <= 0.0) return 1.0;
  return slide_.most_aside_mm() / (0.5 * slide_.width_mm());
}

double CellBody::margin(const State& state) {
  if (!can_be_placed(problem_.design, state)) return -kInfinity;
  if (!grains_.empty()) {
    Grain& grain = grains_[grains_.size() / 2];
    return grain.body.evaluate(state, grain.points).least;
  }
  const Shape shape(problem_.design, state);
  double least = kInfinity;
  for (const Station& station : stations_)
    if (const Eigen::Vector3d p = shape.point_E(station.s_mm); p.z() > 0.0)
      least = std::min(least, problem_.distance->signed_lower(p) - problem_.design.body_radius(station.s_mm));
  return least;
}

CellBody::Grain& CellBody::grain_for(double slack_mm) {
  return *std::find_if(grains_.begin(), grains_.end(),
                       [&](const Grain& g) { return slack_mm >= g.from_slack_mm; });
}

/// By how far the cell, as find_reach left it, moves the body's points about a state.
CellStatus CellBody::check_by_field(const State& centre) {
  const double wanted = problem_.required_clearance_mm;
  Grain& grain = grain_for(reach_.at(problem_.design.length_mm()));
  const BodyCheck::Margins margins = [&] {
    if (reach_.frozen.empty())
      return grain.body.evaluate(centre, reach_.bounds, reach_.dd_mm, reach_.du_per_mm, grain.points, wanted);
    const BodySampler& sampler = grain.body.sampler();
    for (int j = 0; j < sampler.count(); ++j)
      grain.points.slack[Box::idx(j)] = float_above(reach_.at(sampler.station_mm(j)));
    return grain.body.evaluate_with_slack(centre, reach_.dd_mm, grain.points, wanted);
  }();
  return judge(grain, margins, grain.body.sampler().radii_mm());
}

/// `radii`: those that a proof of "blocked" may count with.
CellStatus CellBody::judge(Grain& grain, const BodyCheck::Margins& margins, const std::vector<float>& radii) {
  const double wanted = problem_.required_clearance_mm;
  if (margins.blocked < wanted) return CellStatus::blocked;
  if (margins.unknown || margins.least < wanted)
    return sticks_out(grain) || has_no_room(grain, radii) ? CellStatus::blocked : CellStatus::mixed;
  return grain.body.whole_body(margins, grain.points) >= wanted ? CellStatus::free : CellStatus::mixed;
}

/// The cell by the bodies at its deepest and at its shallowest insertion. What is left mixed is mixed by its
/// bends where both of these are for themselves, and by its insertions else.
CellLook CellBody::check_sliding(const Box& box, const State& centre) {
  State deepest = centre;
  deepest.insertion_mm = box.high[0];
  State shallowest = centre;
  shallowest.insertion_mm = box.low[0];
  const bool shallow = can_be_placed(problem_.design, shallowest);
  reach_.dd_mm = 0.0;
  if (is_free_about_deepest(deepest)) return {CellStatus::free, true};
  if (shallow && is_blocked_about_shallowest(shallowest)) return {CellStatus::blocked, true};
  const bool by_bends = shallow && check_by_field(deepest) == CellStatus::mixed &&
                        check_by_field(shallowest) == CellStatus::mixed;
  return {CellStatus::mixed, true, !by_bends};
}

/// Lays the allowances of a sliding cell about its deepest or its shallowest body into the grain that suits
/// them, and into radii_ the largest (about the shallowest: the smallest) radius of the stations that come to
/// the place of each: those up to the cell's width more distal (more proximal).
CellBody::Grain& CellBody::allow_sliding(bool about_deepest) {
  const Design& design = problem_.design;
  Grain& grain = grain_for(slide_.most_aside_mm() + reach_.at(design.length_mm()));
  const BodySampler& sampler = grain.body.sampler();
  const std::vector<double>& stations = sampler.stations_mm();
  if (about_deepest)
    slide_.about_deepest(stations, aside_);
  else
    slide_.about_shallowest(stations, aside_);
  radii_ = sampler.radii_mm();
  for (std::size_t j = 0; j < stations.size(); ++j)
    grain.points.slack[j] = float_above(aside_[j] + reach_.at(stations[j]));
  if (design.largest_radius() == design.segment().radius_mm) return grain;
  // Stations of a stretch stand for all of it, so the next one's radius may come there as well.
  const double gap = sampler.largest_gap_mm();
  const auto thin = static_cast<float>(design.segment().radius_mm);
  for (std::size_t j = 0; j < stations.size(); ++j) {
    if (about_deepest) {
      for (const RigidSpan& span : design.rigid_spans())
        if (span.from_mm <= stations[j] + slide_.width_mm() + gap && span.to_mm >= stations[j] - gap)
          radii_[j] =
              std::max(radii_[j], static_cast<float>(design.body_radius(0.5 * (span.from_mm + span.to_mm))));
    } else {
      const double from = stations[j] - slide_.width_mm();
      if (from <= 0.0 || design.flexible_length(from, stations[j]) > 0.0)
        radii_[j] = std::min(radii_[j], thin);
    }
    const float change = std::abs(radii_[j] - sampler.radii_mm()[j]);
    grain.points.slack[j] += change * kRadiusRounding;
  }
  return grain;
}

bool CellBody::is_free_about_deepest(const State& deepest) {
  Grain& grain = allow_sliding(true);
  const double wanted = problem_.required_clearance_mm;
  const auto margins = grain.body.evaluate_with_slack(deepest, 0.0, grain.points, wanted);
  return !margins.unknown && margins.least >= wanted &&
         grain.body.whole_body(margins, grain.points) >= wanted;
}

bool CellBody::is_blocked_about_shallowest(const State& shallowest) {
  Grain& grain = allow_sliding(false);
  const auto margins =
      grain.body.evaluate_with_slack(shallowest, 0.0, grain.points, problem_.required_clearance_mm);
  return judge(grain, margins, radii_) == CellStatus::blocked;
}

/// Is some station outside the lumen wherever the cell moves it? The field knows no depth there, so the exact
/// distance is asked, for a few of the stations that it does not know: the most proximal, the middle one, the
/// tip's (depth grows along a straight body, and so does what the cell moves).
bool CellBody::sticks_out(const Grain& grain) {
  const BodySampler& sampler = grain.body.sampler();
  const BodyPoints& points = grain.points;
  const float unknown_below = grain.body.field().view().unknown_below;
  off_.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (points.slack[i] < points.z[i] && points.lower[i] < unknown_below) off_.push_back(j);
  }
  if (off_.empty()) return false;
  const auto sticks_out_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    const auto slack = static_cast<double>(points.slack[i]);
    const double need = surely_needed(sampler.radii_mm()[i], problem_.required_clearance_mm);
    return outside_->upper({points.x[i], points.y[i], points.z[i]}, slack) + slack < need;
  };
  return sticks_out_at(off_[off_.size() / 2]) || sticks_out_at(off_.front()) || sticks_out_at(off_.back());
}

/// Is there some station that, wherever the cell moves it, finds no place wide enough? Asked for a few of
/// those that have none at the cell's centre: the most proximal, which the cell moves least, those where the
/// body is first thicker, and the middle one.
bool CellBody::has_no_room(const Grain& grain, const std::vector<float>& radii) {
  const BodySampler& sampler = grain.body.sampler();
  const BodyPoints& points = grain.points;
  const double wanted = problem_.required_clearance_mm;
  const auto need = [&](int j) { return surely_needed(radii[Box::idx(j)], wanted); };
  tight_.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (points.slack[i] < points.z[i] && static_cast<double>(points.lower[i]) < need(j)) tight_.push_back(j);
  }
  if (tight_.empty()) return false;
  const auto no_room_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    return room_->most_within({points.x[i], points.y[i], points.z[i]}, static_cast<double>(points.slack[i])) <
           need(j);
  };
  if (no_room_at(tight_.front()) || no_room_at(tight_[tight_.size() / 2])) return true;
  int asked = 0;
  for (std::size_t k = 1; k < tight_.size() && asked < kThickenings; ++k)
    if (need(tight_[k]) > need(tight_[k - 1])) {
      if (no_room_at(tight_[k])) return true;
      ++asked;
    }
  return false;
}

CellStatus CellBody::check_shaft(const Box& box) const {
  const double length = problem_.design.length_mm();
  const double need = problem_.design.segment().radius_mm + problem_.required_clearance_mm;
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

CellStatus CellBody::check_exactly(const Box& box, const State& centre) {
  const Design& design = problem_.design;
  const ChannelDistance& distance = *problem_.distance;
  const CellStatus shaft = check_shaft(box);
  if (shaft == CellStatus::blocked) return shaft;
  const Shape shape(design, centre);
  bool all_free = shaft == CellStatus::free;
  Eigen::Vector3d distal = shape.tip_E().translation();
  double distal_reach = reach_.at(design.length_mm());
  std::optional<Suspect> deepest;
  // From the tip back: what is deepest inside is likeliest to touch.
  for (std::size_t i = stations_.size(); i-- > 0;) {
    const Station& station = stations_[i];
    if (box.high[0] - design.length_mm() + station.s_mm + kExactSpacing_mm <= 0.0) break;
    const Eigen::Vector3d p = shape.point_E(station.s_mm);
    const double m = reach_.at(station.s_mm);
    const double sideways = (p - distal).head<2>().norm();
    const double m_distal = std::exchange(distal_reach, m);
    distal = p;
    if (p.z() + m + kExactSpacing_mm <= 0.0) continue;
    double lower = distance.signed_lower(p);
    // Behind the entry plane the answer is for the projection, and what of the chord to the next station is
    // past the plane leaves the line from there by no more than the station is behind, nor than the chord
    // runs sideways (body_clearance.h), wherever the cell moves the two.
    if (p.z() - m <= 0.0) lower -= std::min(m - p.z(), sideways + m + m_distal);
    if (lower - m < station.need_free || distance.passage_distance(p) <= m + kExactSpacing_mm)
      all_free = false;
    const double margin = lower + m - station.need_blocked;
    if (p.z() - m > 0.0 && margin < (deepest ? deepest->margin : 0.0))
      deepest = Suspect{p, m, station.need_blocked, margin};
  }
  if (all_free) return CellStatus::free;
  if (deepest && distance.signed_upper(deepest->p_E, deepest->slack) + deepest->slack < deepest->need)
    return CellStatus::blocked;
  return CellStatus::mixed;
}

}  // namespace withy
