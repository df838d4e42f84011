// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/obstacles.h"

#include <fmt/format.h>

#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/tip_passage.h"

namespace withy {

std::vector<std::string> target_obstacles(const Design& design, const Goal& goal,
                                          double required_clearance_mm, const WallDistance& wall) {
  std::vector<std::string> found;
  const TipBall ball{design.body_radius(design.length_mm()), required_clearance_mm, goal.point_E,
                     goal.tolerance_mm};
  if (no_room_at_target(wall, ball))
    found.push_back(
        fmt::format("nowhere within the target's tolerance is the wall farther than {:.2f} mm, and the body "
                    "with its clearance needs {:.2f} mm",
                    wall.distance(goal.point_E) + goal.tolerance_mm, ball.radius_mm + ball.clearance_mm));
  const CurveReach reach = reach_of_curves(design);
  const double deep = goal.point_E.z() - goal.tolerance_mm;
  if (deep > reach.deep_mm)
    found.push_back(fmt::format("the target lies {:.1f} mm deep, and insertion ends at {:.1f} mm", deep,
                                design.carriage().insertion_max_mm));
  const double aside = goal.point_E.head<2>().norm() - goal.tolerance_mm;
  if (aside > reach.off_axis_mm)
    found.push_back(fmt::format(
        "the target lies {:.1f} mm beside the entry's axis, and the segment bends {:.1f} mm aside at most",
        aside, reach.off_axis_mm));
  return found;
}

}  // namespace withy
