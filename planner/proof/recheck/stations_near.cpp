// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/stations_near.h"

#include <algorithm>

#include <fmt/format.h>

#include "planner/proof/interval/interval.h"
#include "planner/proof/recheck/lattice.h"

namespace withy::recheck {
namespace {

/// Least flexible length from the base or a lock to a lock: a lower bound.
double least_region_mm(const Robot& robot) {
  const double w = robot.lock->body_length_mm;
  const std::vector<double>& s = robot.layout.station_mm;
  double least = next_down(s[0] - next_up(0.5 * w));
  for (std::size_t b = 1; b < s.size(); ++b)
    least = std::min(least, next_down(next_down(s[b] - s[b - 1]) - w));
  return std::max(0.0, least);
}

/// delta, an upper bound.
double displacement_mm(const Robot& robot, double h) {
  const Interval w(robot.lock->body_length_mm);
  const Interval near(h);
  const double first = std::max(0.0, (Interval(robot.layout.station_mm[0]) - Interval(0.5) * w - near).lo);
  const Interval opened = Interval(static_cast<double>(robot.lock_count())) * (w + Interval(2.0) * near);
  return (Interval(robot.segment.curvature_max_per_mm) * near *
          (Interval(robot.segment.length_mm) - Interval(0.5 * first) + opened))
      .hi;
}

/// The curvature that is to be allowed, an upper bound; 0 where none is enough.
double curvature_wanted(const Robot& robot, double h) {
  const Interval k(robot.segment.curvature_max_per_mm);
  const Interval notched =
      Interval(robot.latch->notch_pitch_mm) / (Interval(robot.latch->backbone_radius_mm) * k) -
      Interval(2.0 * h);
  const double shortest = std::max(least_region_mm(robot), notched.lo);
  if (!(shortest > 0.0)) return 0.0;
  return (k * (Interval(1.0) + Interval(2.0 * h) / Interval(shortest))).hi;
}

std::string premise_fault(const Robot& robot, const CertificateHeader& header, const WallDistance& distance) {
  const bool no_more_limits = !header.uses("tendons") && !header.uses("field");
  if (robot.guide || distance.has_passages() || !header.uses("latch") || !no_more_limits || !robot.latch ||
      Lattice(robot.latch).kind() != Lattice::Kind::points || robot.lock_count() == 0)
    return "boxes of stations can't be proved like that: they want a free carriage, a closed channel, "
           "notches that "
           "hold a bend both ways, and no use of tendons and field";
  if (header.layout->within_mm > robot.lock->body_length_mm)
    return "its stations may lie farther off than a lock is long";
  if (header.claim != "unreachable") return "a box of stations goes with the claim \"unreachable\" only";
  return "";
}

}  // namespace

std::string eased_fault(const Robot& robot, const CertificateHeader& header, const WallDistance& distance) {
  if (std::string fault = premise_fault(robot, header, distance); !fault.empty()) return fault;
  const ProvedLayout& layout = *header.layout;
  const double h = layout.within_mm;
  const double moved = next_up(2.0 * displacement_mm(robot, h));
  const double curvature = curvature_wanted(robot, h);
  const ProvedTarget& target = header.targets.front();
  const double turned = (Interval(2.0 * h) * Interval(robot.segment.curvature_max_per_mm)).hi;
  const auto too_little = [](const char* what, double is, double wanted) {
    return fmt::format("its {} of {:.9g} is not eased enough for its box of stations: {:.9g} is wanted", what,
                       is, wanted);
  };
  if (!(curvature > 0.0)) return "its box of stations is too wide for any curvature limit";
  if (layout.eased.curvature_per_mm < curvature)
    return too_little("curvature", layout.eased.curvature_per_mm, curvature);
  if (layout.eased.clearance_mm > next_down(header.required_clearance_mm - moved))
    return too_little("clearance", layout.eased.clearance_mm, header.required_clearance_mm - moved);
  if (layout.eased.tolerance_mm < next_up(target.tolerance_mm + moved))
    return too_little("tolerance", layout.eased.tolerance_mm, target.tolerance_mm + moved);
  if (target.direction_S &&
      layout.eased.direction_tolerance_rad < next_up(target.direction_tolerance_rad + turned))
    return too_little("cone", layout.eased.direction_tolerance_rad, target.direction_tolerance_rad + turned);
  return "";
}

void ease(Robot& robot, const ProvedLayout& layout) {
  robot.segment.curvature_max_per_mm = layout.eased.curvature_per_mm;
  robot.lock->body_radius_mm = robot.segment.radius_mm;
  robot.clearance_mm = layout.eased.clearance_mm;
  robot.station_play_mm = layout.within_mm;
}

void ease(GoalRegion& goal, const ProvedLayout& layout) {
  goal.tolerance_mm = std::max(goal.tolerance_mm, next_up(layout.eased.tolerance_mm + 1e-9));
  if (goal.direction_E) goal.direction_tolerance_rad = layout.eased.direction_tolerance_rad + 1e-9;
}

}  // namespace withy::recheck
