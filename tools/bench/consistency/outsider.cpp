// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/outsider.h"

#include <algorithm>
#include <sstream>

#include "tests/support/plain_mesh.h"
#include "tests/support/plain_scene.h"

namespace withy::consistency {
namespace {

constexpr std::size_t kMostGoalStates = 5;

// Shares of the looks.
constexpr double kSeekGoals = 0.35;
constexpr double kWalkHome = 0.35;
constexpr double kWalkIn = 0.3;

long part_of(long looks, double share) {
  return std::max(1L, static_cast<long>(share * static_cast<double>(looks)));
}

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
  auto goals = walker.goal_states(std::nullopt, kMostGoalStates, part_of(most_looks, kSeekGoals));
  made.goal_states = static_cast<int>(goals.size());
  if (known && walker.at_target(*known) && walker.allowed(*known)) goals.push_back(*known);
  for (std::size_t i = goals.size(); i-- > 0 && made.way.empty();)
    made.way = walker.way_home(goals[i], part_of(most_looks, kWalkHome / static_cast<double>(goals.size())));
  if (made.way.empty()) {
    auto way = walker.way_in(part_of(most_looks, kWalkIn));
    if (!way.empty() && walker.at_target(way.back())) made.way = std::move(way);
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
