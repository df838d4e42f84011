// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/cell_body.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "geometry/distance/rounding.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
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

/// Station j wherever the cell moves it.
MovedPoint moved(const BodyPoints& points, std::size_t j) {
  return {{points.x[j], points.y[j], points.z[j]}, static_cast<double>(points.slack[j])};
}

/// Room that the body needs about its middle line, where it is thin and where it is thick.
std::vector<double> needed_room(const WallQuestion& asked) {
  std::vector<double> needs = {asked.design.segment().radius_mm};
  for (const RigidSpan& span : asked.design.rigid_spans())
    needs.push_back(asked.design.body_radius(0.5 * (span.from_mm + span.to_mm)));
  for (double& need : needs) need = surely_needed(static_cast<float>(need), asked.required_clearance_mm);
  return needs;
}

}  // namespace

CellBody::CellBody(const WallQuestion& asked, const BendChart& chart) : asked_(asked), chart_(chart) {
  const auto field = asked.distance.field_pointer();
  if (!field) {
    exact_.emplace(asked);
    return;
  }
  outside_.emplace(field);
  room_.emplace(field, needed_room(asked));
  for (const Spacing& s : kSpacings) {
    BodyCheck body(asked.design, field, s.spacing_mm);
    scratch_.points.push_back(body.make_points());
    grains_.push_back({s.from_slack_mm, std::move(body)});
  }
}

CellLook CellBody::check(const Leaf& leaf, const AllowedBox& cell) {
  const State centre = centre_state(chart_, leaf, cell.box());
  if (!can_be_placed(asked_.design, centre)) return {};
  const CellReach reach = CellReach::of(asked_.design, chart_, leaf, cell, centre);
  if (exact_) return {exact_->check(reach, cell.box(), centre)};
  const CellStatus status = judge(lay(reach, centre));
  if (status != CellStatus::mixed) return {status};
  const auto slide = CellSlide::of(asked_.design, chart_, leaf, cell);
  const double ahead = reach.bounds().insertion_lever(asked_.design.length_mm()) * reach.dd_mm();
  if (!slide || slide->most_aside_mm() > kWorthSliding * ahead) return {status};
  return check_sliding(reach, *slide, cell.box(), centre);
}

double CellBody::aside_per_mm(const Leaf& leaf, const AllowedBox& cell) const {
  const auto slide = CellSlide::of(asked_.design, chart_, leaf, cell);
  if (!slide || slide->width_mm() <= 0.0) return 1.0;
  return slide->most_aside_mm() / (0.5 * slide->width_mm());
}

double CellBody::margin(const State& state) {
  if (!can_be_placed(asked_.design, state)) return -kInfinity;
  if (exact_) return exact_->margin(state);
  const std::size_t middle = grains_.size() / 2;
  return grains_[middle].body.evaluate(state, scratch_.points[middle]).least.value;
}

std::size_t CellBody::grain_for(double slack_mm) const {
  const auto fits = [&](const Grain& grain) { return slack_mm >= grain.from_slack_mm; };
  return static_cast<std::size_t>(std::find_if(grains_.begin(), grains_.end(), fits) - grains_.begin());
}

/// The body in this state, its points allowed what the cell moves them.
CellBody::LaidCentre CellBody::lay(const CellReach& reach, const State& centre) {
  const double wanted = asked_.required_clearance_mm;
  const std::size_t g = grain_for(reach.at(asked_.design.length_mm()));
  const BodyCheck& body = grains_[g].body;
  const BodySampler& sampler = body.sampler();
  BodyPoints& points = scratch_.points[g];
  if (!reach.has_frozen())
    return {{body, points, sampler.radii_mm(),
             body.evaluate(centre, reach.bounds(), reach.dd_mm(), reach.du_per_mm(), points, wanted)}};
  for (int j = 0; j < sampler.count(); ++j)
    points.slack[Box::idx(j)] = float_above(reach.at(sampler.station_mm(j)));
  return {
      {body, points, sampler.radii_mm(), body.evaluate_with_slack(centre, reach.dd_mm(), points, wanted)}};
}

CellStatus CellBody::judge(const LaidCentre& laid) {
  if (is_blocked(laid.smallest())) return CellStatus::blocked;
  return is_free(laid.largest()) ? CellStatus::free : CellStatus::mixed;
}

/// Lemma 10.
bool CellBody::is_free(const LaidLargest& largest) const {
  const double wanted = asked_.required_clearance_mm;
  const Laid& laid = largest.laid;
  return laid.margins.least.value >= wanted &&
         laid.body.whole_body(laid.margins, laid.points).value >= wanted;
}

/// Lemma 11.
bool CellBody::is_blocked(const LaidSmallest& smallest) {
  const double wanted = asked_.required_clearance_mm;
  if (smallest.laid.margins.blocked.value < wanted) return true;
  return smallest.laid.margins.least.value < wanted && (sticks_out(smallest) || has_no_room(smallest));
}

