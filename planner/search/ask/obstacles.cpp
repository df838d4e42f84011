// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/obstacles.h"

#include <fmt/format.h>

#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/tip_passage.h"

namespace withy {

std::vector<std::string> target_obstacles(const Design& design, const Goal& goal,
                                          double required_clearance_mm, const WallDistance& wall,
                                          const std::string& what) {
  std::vector<std::string> found;
  const TipBall ball{design.body_radius(design.length_mm()), required_clearance_mm, goal.point_E,
                     goal.tolerance_mm};
  if (no_room_at_target(wall, ball))
    found.push_back(fmt::format(
        "nowhere within {}'s tolerance is the wall farther than {:.2f} mm, and the body "
        "with its clearance needs {:.2f} mm",
        what, wall.distance(goal.point_E) + goal.tolerance_mm, ball.radius_mm + ball.clearance_mm));
  const CurveReach reach = reach_of_curves(design);
  const double deep = goal.point_E.z();
  if (deep - goal.tolerance_mm > reach.deep_mm)
    found.push_back(
        fmt::format("{} lies {:.2f} mm past the entry plane, with a tolerance of {:g} mm, and insertion ends "
                    "at {:.2f} mm",
                    what, deep, goal.tolerance_mm, design.carriage().insertion_max_mm));
  const double aside = goal.point_E.head<2>().norm();
  if (aside - goal.tolerance_mm > reach.off_axis_mm)
    found.push_back(
        fmt::format("{} lies {:.2f} mm beside the entry's axis, with a tolerance of {:g} mm, and the segment "
                    "bends {:.2f} mm aside at most",
                    what, aside, goal.tolerance_mm, reach.off_axis_mm));
  return found;
}

}  // namespace withy
