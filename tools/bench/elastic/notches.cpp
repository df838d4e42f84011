// SPDX-License-Identifier: GPL-3.0-or-later
// Every latched bend of a plan's locks: does one end within the target for the ideal segment and for the
// elastic body? The wall is left out, so that a "no" says that no plan with these locks engaged at the target
// holds both ways, as far as the grid of insertions and the optimisers go.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <functional>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_report.h"
#include "planner/motion/action.h"
#include "planner/search/route/route.h"
#include "planner/segment/hardware.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "planner/stand/improve.h"
#include "tools/bench/elastic/tables.h"

namespace withy::bench {
namespace {

/// Insertions about the ideal segment's that are tried, farthest and apart.
constexpr double kFarthest_mm = 2.0;
constexpr double kApart_mm = 0.5;
/// How finely the least cone is found.
constexpr double kCone_rad = 0.25 / kDegreesPerRadian;

/// Locks that the plan has engaged at the target, base to tip.
std::vector<int> held_locks(const Plan& plan) {
  const LockSet& engaged = plan.states[static_cast<std::size_t>(plan.reached_state)].engaged;
  std::vector<int> locks;
  for (int i = 0; i < kMaxLocks; ++i)
    if (engaged.test(static_cast<std::size_t>(i))) locks.push_back(i);
  return locks;
}

/// Calls `judge` with the steps of every way to freeze these locks one after the other, base to tip.
void for_each_freezing(const Design& design, const std::vector<int>& locks, std::vector<State> steps,
                       const std::function<void(const std::vector<State>&)>& judge) {
  if (locks.empty()) return judge(steps);
  const int lock = locks.front();
  State before = steps.back();
  const State probe = after_lock(design, before, lock);
  const Region region = regions_of(design, probe)[region_index(probe.engaged, lock)];
  const double most = design.segment().curvature_max_per_mm * region.flexible_mm;
  for (const Eigen::Vector2d& theta :
       lattice_points(exact_latch(*design.latch()), Eigen::Vector2d::Zero(), most)) {
    before.u_free = theta / region.flexible_mm;
    if (!within_limits(design, before) || Hardware(design).state_breach(before)) continue;
    std::vector<State> more = steps;
    more.push_back(before);
    more.push_back(after_lock(design, before, lock));
    for_each_freezing(design, {locks.begin() + 1, locks.end()}, std::move(more), judge);
  }
}

/// Less bend than the aim takes is tried in steps of this share: tendons may not bear all of it.
constexpr double kLessBend = 0.95;
constexpr int kLessBends = 12;

/// The direction is weighed by so much more against the point.
constexpr std::array kDirectionWeights = {1.0, 2.0, 4.0};

/// Of several starts, weights and with less and less bend, the end with these frozen bends within the goal
/// and the limits whose ideal tip is nearest to the goal's middle; nothing where there is none.
std::optional<State> ideal_end(const Design& design, const Goal& goal, State from) {
  const Hardware hardware(design);
  std::optional<State> best;
  double least = kInfinity;
  const auto take = [&](const State& end) {
    const Eigen::Isometry3d tip = Shape(design, end).tip_E();
    const double turn = goal.direction_E ? goal.direction_error(tip) / goal.direction_tolerance_rad : 0.0;
    const double miss = std::hypot(goal.distance(tip) / goal.tolerance_mm, turn);
    if (miss >= least || !goal.holds(tip) || hardware.state_breach(end)) return;
    least = miss;
    best = end;
  };
  const double most = design.segment().curvature_max_per_mm;
  for (const double weight : kDirectionWeights) {
    Goal weighed = goal;
    weighed.direction_tolerance_rad /= weight;
    for (int start = 0; start < 9; ++start) {
      const double way = 0.25 * M_PI * start;
      from.u_free = start == 8 ? Eigen::Vector2d::Zero()
                               : Eigen::Vector2d(0.5 * most * Eigen::Vector2d(std::cos(way), std::sin(way)));
      auto end = aimed(design, weighed, from, most);
      for (int less = 0; end && less < kLessBends; ++less) {
        take(*end);
        end = aimed(design, weighed, *end, kLessBend * end->u_free.norm());
      }
    }
    if (!goal.direction_E) break;
  }
  return best;
}

/// In by these states, at the insertion of the last, and one step back.
Plan plan_through(const std::vector<State>& states) {
  Plan plan;
  plan.states.push_back({State{}});
  State in;
  in.insertion_mm = states.back().insertion_mm;
  plan.states.push_back({in});
  for (State state : states) {
    state.insertion_mm = in.insertion_mm;
    plan.states.push_back({state});
  }
  plan.reached_state = static_cast<int>(plan.states.size()) - 1;
  plan.states.push_back(plan.states[plan.states.size() - 2]);
  for (std::size_t i = 1; i < plan.states.size(); ++i) {
    PlannedAction action;
    action.kind = ActionKind::steer;
    action.from = static_cast<int>(i) - 1;
    action.to = static_cast<int>(i);
    const LockSet switched = plan.states[i].engaged ^ plan.states[i - 1].engaged;
    if (switched.any()) {
      action.kind = ActionKind::lock;
      for (std::size_t lock = 0; lock < switched.size(); ++lock)
        if (switched.test(lock)) action.lock = static_cast<int>(lock);
    }
    plan.actions.push_back(action);
  }
  return plan;
}

/// Where the elastic body ends with compensated pulls.
struct End {
  double miss_mm = kInfinity;
  double direction_rad = kInfinity;
};

End elastic_end(const Design& design, const Plan& plan, const ElasticTarget& target) {
  const FollowSettings settings = script_settings();
  const Compensation made = compensate(design, plan, target, settings);
  if (made.fault) return {};
  const auto tip_E = followed_tip_E(plan, follow_plan(design, plan, made.corrections, settings));
  return tip_E ? End{target.miss_mm(*tip_E), target.direction_error_rad(*tip_E)} : End{};
}

/// The least cone within which the elastic body ends within the target's tolerance, at most `most_rad`.
double least_cone_rad(const Design& design, const Plan& plan, ElasticTarget target, double most_rad) {
  double low = target.direction_tolerance_rad;
  const auto holds = [&](double cone_rad) {
    target.direction_tolerance_rad = cone_rad;
    const End end = elastic_end(design, plan, target);
    return end.miss_mm <= target.tolerance_mm && end.direction_rad <= cone_rad;
  };
  if (holds(low)) return low;
  if (!holds(most_rad)) return kInfinity;
  while (most_rad - low > kCone_rad) {
    const double middle = 0.5 * (low + most_rad);
    (holds(middle) ? most_rad : low) = middle;
  }
  return most_rad;
}

/// Of all bends of one question.
struct NotchTally {
  int bends = 0, ideal = 0, elastic = 0, both = 0;
  double least_miss_mm = kInfinity;
  double least_cone_rad = kInfinity;
};

void judge_bends(const PlannedQuestion& question, const std::vector<State>& steps, NotchTally& tally) {
  const Design& design = question.problem.design;
  const Goal& goal = question.problem.goal;
  const ElasticTarget target = elastic_target(question.prepared.scene);
  ++tally.bends;
  const auto middle = ideal_end(design, goal, steps.back());
  if (!middle) return;
  ++tally.ideal;
  bool any = false, both = false;
  for (double off = -kFarthest_mm; off <= kFarthest_mm; off += kApart_mm) {
    State end = *middle;
    end.insertion_mm += off;
    std::vector<State> states(steps.begin() + 1, steps.end());
    states.push_back(end);
    const Plan plan = plan_through(states);
    const End elastic = elastic_end(design, plan, target);
    tally.least_miss_mm = std::min(tally.least_miss_mm, elastic.miss_mm);
    if (elastic.miss_mm > target.tolerance_mm) continue;
    if (elastic.direction_rad <= target.direction_tolerance_rad) {
      any = true;
      both |= goal.holds(Shape(design, end).tip_E());
      tally.least_cone_rad = target.direction_tolerance_rad;
    } else {
      const double cone =
          least_cone_rad(design, plan, target, std::min(elastic.direction_rad, tally.least_cone_rad));
      tally.least_cone_rad = std::min(tally.least_cone_rad, cone);
    }
  }
  tally.elastic += any ? 1 : 0;
  tally.both += both ? 1 : 0;
}

}  // namespace

bool print_notches(const ElasticQuestions& questions) {
  fmt::print(
      "latched bends of the locks that the plan has engaged at the target, the wall left out: all, those "
      "with "
      "which the ideal segment ends within the target, and of these those with which the elastic body does, "
      "at an insertion within {} mm of the ideal one's middle, and both at one insertion; the nearest that "
      "the elastic tip gets, mm; the least cone of the direction in which it ends within the tolerance, and "
      "the one that is asked for, degrees\n",
      kFarthest_mm);
  return for_each_question(questions, [&](const PlannedQuestion& question) {
    const Design& design = question.problem.design;
    if (!design.latch() || lattice_kind(exact_latch(*design.latch())) != LatticeKind::points ||
        design.lock_count() == 0 || design.carriage().kind != CarriageKind::free)
      return;
    const auto plan = asked_plan(questions, question);
    if (!plan) return;
    NotchTally tally;
    State start;
    start.insertion_mm = plan->states[static_cast<std::size_t>(plan->reached_state)].insertion_mm;
    for_each_freezing(design, held_locks(*plan), {start},
                      [&](const std::vector<State>& steps) { judge_bends(question, steps, tally); });
    fmt::print("{:<13}{:>2}{:>6}{:>6}{:>6}{:>6}{:>8.2f}{:>8.1f}{:>8.1f}\n", question.scene,
               design.lock_count(), tally.bends, tally.ideal, tally.elastic, tally.both, tally.least_miss_mm,
               degrees(tally.least_cone_rad), degrees(question.problem.goal.direction_tolerance_rad));
    std::fflush(stdout);
  });
}

}  // namespace withy::bench
