// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/cell_body.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "geometry/distance/rounding.h"
#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

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

CellBody::CellBody(const SearchProblem& problem, const BendChart& chart) : problem_(problem), chart_(chart) {
  if (const auto field = problem.distance->field_pointer()) {
    outside_.emplace(field);
    room_.emplace(field, needed_room(problem));
    for (const Spacing& s : kSpacings) {
      BodyCheck body(problem.design, field, s.spacing_mm);
      scratch_.points.push_back(body.make_points());
      grains_.push_back({s.from_slack_mm, std::move(body)});
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
  for (int r = 0; r < frozen_count; ++r) {
    const Frozen& region = frozen[Box::idx(r)];
    m += std::max(0.0, s_mm - region.from_mm) * region.turn_rad;
  }
  return m;
}

CellBody::Reach CellBody::reach_of(const Leaf& leaf, const Box& box, const State& centre) const {
  const Design& design = problem_.design;
  Reach reach;
  reach.bounds = motion_bounds(design, centre, box.low[0], box.high[0], curvature_range(box).second);
  reach.dd_mm = box.half(0);
  reach.du_per_mm = std::hypot(box.half(1), box.half(2));
  const int n = chart_.coordinates();
  if (n == 0) return reach;
  const auto stretches = stretches_of(design, leaf.engaged);
  reach.frozen_count = leaf.engaged_count();
  for (int r = 0; r < reach.frozen_count; ++r)
    reach.frozen[Box::idx(r)] = {
        std::max(stretches[Box::idx(r)].from_mm, reach.bounds.exposed_from_mm),
        n == 1 ? box.half(3 + r) : std::hypot(box.half(3 + 2 * r), box.half(4 + 2 * r))};
  return reach;
}

CellLook CellBody::check(const Leaf& leaf, const Box& box) {
  const State centre = centre_state(chart_, leaf, box);
  if (!can_be_placed(problem_.design, centre)) return {};
  const Reach reach = reach_of(leaf, box, centre);
  if (grains_.empty()) return {check_exactly(reach, box, centre)};
  const CellStatus status = judge(lay(reach, centre));
  if (status != CellStatus::mixed) return {status};
  const auto slide = CellSlide::of(problem_.design, chart_, leaf, box);
  const double ahead = reach.bounds.insertion_lever(problem_.design.length_mm()) * reach.dd_mm;
  if (!slide || slide->most_aside_mm() > kWorthSliding * ahead) return {status};
  return check_sliding(reach, *slide, box, centre);
}

double CellBody::aside_per_mm(const Leaf& leaf, const Box& box) const {
  const auto slide = CellSlide::of(problem_.design, chart_, leaf, box);
  if (!slide || slide->width_mm() <= 0.0) return 1.0;
  return slide->most_aside_mm() / (0.5 * slide->width_mm());
}

double CellBody::margin(const State& state) {
  if (!can_be_placed(problem_.design, state)) return -kInfinity;
  if (!grains_.empty()) {
    const std::size_t middle = grains_.size() / 2;
    return grains_[middle].body.evaluate(state, scratch_.points[middle]).least;
  }
  const Shape shape(problem_.design, state);
  double least = kInfinity;
  for (const Station& station : stations_)
    if (const Eigen::Vector3d p = shape.point_E(station.s_mm); p.z() > 0.0)
      least = std::min(least, problem_.distance->signed_lower(p) - problem_.design.body_radius(station.s_mm));
  return least;
}

std::size_t CellBody::grain_for(double slack_mm) const {
  const auto fits = [&](const Grain& grain) { return slack_mm >= grain.from_slack_mm; };
  return static_cast<std::size_t>(std::find_if(grains_.begin(), grains_.end(), fits) - grains_.begin());
}

/// The body in this state, its points allowed what the cell moves them.
CellBody::Laid CellBody::lay(const Reach& reach, const State& centre) {
  const double wanted = problem_.required_clearance_mm;
  const std::size_t g = grain_for(reach.at(problem_.design.length_mm()));
  const BodyCheck& body = grains_[g].body;
  const BodySampler& sampler = body.sampler();
  BodyPoints& points = scratch_.points[g];
  if (reach.frozen_count == 0)
    return {body, points, sampler.radii_mm(),
            body.evaluate(centre, reach.bounds, reach.dd_mm, reach.du_per_mm, points, wanted)};
  for (int j = 0; j < sampler.count(); ++j)
    points.slack[Box::idx(j)] = float_above(reach.at(sampler.station_mm(j)));
  return {body, points, sampler.radii_mm(), body.evaluate_with_slack(centre, reach.dd_mm, points, wanted)};
}

CellStatus CellBody::judge(const Laid& laid) {
  const double wanted = problem_.required_clearance_mm;
  if (laid.margins.blocked < wanted) return CellStatus::blocked;
  if (laid.margins.unknown || laid.margins.least < wanted)
    return sticks_out(laid) || has_no_room(laid) ? CellStatus::blocked : CellStatus::mixed;
  return is_free(laid) ? CellStatus::free : CellStatus::mixed;
}

bool CellBody::is_free(const Laid& laid) const {
  const double wanted = problem_.required_clearance_mm;
  return !laid.margins.unknown && laid.margins.least >= wanted &&
         laid.body.whole_body(laid.margins, laid.points) >= wanted;
}

/// The cell by the bodies at its deepest and at its shallowest insertion. What is left mixed is mixed by its
/// bends where both of these are for themselves, and by its insertions else.
CellLook CellBody::check_sliding(const Reach& reach, const CellSlide& slide, const Box& box,
                                 const State& centre) {
  State deepest = centre;
  deepest.insertion_mm = box.high[0];
  State shallowest = centre;
  shallowest.insertion_mm = box.low[0];
  Reach bends = reach;  // at one insertion
  bends.dd_mm = 0.0;
  const bool shallow = can_be_placed(problem_.design, shallowest);
  if (is_free(lay_sliding(bends, slide, About::deepest, deepest))) return {CellStatus::free, true};
  if (shallow && judge(lay_sliding(bends, slide, About::shallowest, shallowest)) == CellStatus::blocked)
    return {CellStatus::blocked, true};
  const bool by_bends = shallow && judge(lay(bends, deepest)) == CellStatus::mixed &&
                        judge(lay(bends, shallowest)) == CellStatus::mixed;
  return {CellStatus::mixed, true, !by_bends};
}

/// The deepest or the shallowest body of a sliding cell, its points allowed what the cell moves them aside.
CellBody::Laid CellBody::lay_sliding(const Reach& reach, const CellSlide& slide, About about,
                                     const State& state) {
  const std::size_t g = grain_for(slide.most_aside_mm() + reach.at(problem_.design.length_mm()));
  const BodyCheck& body = grains_[g].body;
  const BodySampler& sampler = body.sampler();
  const std::vector<double>& stations = sampler.stations_mm();
  BodyPoints& points = scratch_.points[g];
  std::vector<double>& aside_mm = scratch_.aside_mm;
  if (about == About::deepest)
    slide.about_deepest(stations, aside_mm);
  else
    slide.about_shallowest(stations, aside_mm);
  for (std::size_t j = 0; j < stations.size(); ++j)
    points.slack[j] = float_above(aside_mm[j] + reach.at(stations[j]));
  count_radii(sampler, slide.width_mm(), about, points, scratch_.radii_mm);
  return {body, points, scratch_.radii_mm,
          body.evaluate_with_slack(state, 0.0, points, problem_.required_clearance_mm)};
}

/// By station the largest (about the shallowest: the smallest) radius of those that come to its place: those
/// up to the cell's width more distal (more proximal). What a radius changes by is allowed for in the slack.
void CellBody::count_radii(const BodySampler& sampler, double width_mm, About about, BodyPoints& points,
                           std::vector<float>& radii_mm) const {
  const Design& design = problem_.design;
  const std::vector<double>& stations = sampler.stations_mm();
  radii_mm = sampler.radii_mm();
  if (design.largest_radius() == design.segment().radius_mm) return;
  // Stations of a stretch stand for all of it, so the next one's radius may come there as well.
  const double gap = sampler.largest_gap_mm();
  const auto thin = static_cast<float>(design.segment().radius_mm);
  for (std::size_t j = 0; j < stations.size(); ++j) {
    if (about == About::deepest) {
      for (const RigidSpan& span : design.rigid_spans())
        if (span.from_mm <= stations[j] + width_mm + gap && span.to_mm >= stations[j] - gap)
          radii_mm[j] = std::max(radii_mm[j],
                                 static_cast<float>(design.body_radius(0.5 * (span.from_mm + span.to_mm))));
    } else {
      const double from = stations[j] - width_mm;
      if (from <= 0.0 || design.flexible_length(from, stations[j]) > 0.0)
        radii_mm[j] = std::min(radii_mm[j], thin);
    }
    points.slack[j] += std::abs(radii_mm[j] - sampler.radii_mm()[j]) * kRadiusRounding;
  }
}

/// Is some station outside the lumen wherever the cell moves it? The field knows no depth there, so the exact
/// distance is asked, for a few of the stations that it does not know: the most proximal, the middle one, the
/// tip's (depth grows along a straight body, and so does what the cell moves).
bool CellBody::sticks_out(const Laid& laid) {
  const BodySampler& sampler = laid.body.sampler();
  const BodyPoints& points = laid.points;
  const float unknown_below = laid.body.field().view().unknown_below;
  std::vector<int>& off = scratch_.suspects;
  off.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (points.slack[i] < points.z[i] && points.lower[i] < unknown_below) off.push_back(j);
  }
  if (off.empty()) return false;
  const auto sticks_out_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    const auto slack = static_cast<double>(points.slack[i]);
    const double need = surely_needed(sampler.radii_mm()[i], problem_.required_clearance_mm);
    return outside_->upper({points.x[i], points.y[i], points.z[i]}, slack) + slack < need;
  };
  return sticks_out_at(off[off.size() / 2]) || sticks_out_at(off.front()) || sticks_out_at(off.back());
}

