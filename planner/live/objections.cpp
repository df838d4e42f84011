// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/objections.h"

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/shown.h"
#include "planner/segment/curvature_limit.h"

namespace withy {
namespace {

/// "the part that lock 2 holds", "the free part".
std::string part_name(const State& state, std::size_t region) {
  std::size_t before = 0;
  for (std::size_t lock = 0; lock < kMaxLocks; ++lock)
    if (state.engaged.test(lock) && before++ == region)
      return fmt::format("the part that lock {} holds", lock + 1);
  return "the free part";
}

/// What of a state is out of its range; empty where nothing is.
std::string limits_objection(const Design& design, const State& state) {
  const double most_mm = design.carriage().insertion_max_mm;
  if (!(state.insertion_mm >= 0.0))
    return fmt::format("the insertion would be {} mm, below 0", shown_at_most(state.insertion_mm));
  if (!(state.insertion_mm <= most_mm))
    return fmt::format("the insertion would be {} mm, above the limit of {} mm",
                       shown_at_least(state.insertion_mm), shown_at_most(most_mm));
  const double most_per_mm = design.segment().curvature_max_per_mm;
  const auto regions = regions_of(design, state);
  for (std::size_t k = 0; k < regions.size(); ++k)
    if (!(regions[k].u.norm() <= most_per_mm * kCurvatureRounding))
      return fmt::format("{} would have a curvature of {} per mm, above the limit of {} per mm",
                         part_name(state, k), shown_at_least(regions[k].u.norm()),
                         shown_at_most(most_per_mm));
  return {};
}

/// As few decimals, one at least, as tell a number from its limit.
int decimals_apart(double found, double allowed) {
  constexpr int kFewest = 1, kMost = 6;
  int decimals = kFewest;
  while (decimals < kMost &&
         fmt::format("{:.{}f}", found, decimals) == fmt::format("{:.{}f}", allowed, decimals))
    ++decimals;
  return decimals;
}

std::string off_and_allowed(double found, double allowed, const char* unit, const char* from) {
  const int decimals = decimals_apart(found, allowed);
  return fmt::format("{:.{}f} {} {} ({:.{}f} allowed)", found, decimals, unit, from, allowed, decimals);
}

}  // namespace

std::string motion_objection(const StepJudge& judge, const State& from, const State& to) {
  for (const State* state : {&from, &to})
    if (auto objection = limits_objection(judge.problem().design, *state); !objection.empty())
      return objection;
  std::string objection = judge.objection(from, to);
  return objection.empty() ? std::string("it can't be proved clear of the wall") : objection;
}

std::string target_objection(const Goal& goal, const Eigen::Isometry3d& tip_E) {
  const double off_mm = goal.distance(tip_E), off_rad = goal.direction_error(tip_E);
  const bool there = off_mm <= goal.tolerance_mm, along = off_rad <= goal.direction_tolerance_rad;
  if (there && along) return {};
  const auto place = [&] {
    return "the tip would stop " + off_and_allowed(off_mm, goal.tolerance_mm, "mm", "from the target");
  };
  const auto direction = [&] {
    return "point " + off_and_allowed(degrees(off_rad), degrees(goal.direction_tolerance_rad), "degrees",
                                      "off the wanted direction");
  };
  if (along) return place();
  if (there) return fmt::format("the tip would be at the target, {:.2f} mm off, but {}", off_mm, direction());
  return place() + " and " + direction();
}

}  // namespace withy
