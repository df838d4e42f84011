// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/motion_acceleration.h"

#include <algorithm>
#include <cmath>

namespace withy {

namespace {

// See the header: far above what some dozens of roundings of 2^-53 come to.
constexpr double kAccelerationRounding = 1.0 + 1e-12;

/// Is the body rigid at this station? At an end of a span either answer will do.
bool rigid_at(const Design& design, double s_mm) {
  const auto& spans = design.rigid_spans();
  return std::any_of(spans.begin(), spans.end(),
                     [&](const RigidSpan& span) { return span.from_mm <= s_mm && s_mm <= span.to_mm; });
}

}  // namespace

MotionAcceleration::MotionAcceleration(const Design& design, const State& from, const State& to)
    : design_(design),
      from_insertion_mm_(from.insertion_mm),
      dd_(to.insertion_mm - from.insertion_mm),
      du_((to.u_free - from.u_free).norm()),
      kappa_free_(std::max(from.u_free.norm(), to.u_free.norm())),
      free_from_mm_(0.0) {
  for (const Region& region : regions_of(design, from)) {
    if (region.frozen())
      frozen_.push_back({region.from_mm, region.to_mm, region.theta.norm()});
    else
      free_from_mm_ = region.from_mm;
  }
}

double MotionAcceleration::bound(double t0, double t1, double s_mm) const {
  const double d0 = from_insertion_mm_ + t0 * dd_;
  const double d1 = from_insertion_mm_ + t1 * dd_;
  const double x0 = first_exposed_station(design_, std::max(d0, d1));
  const double l = std::max(0.0, s_mm - std::max(free_from_mm_, x0));
  const double c = kTangentAcceleration;
  const double bending = c * du_ * du_ * l * l * l / 3.0;  // (1)
  const double middle = 0.5 * (d0 + d1);
  const double cut = first_exposed_station(design_, middle);
  const bool moves = design_.carriage().kind == CarriageKind::guide && dd_ != 0.0 &&
                     middle < design_.length_mm() && !rigid_at(design_, cut);
  if (!moves || s_mm <= x0) return bending * kAccelerationRounding;
  const double dd = std::abs(dd_);
  for (const FrozenStretch& region : frozen_)
    if (cut < region.to_mm)
      return (bending + dd * dd * of_cut_frozen(region, std::min(d0, d1), s_mm)) * kAccelerationRounding;
  const double kappa = kappa_free_;
  return (bending + kappa * dd * dd + 2.0 * du_ * dd * l +
          c * (kappa * du_ * dd * l * l + kappa * kappa * dd * dd * l)) *
         kAccelerationRounding;  // (2)
}

/// (3), for dd = 1.
double MotionAcceleration::of_cut_frozen(const FrozenStretch& region, double d_low_mm, double s_mm) const {
  if (region.bend_rad == 0.0) return 0.0;
  const double x0 = first_exposed_station(design_, d_low_mm);
  // A state's bend has more than kNoLength_mm to bend over; interpolation may round below that.
  const double f =
      std::max(kNoLength_mm, exposed_flexible_length(design_, d_low_mm, region.from_mm, region.to_mm));
  const double to = std::min(s_mm, region.to_mm);
  const double r = to > x0 ? to - x0 - design_.flexible_length(x0, to) : 0.0;
  const double kappa = region.bend_rad / f;
  return kappa * (2.0 + 2.0 * r / f + kTangentAcceleration * kappa * (f / 3.0 + r));
}

}  // namespace withy
