// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/body_clearance.h"

#include <algorithm>
#include <cmath>

#include "geometry/distance/rounding.h"
#include "geometry/numbers/numbers.h"
#include "planner/segment/curvature_limit.h"

namespace withy {
namespace {

/// Samples of the shaft's margin along the axis (mm): coarse enough to lay out fast, and fine enough that the
/// bound between them loses 0.001 mm at a distance of 1.5 mm.
constexpr double kAxisStep_mm = 0.1;

/// The shaft is laid out until it is so far outside the lumen (mm) for sure: a carriage may be longer than
/// any channel, and every sample out there costs an exact distance.
constexpr double kFarOutside_mm = 20.0;

/// What single precision may take from L - R - slack beside the slack's own part (kSlackRounding): see the
/// header. No value of the field is larger than the one that says "unknown".
double margin_rounding_mm(const FieldView& view, double radius_mm) {
  return 3.0 * kFloatUnit * (std::abs(static_cast<double>(view.unknown_below)) + 2.0 * radius_mm);
}

/// An upper bound this much below what is wanted is close enough.
constexpr double kSurely_mm = 1e-6;

/// See the header: the most that a chord across the entry plane leaves the line to its projected end, as a
/// part of its length.
constexpr double kCrossing = 0.193;

}  // namespace

BodyCheck::BodyCheck(const Design& design, std::shared_ptr<const DistanceField> field, double spacing_mm)
    : field_(std::move(field)),
      sampler_(design, spacing_mm),
      loop_(ball_margins_loop()),
      kappa_max_(design.segment().curvature_max_per_mm * kCurvatureRounding) {
  rounding_mm_ = static_cast<double>(field_->view().rounding) +
                 margin_rounding_mm(field_->view(), design.largest_radius());
  lay_axis();
}

void BodyCheck::lay_axis() {
  const Design& design = sampler_.design();
  const double deepest = design.carriage().insertion_max_mm - design.length_mm();
  if (deepest <= 0.0) return;
  const double radius = design.segment().radius_mm;
  const auto steps = static_cast<int>(std::ceil(deepest / kAxisStep_mm)) + 1;
  double before = kInfinity;
  AxisMargin so_far{kInfinity, kInfinity};
  for (int i = 0; i <= steps; ++i) {
    const Eigen::Vector3d p(0.0, 0.0, i * kAxisStep_mm);
    DistanceField::Bracket d = field_->at(p);
    if (d.lower == -kInfinity) {
      d.lower = d.upper = field_->exact().signed_distance(p);
      // What is half a step from here may be past the passage.
      if (!OneSide::of(*field_, {p, 0.5 * kAxisStep_mm})) d.lower = -kInfinity;
    }
    const double least = std::min(before, d.lower);
    before = d.lower;
    const double square = least > 0.0 ? least * least - 0.25 * kAxisStep_mm * kAxisStep_mm : -1.0;
    so_far.least =
        std::min(so_far.least, (square > 0.0 ? std::sqrt(square) : least - 0.5 * kAxisStep_mm) - radius);
    // At z = 0 itself nothing is constrained.
    if (i > 0) so_far.blocked = std::min(so_far.blocked, d.upper - radius);
    axis_.push_back(so_far);
    if (so_far.blocked > -kFarOutside_mm) continue;
    // No body that is asked about reaches on from there; nothing is said of what lies beyond.
    axis_.push_back({-kInfinity, so_far.blocked});
    break;
  }
}

void BodyCheck::add_shaft(double depth_mm, double dd_mm, Margins& margins) const {
  const double farthest = depth_mm + dd_mm;
  if (farthest <= 0.0 || axis_.empty()) return;
  const auto last = static_cast<double>(axis_.size() - 1);
  const auto beyond = static_cast<std::size_t>(std::min(std::ceil(farthest / kAxisStep_mm), last));
  if (axis_[beyond].least < margins.least.value) {
    margins.least = {axis_[beyond].least};
    margins.worst = kShaft;
  }
  const double surely = depth_mm - dd_mm;
  if (surely <= 0.0) return;
  const auto within = static_cast<std::size_t>(std::min(std::floor(surely / kAxisStep_mm), last));
  if (axis_[within].blocked < margins.blocked.value) {
    margins.blocked = {axis_[within].blocked};
    margins.suspect = kShaft;
  }
}

BodyCheck::Margins BodyCheck::evaluate(const State& state, BodyPoints& points, double wanted_mm) const {
  sampler_.allow(BodyAllowance{float_above(rounding_mm_), 0.0F, 0.0F, 0.0F, 0.0F, 0.0F}, points);
  return settle(state, 0.0, points, wanted_mm);
}

BodyCheck::Margins BodyCheck::evaluate(const State& state, const MotionBounds& bounds, double dd_mm,
                                       double du_per_mm, BodyPoints& points, double wanted_mm,
                                       double extra_mm) const {
  BodyAllowance allowance;
  allowance.least = float_above(dd_mm + extra_mm + rounding_mm_);
  allowance.turning = float_above(dd_mm * bounds.kappa_per_mm);
  allowance.exposed_from = float_below(bounds.exposed_from_mm);
  allowance.turning_reach = float_above(std::max(0.0, bounds.turning_to_mm - bounds.exposed_from_mm));
  allowance.bending = float_above(0.5 * du_per_mm);
  allowance.bending_from = float_below(std::max(bounds.free_from_mm, bounds.exposed_from_mm));
  sampler_.allow(allowance, points);
  return settle(state, dd_mm, points, wanted_mm);
}

BodyCheck::Margins BodyCheck::evaluate_with_slack(const State& state, double dd_mm, BodyPoints& points,
                                                  double wanted_mm) const {
  const float error = float_above((sampler_.point_error_mm() + rounding_mm_) * kSlackRounding);
  const auto rounding = static_cast<float>(kSlackRounding);
  const auto count = static_cast<std::size_t>(sampler_.count());
  for (std::size_t j = 0; j < count; ++j) points.slack[j] = points.slack[j] * rounding + error;
  std::fill(points.slack.begin() + static_cast<std::ptrdiff_t>(count), points.slack.end(),
            points.slack[count - 1]);
  return settle(state, dd_mm, points, wanted_mm);
}

BodyCheck::Margins BodyCheck::settle(const State& state, double dd_mm, BodyPoints& points,
                                     double wanted_mm) const {
  sampler_.place(state, points);
  const Balls balls{points.x.data(),     points.y.data(),        points.z.data(), sampler_.radii_mm().data(),
                    points.slack.data(), sampler_.padded_count()};
  BallMargins found;
  loop_(field_->view(), balls, points.lower.data(), found);
  const auto station = [&](std::int32_t j) { return std::min(j, sampler_.count() - 1); };
  Margins margins;
  if (found.worst >= 0) {
    margins.worst = station(found.worst);
    const bool off = points.lower[static_cast<std::size_t>(margins.worst)] < field_->view().unknown_below;
    margins.least = {off ? -kInfinity : static_cast<double>(found.least)};
  }
  if (field_->has_passages()) settle_passages(points, margins);
  margins.least_of_stations = margins.least;
  if (margins.least.value < wanted_mm && found.suspect >= 0)
    find_blocked(station(found.suspect), points, wanted_mm, margins);
  add_shaft(state.insertion_mm - sampler_.design().length_mm(), dd_mm, margins);
  return margins;
}

MovedPoint BodyCheck::moved(const BodyPoints& points, std::size_t j) const {
  return {{points.x[j], points.y[j], points.z[j]}, static_cast<double>(points.slack[j])};
}

/// Upper bound of D - R over everywhere that station j may be; no closer than it takes to be below `wanted`.
/// Premise: it is past the entry plane wherever it may be.
UpperBound BodyCheck::upper_margin(const BodyPoints& points, std::size_t j, double wanted_mm) const {
  const auto radius = static_cast<double>(sampler_.radii_mm()[j]);
  return {upper_over(*field_, moved(points, j), wanted_mm + radius - kSurely_mm).value - radius};
}

/// The suspect is what the loop found deepest by the field's D; where a passage voids that, the deepest of
/// those stations for which it holds is asked as well.
void BodyCheck::find_blocked(int suspect, const BodyPoints& points, double wanted_mm,
                             Margins& margins) const {
  margins.suspect = suspect;
  margins.blocked = upper_margin(points, static_cast<std::size_t>(suspect), wanted_mm);
  if (!field_->has_passages() || margins.blocked.value < wanted_mm) return;
  int next = kNobody;
  double deepest = wanted_mm;
  for (int i = 0; i < sampler_.count(); ++i) {
    const auto j = static_cast<std::size_t>(i);
    if (!moved(points, j).surely_past_entry()) continue;
    const double margin = static_cast<double>(points.lower[j] - sampler_.radii_mm()[j] + points.slack[j]);
    if (i == suspect || margin >= deepest || !OneSide::of(*field_, moved(points, j))) continue;
    deepest = margin;
    next = i;
  }
  if (next == kNobody) return;
  const UpperBound blocked = upper_margin(points, static_cast<std::size_t>(next), wanted_mm);
  if (blocked.value >= margins.blocked.value) return;
  margins.suspect = next;
  margins.blocked = blocked;
}

/// Next to a passage, or moving farther than the field's margin about passages allows for, a station's sign
/// is settled by how far the passage is, and its distance by the exact one where the field has none.
void BodyCheck::settle_passages(BodyPoints& points, Margins& margins) const {
  // Where nothing is known the field's V is negative.
  if (margins.least.value >= 0.0 && largest_slack(points) <= kPassageMargin_mm) return;
  margins.least = {kInfinity};
  margins.worst = kNobody;
  for (int i = 0; i < sampler_.count(); ++i) {
    const auto j = static_cast<std::size_t>(i);
    if (!moved(points, j).may_be_past_entry()) continue;
    settle_station(j, points);
    const double margin = static_cast<double>(points.lower[j]) - static_cast<double>(sampler_.radii_mm()[j]) -
                          static_cast<double>(points.slack[j]);
    if (margin >= margins.least.value) continue;
    margins.least = {margin};
    margins.worst = i;
  }
}

/// Puts what is surely known into points.lower[j]: nothing if a passage leaves it open.
void BodyCheck::settle_station(std::size_t j, BodyPoints& points) const {
  MovedPoint p = moved(points, j);
  p.centre_E.z() = std::max(p.centre_E.z(), 0.0);
  float& lower = points.lower[j];
  const bool off = lower < 0.0F && field_->lower(p.centre_E) == -kInfinity;
  const bool near = off && !field_->is_off(p.centre_E);
  if (!off && p.reach_mm <= kPassageMargin_mm) return;
  if ((off && !near) || !OneSide::of(*field_, p)) {
    lower = -std::numeric_limits<float>::infinity();
    return;
  }
  if (near)
    lower = float_below(field_->exact().signed_distance(p.centre_E) -
                        static_cast<double>(field_->view().rounding));
}

double BodyCheck::largest_slack(const BodyPoints& points) const {
  const auto end = points.slack.begin() + sampler_.count();
  return static_cast<double>(*std::max_element(points.slack.begin(), end));
}

/// May a point within `beyond_mm` of station j, wherever that one moves, lie past a passage?
bool BodyCheck::may_pass(const BodyPoints& points, std::size_t j, double beyond_mm) const {
  MovedPoint p = moved(points, j);
  p.reach_mm += beyond_mm;
  return p.may_be_past_entry() && !OneSide::of(*field_, p);
}

double BodyCheck::between_stations(LowerBound margin) const {
  const double a = sampler_.largest_gap_mm();
  const double radius = sampler_.least_radius_mm();
  const double m = margin.value + radius;
  const double square = m > 0.0 ? m * m - 0.25 * a * a : -1.0;
  if (square < 0.0) return -kInfinity;
  return std::sqrt(square) - kappa_max_ * a * a / 8.0 - radius - kDistanceRounding_mm;  // (3)
}

LowerBound BodyCheck::whole_body(const Margins& margins, const BodyPoints& points) const {
  double whole = std::min(margins.least.value, between_stations(margins.least_of_stations));
  const double gap = sampler_.largest_gap_mm();
  const double rise = kappa_max_ * gap * gap / 8.0;  // of an arc over its chord
  if (field_->has_passages())
    for (std::size_t j = 0; j < static_cast<std::size_t>(sampler_.count()); ++j)
      if (may_pass(points, j, 0.5 * gap)) return {-kInfinity};
  const auto margin_at = [&](std::size_t j, double slack) {
    const Eigen::Vector3d p(points.x[j], points.y[j], points.z[j]);
    return field_->lower(p) - static_cast<double>(sampler_.radii_mm()[j]) - slack;
  };
  for (std::size_t j = 0; j + 1 < static_cast<std::size_t>(sampler_.count()); ++j) {
    const auto slack_0 = static_cast<double>(points.slack[j]);
    const auto slack_1 = static_cast<double>(points.slack[j + 1]);
    const auto z_0 = static_cast<double>(points.z[j]);
    const auto z_1 = static_cast<double>(points.z[j + 1]);
    const bool behind = z_0 + slack_0 <= 0.0 && z_1 + slack_1 <= 0.0;
    const bool may_be_past = std::max(z_0 + slack_0, z_1 + slack_1) + rise > 0.0;
    const bool may_be_behind = z_0 - slack_0 <= 0.0 || z_1 - slack_1 <= 0.0;
    if (!may_be_past || !may_be_behind) continue;
    const double run = std::hypot(points.x[j + 1] - points.x[j], points.y[j + 1] - points.y[j]);
    const double leave = behind ? 0.0 : std::min(kCrossing * gap, run + slack_0 + slack_1);
    const double least = std::min(margin_at(j, slack_0), margin_at(j + 1, slack_1));
    whole = std::min(whole, between_stations({least}) - leave);
  }
  return {whole};
}

}  // namespace withy
