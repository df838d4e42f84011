// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/hardware_bounds.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "geometry/numbers/numbers.h"
#include "planner/segment/friction_load.h"

namespace withy {
namespace {

/// Distance from p to the line piece a-b.
double distance_to_line(const Eigen::Vector2d& p, const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  const Eigen::Vector2d along = b - a;
  const double length2 = along.squaredNorm();
  const double t = length2 > 0.0 ? std::clamp((p - a).dot(along) / length2, 0.0, 1.0) : 0.0;
  return (a + t * along - p).norm();
}

Interval box_along(const Eigen::Vector2d& lo, const Eigen::Vector2d& hi, const Eigen::Vector2d& e) {
  const double middle = 0.5 * (lo + hi).dot(e);
  const double half = 0.5 * (hi - lo).dot(e.cwiseAbs());
  return {middle - half, middle + half};
}

/// Distance between points of two boxes: per axis the gap between them, and the farthest apart.
Interval box_distance(const Eigen::Vector2d& alo, const Eigen::Vector2d& ahi, const Eigen::Vector2d& blo,
                      const Eigen::Vector2d& bhi) {
  const Eigen::Vector2d gap = (blo - ahi).cwiseMax(alo - bhi).cwiseMax(0.0);
  const Eigen::Vector2d far = (bhi - alo).cwiseMax(ahi - blo);
  return {gap.norm(), far.norm()};
}

/// Takes up one limit: `size` is what is compared with it; its lower end may be too high by `rounding`.
void judge(Interval size, double rounding, const HardwareBreach& limit, BoundVerdict& so_far) {
  if (so_far.verdict == BoxVerdict::none) return;
  const bool none = surely_exceeds(size.lo - rounding, limit.allowed);
  const bool all = size.hi <= limit.allowed;
  if (none || (!all && so_far.verdict == BoxVerdict::all)) {
    so_far.verdict = none ? BoxVerdict::none : BoxVerdict::some;
    so_far.cause = limit;
    so_far.cause.value = none ? size.lo : size.hi;
  }
}

HardwareBreach about(HardwareLimit limit, int index, double allowed) {
  HardwareBreach breach;
  breach.limit = limit;
  breach.index = index;
  breach.allowed = allowed;
  return breach;
}

}  // namespace

Interval CurvatureRange::along(const Eigen::Vector2d& e) const {
  if (!line) return box_along(a, b, e);
  const double at_a = a.dot(e);
  const double at_b = b.dot(e);
  return {std::min(at_a, at_b), std::max(at_a, at_b)};
}

Interval CurvatureRange::distance_to(const Eigen::Vector2d& lo, const Eigen::Vector2d& hi) const {
  if (!line) return box_distance(a, b, lo, hi);
  // The distance is convex along the line, so it is largest at an end.
  const Eigen::Vector2d centre = 0.5 * (lo + hi);
  const double spread = 0.5 * (hi - lo).norm();
  const double near = distance_to_line(centre, a, b) - spread;
  const double far = std::max((a - centre).norm(), (b - centre).norm()) + spread;
  return {std::max(0.0, near), far};
}

/// Exposed flexible length: it does not shrink as the insertion grows, so the ends of the insertion bound it.
Interval StateBounds::exposed(const StateBox& box, double from_mm, double to_mm) const {
  const auto at = [&](double insertion_mm) {
    const double exposed_from = first_exposed_station(design_, insertion_mm);
    return exposed_from < to_mm ? design_.flexible_length(std::max(from_mm, exposed_from), to_mm) : 0.0;
  };
  const double lo = at(box.insertion_lo_mm);
  return {lo, box.insertion_hi_mm > box.insertion_lo_mm ? at(box.insertion_hi_mm) : lo};
}

StateBounds::RegionRange StateBounds::frozen_range(const StateBox& box, int index, int lock,
                                                   double from_mm) const {
  RegionRange region;
  region.end_lock = lock;
  region.flexible = exposed(box, from_mm, design_.station_mm(lock));
  region.theta_lo = box.theta_lo[static_cast<std::size_t>(index)];
  region.theta_hi = box.theta_hi[static_cast<std::size_t>(index)];
  region.bend =
      box_distance(region.theta_lo, region.theta_hi, Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero());
  region.u = {Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero(), false};
  if (region.bend.hi == 0.0) return region;
  region.unbounded = region.flexible.lo <= kNoLength_mm;
  if (region.unbounded) return region;
  // u = Theta / f: each component is monotone in f, so it is at its ends with f at one of its own.
  const Eigen::Vector2d at_lo = region.theta_lo / region.flexible.lo;
  const Eigen::Vector2d at_hi = region.theta_hi / region.flexible.lo;
  region.u.a = at_lo.cwiseMin(region.theta_lo / region.flexible.hi);
  region.u.b = at_hi.cwiseMax(region.theta_hi / region.flexible.hi);
  region.kappa = {region.bend.lo / region.flexible.hi, region.bend.hi / region.flexible.lo};
  return region;
}

StateBounds::Regions StateBounds::regions_over(const StateBox& box, const CurvatureRange& u) const {
  Regions regions;
  double from = 0.0;
  for (int lock = 0; lock < design_.lock_count(); ++lock) {
    if (!box.engaged.test(static_cast<std::size_t>(lock))) continue;
    regions.item[static_cast<std::size_t>(regions.count)] = frozen_range(box, regions.count, lock, from);
    ++regions.count;
    from = design_.station_mm(lock);
  }
  RegionRange& free = regions.item[static_cast<std::size_t>(regions.count++)];
  free.flexible = exposed(box, from, design_.length_mm());
  free.u = u;
  free.kappa = u.size();
  free.bend = free.flexible * free.kappa;
  return regions;
}

/// r_t e . Theta, bounded by Theta's own box for frozen bends (exact) and by f (e . u) for the free one.
Interval StateBounds::continuous_pull(const Regions& regions, std::size_t tendon) const {
  const Eigen::Vector2d& e = direction_[tendon];
  Interval pull;
  for (int i = 0; i < regions.count; ++i) {
    const RegionRange& r = regions.item[static_cast<std::size_t>(i)];
    if (r.bend.hi == 0.0) continue;
    if (r.unbounded) return Interval::everything();
    const Interval bend = r.end_lock >= 0 ? box_along(r.theta_lo, r.theta_hi, e) : r.flexible * r.u.along(e);
    pull = pull + tendons_.radius_mm * bend;
  }
  return pull;
}

/// The state in the middle of the box, or of the line.
State StateBounds::middle_of(const StateBox& box, const CurvatureRange& u) const {
  State middle;
  middle.insertion_mm = 0.5 * (box.insertion_lo_mm + box.insertion_hi_mm);
  middle.engaged = box.engaged;
  for (std::size_t i = 0; i < box.engaged.count(); ++i)
    middle.theta_frozen.push_back(0.5 * (box.theta_lo[i] + box.theta_hi[i]));
  middle.u_free = u.middle();
  return middle;
}

/// See disk_bounds.h; the state to compare with is the one in the middle.
StateBounds::DiskPulls StateBounds::disk_pulls(const Regions& regions, const StateBox& box,
                                               const CurvatureRange& u) const {
  const State middle = middle_of(box, u);
  const std::vector<Region> at_middle = regions_of(design_, middle);
  std::vector<RegionCurvature> curvature;
  for (int i = 0; i < regions.count; ++i) {
    const RegionRange& r = regions.item[static_cast<std::size_t>(i)];
    const Region& m = at_middle[static_cast<std::size_t>(i)];
    const double off =
        r.end_lock < 0 ? u.radius() : (r.u.b - m.u).cwiseAbs().cwiseMax((m.u - r.u.a).cwiseAbs()).norm();
    // Of a frozen region the sizes are those of its bends, the box of its curvatures has corners beyond.
    curvature.push_back({m.from_mm, m.to_mm, std::max(r.kappa.hi, m.u.norm()), off});
  }
  const Interval exposed_from = {first_exposed_station(design_, box.insertion_hi_mm),
                                 first_exposed_station(design_, box.insertion_lo_mm)};
  const auto disks = disk_stations(design_.length_mm(), tendons_.disk_spacing_mm);
  return {disk_bounds(design_, disks, curvature, exposed_from),
          drawn_by_bends(design_, at_middle, middle.insertion_mm)};
}

Interval StateBounds::pull_over(const Regions& regions, const std::optional<DiskPulls>& disks,
                                std::size_t tendon) const {
  const Interval continuous = continuous_pull(regions, tendon);
  if (!disks) return continuous;
  const double at_middle = disks->at_middle(static_cast<Eigen::Index>(tendon));
  const Interval about_continuous = continuous + disks->bounds.beyond_continuous;
  const Interval about_middle = {at_middle - disks->bounds.off, at_middle + disks->bounds.off};
  const Interval both = {std::max(about_continuous.lo, about_middle.lo),
                         std::min(about_continuous.hi, about_middle.hi)};
  // Where both are one number, rounding may part them.
  return {std::min(both.lo, both.hi), std::max(both.lo, both.hi)};
}

void StateBounds::judge_pulls(const Regions& regions, const StateBox& box, const CurvatureRange& u,
                              BoundVerdict& so_far) const {
  bool bounded = true;
  for (int i = 0; i < regions.count; ++i)
    bounded = bounded && !regions.item[static_cast<std::size_t>(i)].unbounded;
  std::optional<DiskPulls> disks;
  if (tendons_.disk_spacing_mm > 0.0 && bounded) disks = disk_pulls(regions, box, u);
  const double made_of =
      design_.length_mm() + box.insertion_hi_mm + tendons_.radius_mm * wrapped_over(regions).hi;
  for (std::size_t k = 0; k < direction_.size(); ++k) {
    Interval pull = bounded ? pull_over(regions, disks, k) : Interval::everything();
    if (tendons_.motors == Motors::stand) pull = pull - Interval{box.insertion_lo_mm, box.insertion_hi_mm};
    judge({pull.smallest_size(), pull.largest_size()}, kFigureRounding * made_of,
          about(HardwareLimit::stroke, static_cast<int>(k), tendons_.stroke_max_mm), so_far);
  }
}

/// The moments the tendons can make are a convex set (a cone moved by the pretension), so a line lies in it
/// when its ends do and a box when its corners do; nothing of a ball lies in it when its middle is farther
/// from it than the radius.
void StateBounds::judge_plane(const CurvatureRange& u, BoundVerdict& so_far) const {
  if (statics_.spans_plane() || so_far.verdict == BoxVerdict::none) return;
  const double EI = design_.segment().flexural_rigidity_Nmm2;
  std::optional<TensionFault> fault;
  const auto test = [&](double x, double y) {
    const auto extra = statics_.extra_tension(EI * Eigen::Vector2d(x, y));
    if (!extra) fault = extra.error();
  };
  test(u.a.x(), u.a.y());
  test(u.b.x(), u.b.y());
  if (!u.line && u.a != u.b) {
    test(u.a.x(), u.b.y());
    test(u.b.x(), u.a.y());
  }
  if (!fault) return;
  HardwareBreach breach = about(HardwareLimit::tendon_plane, -1, 0.0);
  breach.tension_fault = fault;
  const double out = -statics_.reach_margin(EI * u.middle()) - EI * u.radius();
  const double reach = EI * u.size().hi + tendons_.tension_min_N * tendons_.radius_mm;
  if (out > 2.0 * kLimitRounding * (1.0 + reach * static_cast<double>(direction_.size()))) {
    so_far = {BoxVerdict::none, breach};
  } else if (so_far.verdict == BoxVerdict::all) {
    so_far = {BoxVerdict::some, breach};
  }
}

Interval StateBounds::wrapped_over(const Regions& regions) {
  Interval wrapped;
  for (int i = 0; i < regions.count; ++i) wrapped = wrapped + regions.item[static_cast<std::size_t>(i)].bend;
  return wrapped;
}

/// T_k changes by at most L |delta M| (TendonStatics::lipschitz_N_per_Nmm), so over a ball of moments the
/// largest tension is within L r of that at its middle. On a line between two moments of one sector every T_k
/// is linear, so largest at an end. The capstan factor grows with Lambda.
void StateBounds::judge_tensions(const Regions& regions, const CurvatureRange& u,
                                 BoundVerdict& so_far) const {
  if (so_far.verdict == BoxVerdict::none) return;
  const double EI = design_.segment().flexural_rigidity_Nmm2;
  const Interval wrapped = wrapped_over(regions);
  const double mu = tendons_.friction_coefficient;
  const Interval factor = {capstan_factor(mu, wrapped.lo), capstan_factor(mu, wrapped.hi)};
  const auto middle = statics_.extra_tension(EI * u.middle());
  HardwareBreach limit = about(HardwareLimit::tension, -1, tendons_.tension_max_N);
  if (!middle) return judge({0.0, kInfinity}, 0.0, limit, so_far);
  limit.index = middle->first_N >= middle->second_N ? middle->first : middle->second;
  const double change = statics_.lipschitz_N_per_Nmm() * EI * u.radius();
  Interval tension = {tendons_.tension_min_N + std::max(0.0, middle->largest_N() - change),
                      tendons_.tension_min_N + middle->largest_N() + change};
  if (u.line) {
    const auto a = statics_.extra_tension(EI * u.a);
    const auto b = statics_.extra_tension(EI * u.b);
    const auto same_pair = [&](const ExtraTension& x) {
      return x.first == middle->first && x.second == middle->second;
    };
    if (a && b && same_pair(*a) && same_pair(*b))
      tension.hi = std::min(tension.hi, tendons_.tension_min_N + std::max(a->largest_N(), b->largest_N()));
  }
  const double made_of = tendons_.tension_min_N + middle->largest_N() + change;
  judge({tension.lo * factor.lo, tension.hi * factor.hi}, kFigureRounding * made_of * factor.lo, limit,
        so_far);
}

/// Friction or none, a lock carries at least EI |u_free - u_frozen|: the tensions without friction are among
/// those that it may have. Otherwise the load is that at the middle of the box to within
/// friction_load_change.
void StateBounds::judge_loads(const Regions& regions, const CurvatureRange& u, BoundVerdict& so_far) const {
  if (regions.count == 1 || so_far.verdict == BoxVerdict::none) return;
  const double EI = design_.segment().flexural_rigidity_Nmm2;
  const double mu = tendons_.friction_coefficient;
  const Interval wrapped = wrapped_over(regions);
  const double exponent = mu * 0.5 * (wrapped.lo + wrapped.hi);
  const Eigen::Vector2d moment = EI * u.middle();
  const auto extra = statics_.extra_tension(moment);
  std::optional<FrictionMoments> made;
  if (extra && std::isfinite(exponent)) made.emplace(statics_, moment, *extra, exponent);
  for (int i = 0; i + 1 < regions.count; ++i) {
    const RegionRange& r = regions.item[static_cast<std::size_t>(i)];
    Interval load = {0.0, kInfinity};
    double rounding = 0.0;
    if (!r.unbounded) {
      rounding = EI * (kFigureRounding * u.size().hi +
                       (kFigureRounding + kLengthRounding_mm / r.flexible.lo) * r.kappa.hi);
      load.lo = EI * u.distance_to(r.u.a, r.u.b).lo;
      if (mu == 0.0) load.hi = EI * u.distance_to(r.u.a, r.u.b).hi;
    }
    if (made && !r.unbounded && mu > 0.0) {
      const double at_middle = made->farthest_from(EI * r.u.middle());
      const double change =
          friction_load_change(statics_, EI, u.middle(), *extra, exponent,
                               {u.radius(), r.u.radius(), mu * wrapped.lo, mu * wrapped.hi});
      load = {std::max(load.lo, at_middle - change), at_middle + change};
      rounding += kFigureRounding * (at_middle + change);
    }
    judge(load, rounding, about(HardwareLimit::lock_load, r.end_lock, design_.lock().hold_moment_Nmm),
          so_far);
  }
}

BoundVerdict StateBounds::bounded(const StateBox& box, const CurvatureRange& u) const {
  BoundVerdict verdict;
  const Regions regions = regions_over(box, u);
  judge_pulls(regions, box, u, verdict);
  judge_plane(u, verdict);
  judge_tensions(regions, u, verdict);
  judge_loads(regions, u, verdict);
  return verdict;
}

BoundVerdict StateBounds::over(const StateBox& box) const {
  return bounded(box, {box.u_lo, box.u_hi, false});
}

std::optional<HardwareBreach> StateBounds::on_the_way(const State& from, const State& to,
                                                      const Hardware& hardware) const {
  return search_way(from, to, 1.0, hardware);
}

std::optional<HardwareBreach> StateBounds::search_way(const State& from, const State& to, double share,
                                                      const Hardware& hardware) const {
  StateBox box = StateBox::around(from);
  box.insertion_lo_mm = std::min(from.insertion_mm, to.insertion_mm);
  box.insertion_hi_mm = std::max(from.insertion_mm, to.insertion_mm);
  const BoundVerdict verdict = bounded(box, {from.u_free, to.u_free, true});
  if (verdict.verdict == BoxVerdict::all) return std::nullopt;
  State middle = from;
  middle.insertion_mm = 0.5 * (from.insertion_mm + to.insertion_mm);
  middle.u_free = 0.5 * (from.u_free + to.u_free);
  if (auto breach = hardware.state_breach(middle)) return breach;
  if (share <= kWayResolution) return verdict.cause;
  if (auto breach = search_way(from, middle, 0.5 * share, hardware)) return breach;
  return search_way(middle, to, 0.5 * share, hardware);
}

}  // namespace withy
