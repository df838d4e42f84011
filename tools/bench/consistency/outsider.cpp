// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/outsider.h"

#include <algorithm>
#include <sstream>

#include "tests/support/plain_mesh.h"
#include "tests/support/plain_scene.h"

namespace withy::consistency {
namespace {

constexpr int kMostGoalStates = 6;
constexpr int kMostDraws = 150;
constexpr long kLooksForADraw = 20;  // what a draw that fails may stand for, so that draws end

}  // namespace

Attack attack(const std::filesystem::path& scene, const std::optional<withy_plain::State>& known,
              long most_looks, unsigned seed) {
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(scene.string());
  if (!robot.scene.layouts.empty()) robot.layout = robot.scene.layouts.begin()->second;
  const withy_plain::Solid solid = withy_plain::make_solid(
      withy_plain::read_mesh(robot.scene.mesh_path, robot.scene.mm_per_unit), robot.scene);
  withy_plain::Walker walker(robot, solid, seed);

  Attack made;
  const auto walk_from = [&](const withy_plain::State& goal) {
    ++made.goal_states;
    made.way = walker.way_home(goal, std::max(1L, most_looks / 4));
    return !made.way.empty();
  };
  bool home = known && walker.at_target(*known) && walker.allowed(*known) && walk_from(*known);
  for (int i = 0; i < kMostDraws && !home && made.goal_states < kMostGoalStates; ++i) {
    if (walker.looks() + i * kLooksForADraw >= 2 * most_looks) break;
    const auto near = i % 3 == 0 && known ? known : walker.random_state();
    const auto goal = near ? walker.state_at_target(*near) : std::nullopt;
    home = goal && walk_from(*goal);
  }
  made.looks = walker.looks();
  return made;
}

std::string words(const std::vector<withy_plain::State>& way) {
  std::ostringstream out;
  out.precision(17);
  for (const withy_plain::State& state : way) {
    out << "insertion " << state.insertion_mm;
    for (const auto& r : state.regions)
      out << "; " << r.from_mm << " to " << r.to_mm << " mm: u = " << r.u.transpose();
    out << '\n';
  }
  return out.str();
}

}  // namespace withy::consistency