/// The cell by the bodies at its deepest and at its shallowest insertion (lemma 14). What is left mixed is
/// mixed by its bends where both of these are for themselves, and by its insertions else.
CellLook CellBody::check_sliding(const CellReach& reach, const CellSlide& slide, const Box& box,
                                 const State& centre) {
  State deepest = centre;
  deepest.insertion_mm = box.high[0];
  State shallowest = centre;
  shallowest.insertion_mm = box.low[0];
  const CellReach bends = reach.of_bends_alone();
  const bool shallow = can_be_placed(asked_.design, shallowest);
  if (is_free(lay_deepest(bends, slide, deepest))) return {CellStatus::free, true};
  if (shallow && is_blocked(lay_shallowest(bends, slide, shallowest))) return {CellStatus::blocked, true};
  const bool by_bends = shallow && judge(lay(bends, deepest)) == CellStatus::mixed &&
                        judge(lay(bends, shallowest)) == CellStatus::mixed;
  return {CellStatus::mixed, true, !by_bends};
}

CellBody::LaidLargest CellBody::lay_deepest(const CellReach& bends, const CellSlide& slide,
                                            const State& deepest) {
  return {lay_sliding(bends, slide, About::deepest, deepest)};
}

CellBody::LaidSmallest CellBody::lay_shallowest(const CellReach& bends, const CellSlide& slide,
                                                const State& shallowest) {
  return {lay_sliding(bends, slide, About::shallowest, shallowest)};
}

/// The deepest or the shallowest body of a sliding cell, its points allowed what the cell moves them aside.
CellBody::Laid CellBody::lay_sliding(const CellReach& bends, const CellSlide& slide, About about,
                                     const State& state) {
  const std::size_t g = grain_for(slide.most_aside_mm() + bends.at(asked_.design.length_mm()));
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
    points.slack[j] = float_above(aside_mm[j] + bends.at(stations[j]));
  count_radii(sampler, slide.width_mm(), about, points, scratch_.radii_mm);
  return {body, points, scratch_.radii_mm,
          body.evaluate_with_slack(state, 0.0, points, asked_.required_clearance_mm)};
}

/// By station the largest (about the shallowest: the smallest) radius of those that come to its place: those
/// up to the cell's width more distal (more proximal). What a radius changes by is allowed for in the slack.
void CellBody::count_radii(const BodySampler& sampler, double width_mm, About about, BodyPoints& points,
                           std::vector<float>& radii_mm) const {
  const Design& design = asked_.design;
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
bool CellBody::sticks_out(const LaidSmallest& smallest) {
  const Laid& laid = smallest.laid;
  const BodySampler& sampler = laid.body.sampler();
  const BodyPoints& points = laid.points;
  const float unknown_below = laid.body.field().view().unknown_below;
  std::vector<int>& off = scratch_.suspects;
  off.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (moved(points, i).surely_past_entry() && points.lower[i] < unknown_below) off.push_back(j);
  }
  if (off.empty()) return false;
  const auto sticks_out_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    const double need = surely_needed(sampler.radii_mm()[i], asked_.required_clearance_mm);
    return outside_->upper_over(moved(points, i)).value < need;
  };
  return sticks_out_at(off[off.size() / 2]) || sticks_out_at(off.front()) || sticks_out_at(off.back());
}

/// Is there some station that, wherever the cell moves it, finds no place wide enough? Asked for a few of
/// those that have none at the cell's centre: the most proximal, which the cell moves least, those where the
/// body is first thicker, and the middle one.
bool CellBody::has_no_room(const LaidSmallest& smallest) {
  const Laid& laid = smallest.laid;
  const BodySampler& sampler = laid.body.sampler();
  const BodyPoints& points = laid.points;
  const double wanted = asked_.required_clearance_mm;
  const auto need = [&](int j) { return surely_needed(laid.radii_mm[Box::idx(j)], wanted); };
  std::vector<int>& tight = scratch_.suspects;
  tight.clear();
  for (int j = 0; j < sampler.count(); ++j) {
    const std::size_t i = Box::idx(j);
    if (moved(points, i).surely_past_entry() && static_cast<double>(points.lower[i]) < need(j))
      tight.push_back(j);
  }
  if (tight.empty()) return false;
  const auto no_room_at = [&](int j) {
    const std::size_t i = Box::idx(j);
    return room_->most_within(moved(points, i)).value < need(j);
  };
  if (no_room_at(tight.front()) || no_room_at(tight[tight.size() / 2])) return true;
  int asked = 0;
  for (std::size_t k = 1; k < tight.size() && asked < shares::kThickenings; ++k)
    if (need(tight[k]) > need(tight[k - 1])) {
      if (no_room_at(tight[k])) return true;
      ++asked;
    }
  return false;
}

}  // namespace withy
