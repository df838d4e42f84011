// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/station_box.h"

#include <algorithm>
#include <cmath>

#include "geometry/numbers/numbers.h"
#include "planner/segment/latch.h"

namespace withy {

namespace {

constexpr double kBoxRounding = 1e-9;
constexpr double kBoxRounding_mm = 1e-7;

/// Stations that a design may have, none farther from those of the box than it must be; nothing where the box
/// holds no layout.
std::optional<Stations> nearest_layout(const DesignParts& parts, const StationBox& box) {
  const auto locks = static_cast<int>(box.middle_mm.size());
  Stations at = box.middle_mm;
  const double body = parts.lock->body_length_mm;
  for (int i = 0; i < locks; ++i) {
    const auto k = static_cast<std::size_t>(i);
    const StationRange range = station_range(parts, locks, i);
    at[k] = std::clamp(at[k], range.low_mm, range.high_mm);
    if (i > 0) at[k] = std::max(at[k], at[k - 1] + body);
  }
  for (int i = locks - 2; i >= 0; --i) {
    const auto k = static_cast<std::size_t>(i);
    at[k] = std::min(at[k], at[k + 1] - body);
  }
  return at;
}

double least_region_mm(const Design& design) {
  double least = kInfinity;
  for (int b = 0; b < design.lock_count(); ++b) {
    least = std::min(least, design.flexible_length(0.0, design.station_mm(b)));
    for (int a = 0; a < b; ++a)
      least = std::min(least, design.flexible_length(design.station_mm(a), design.station_mm(b)));
  }
  return least;
}

/// delta of the lemma.
double displacement_mm(const Design& design, double half_mm) {
  const double kappa = design.segment().curvature_max_per_mm;
  const double body = design.lock().body_length_mm;
  const double first = std::max(0.0, design.station_mm(0) - 0.5 * body - half_mm);
  const double opened = design.lock_count() * (body + 2.0 * half_mm);
  return kappa * half_mm * (design.length_mm() - 0.5 * first + opened) * (1.0 + kBoxRounding) +
         kBoxRounding_mm;
}

/// k' of the lemma; nothing where it is none.
std::optional<double> eased_curvature(const Design& design, double half_mm) {
  const double kappa = design.segment().curvature_max_per_mm;
  const LatchHardware& latch = *design.latch();
  const double least_bend = latch.notch_pitch_mm / latch.backbone_radius_mm;
  const double shortest = std::max(least_region_mm(design), least_bend / kappa - 2.0 * half_mm);
  if (shortest <= 0.0) return std::nullopt;
  return kappa * (1.0 + 2.0 * half_mm / shortest) * (1.0 + kBoxRounding);
}

}  // namespace

StationRange station_range(const DesignParts& parts, int locks, int lock) {
  const double body = parts.lock->body_length_mm;
  const double last = parts.segment.length_mm - parts.segment.tip_rigid_mm;
  return {(lock + 0.5) * body, last - (locks - lock - 0.5) * body};
}

bool holds_layouts(const DesignParts& parts, const StationBox& box) {
  const auto locks = static_cast<int>(box.middle_mm.size());
  double least = -kInfinity;  // that the next station may be
  for (int i = 0; i < locks; ++i) {
    const StationRange range = station_range(parts, locks, i);
    const double middle = box.middle_mm[static_cast<std::size_t>(i)];
    const double low = std::max({least, range.low_mm, middle - box.half_mm});
    if (low > std::min(range.high_mm, middle + box.half_mm)) return false;
    least = low + parts.lock->body_length_mm;
  }
  return true;
}

bool layouts_can_be_boxed(const SearchProblem& base) {
  const Design& design = base.design;
  return design.carriage().kind == CarriageKind::free && !base.distance->exact().has_passages() &&
         base.heeded.clearance && base.heeded.latch && design.latch() && design.lock_count() > 0 &&
         design.lock().body_length_mm > 0.0 && lattice_kind(*design.latch()) == LatticeKind::points;
}

std::optional<BoxQuestion> question_over(const SearchProblem& base, const StationBox& box) {
  if (!layouts_can_be_boxed(base)) return std::nullopt;
  DesignParts parts = base.design.parts();
  const auto stations = nearest_layout(parts, box);
  if (!stations) return std::nullopt;
  double half = 0.0;
  for (std::size_t i = 0; i < stations->size(); ++i)
    half = std::max(half, box.half_mm + std::abs((*stations)[i] - box.middle_mm[i]));
  half = half * (1.0 + kBoxRounding) + kBoxRounding_mm;
  const auto design = design_with(parts, *stations, Clockings(stations->size(), 0.0));
  if (!design || half > design->lock().body_length_mm) return std::nullopt;
  const auto kappa = eased_curvature(*design, half);
  if (!kappa) return std::nullopt;
  const double moved = 2.0 * displacement_mm(*design, half);
  parts = design->parts();
  const double turned = 2.0 * parts.segment.curvature_max_per_mm * half + kBoxRounding;
  parts.segment.curvature_max_per_mm = *kappa;
  parts.lock->body_radius_mm = parts.segment.radius_mm;
  auto eased = Design::make(std::move(parts));
  if (!eased) return std::nullopt;
  SearchProblem problem = base;
  problem.design = std::move(*eased);
  problem.heeded.field = problem.heeded.tendons = false;
  problem.required_clearance_mm -= moved;
  const auto ease = [&](Goal& goal) {
    goal.tolerance_mm += moved;
    if (goal.direction_E) goal.direction_tolerance_rad += turned;
  };
  ease(problem.goal);
  for (Goal& via : problem.vias) ease(via);
  problem.station_play_mm = half;
  return BoxQuestion{std::move(problem), {*stations, half}};
}

recheck::ProvedLayout proved_layout(const BoxQuestion& question) {
  const SearchProblem& problem = question.problem;
  recheck::ProvedLayout layout{question.covers.middle_mm, std::nullopt};
  layout.within_mm = question.covers.half_mm;
  layout.eased = {problem.design.segment().curvature_max_per_mm, problem.required_clearance_mm,
                  problem.goal.tolerance_mm, problem.goal.direction_tolerance_rad};
  return layout;
}

}  // namespace withy