/// Is there some station that, wherever the cell moves it, finds no place wide enough? Asked for a few of
/// those that have none at the cell's centre: the most proximal, which the cell moves least, those where the
/// body is first thicker, and the middle one.
bool CellBody::has_no_room(const Laid& laid) {
  const BodySampler& sampler = laid.body.sampler();
  const BodyPoints& points = laid.points;
  const double wanted = problem_.required_clearance_mm;
  const auto need = [&](int j) { return surely_needed(laid.radii_mm[Box::idx(j)], wanted); };
  std::vector<int>& tight = scratch_.suspects;
  tight.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (points.slack[i] < points.z[i] && static_cast<double>(points.lower[i]) < need(j)) tight.push_back(j);
  }
  if (tight.empty()) return false;
  const auto no_room_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    return room_->most_within({points.x[i], points.y[i], points.z[i]}, static_cast<double>(points.slack[i])) <
           need(j);
  };
  if (no_room_at(tight.front()) || no_room_at(tight[tight.size() / 2])) return true;
  int asked = 0;
  for (std::size_t k = 1; k < tight.size() && asked < kThickenings; ++k)
    if (need(tight[k]) > need(tight[k - 1])) {
      if (no_room_at(tight[k])) return true;
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

CellStatus CellBody::check_exactly(const Reach& reach, const Box& box, const State& centre) const {
  const Design& design = problem_.design;
  const ChannelDistance& distance = *problem_.distance;
  const CellStatus shaft = check_shaft(box);
  if (shaft == CellStatus::blocked) return shaft;
  const Shape shape(design, centre);
  bool all_free = shaft == CellStatus::free;
  Eigen::Vector3d distal = shape.tip_E().translation();
  double distal_reach = reach.at(design.length_mm());
  std::optional<Suspect> deepest;
  // From the tip back: what is deepest inside is likeliest to touch.
  for (std::size_t i = stations_.size(); i-- > 0;) {
    const Station& station = stations_[i];
    if (box.high[0] - design.length_mm() + station.s_mm + kExactSpacing_mm <= 0.0) break;
    const Eigen::Vector3d p = shape.point_E(station.s_mm);
    const double m = reach.at(station.s_mm);
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
