// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/motion_look.h"

#include <algorithm>
#include <cmath>
#include <deque>

#include "planner/effort/shares.h"
#include "planner/motion/action.h"

namespace withy {

namespace {

// Of the body's stations: the bound between them then loses 0.02 mm at a radius of 1.5 mm.
constexpr double kLookSpacing_mm = 0.5;
// A part that moves the tip by less than this (mm) either way and settles nothing is left to a closer look.
constexpr double kLeastTravel_mm = 0.02;

struct Part {
  double t0;
  double t1;
};

}  // namespace

MotionLook::MotionLook(const Design& design, std::shared_ptr<const DistanceField> field)
    : body_(design, std::move(field), kLookSpacing_mm) {}

MotionLook::Finding MotionLook::look(const State& from, const State& to, double required_mm,
                                     double plenty_mm) const {
  const Design& design = body_.sampler().design();
  BodyPoints points = body_.make_points();
  const double advance = std::abs(to.insertion_mm - from.insertion_mm);
  const double turn = (to.u_free - from.u_free).norm();
  std::deque<Part> parts = {{0.0, 1.0}};
  for (int count = 0; !parts.empty(); ++count) {
    if (count == shares::kQuickParts) return Finding::unsure;
    const Part part = parts.front();
    parts.pop_front();
    const State low = interpolate(from, to, part.t0);
    const State high = interpolate(from, to, part.t1);
    const State middle = interpolate(from, to, 0.5 * (part.t0 + part.t1));
    const double half = 0.5 * (part.t1 - part.t0);
    const MotionBounds bounds = motion_bounds(design, StateRange::of_motion(low, high));
    const auto margins = body_.evaluate(middle, bounds, half * advance, half * turn, points, required_mm);
    if (margins.blocked.value < required_mm) return Finding::not_clear;
    if (margins.least.value >= plenty_mm && body_.whole_body(margins, points).value >= plenty_mm) continue;
    const double tip = design.length_mm();
    if (half * (bounds.insertion_lever(tip) * advance + bounds.curvature_lever_mm2(tip) * turn) <
        kLeastTravel_mm)
      return Finding::unsure;
    const double t = 0.5 * (part.t0 + part.t1);
    parts.push_back({part.t0, t});
    parts.push_back({t, part.t1});
  }
  return Finding::clear;
}

}  // namespace withy
