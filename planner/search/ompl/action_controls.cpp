// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ompl/action_controls.h"

#include <array>
#include <cassert>

#include <ompl/control/ControlSpace.h>
#include <ompl/control/StatePropagator.h>
#include <ompl/control/spaces/DiscreteControlSpace.h>
#include <ompl/control/spaces/RealVectorControlSpace.h>

#include "geometry/numbers/numbers.h"

namespace withy {

namespace ob = ompl::base;
namespace oc = ompl::control;

namespace {

// A step goes at most as far along each coordinate as a tile of the space's projection is wide, and a control
// lasts for up to ten of them: half of the insertion's range, all of a curvature's.
constexpr double kInsertionSteps = 20.0;
constexpr double kCurvatureSteps = 10.0;
constexpr unsigned kMostSteps = 10;

// The discrete part counts advance, bend, steer, then lock and unlock of each lock in turn.
constexpr int kMotionKinds = 3;
// Latchable bends are looked for within this (rad) of a wish first, and farther off where there is none.
constexpr double kFirstReach_rad = 0.01;
constexpr std::array<ActionKind, kMotionKinds> kMotions = {ActionKind::advance, ActionKind::bend,
                                                           ActionKind::steer};

/// The latchable bend nearest to `theta`, `before` being the sum of the frozen bends proximal of it.
std::optional<Eigen::Vector2d> nearest_latchable(const BendChart& chart, const Eigen::Vector2d& before,
                                                 const Eigen::Vector2d& theta, double most_rad) {
  std::optional<Eigen::Vector2d> nearest;
  double least = kInfinity;
  const Eigen::Vector2d along = theta - chart.base_of(theta);
  // Near first: all bends of a fine lattice are too many.
  double radius = std::min(kFirstReach_rad, 2.0 * most_rad);
  auto bases = chart.bases_near(before, theta, radius);
  while (bases.empty() && radius < 2.0 * most_rad) {
    radius = std::min(2.0 * radius, 2.0 * most_rad);
    bases = chart.bases_near(before, theta, radius);
  }
  for (const Eigen::Vector2d& base : bases) {
    const Eigen::Vector2d bend = base + along;
    const double distance = (bend - theta).norm();
    if (distance >= least) continue;
    least = distance;
    nearest = bend;
  }
  return nearest;
}

/// `from` with `lock` engaged, the free region bent for it first.
std::optional<State> engaged_near(const Design& design, const BendChart& chart, State from, int lock) {
  const std::size_t r = region_index(from.engaged, lock);
  if (r == from.theta_frozen.size()) {
    const Region region = regions_of(design, from)[r];
    const double f =
        exposed_flexible_length(design, from.insertion_mm, region.from_mm, design.station_mm(lock));
    if (f > kNoLength_mm) {
      Eigen::Vector2d before = Eigen::Vector2d::Zero();
      for (const Eigen::Vector2d& theta : from.theta_frozen) before += theta;
      const auto bend =
          nearest_latchable(chart, before, f * from.u_free, f * design.segment().curvature_max_per_mm);
      if (!bend) return std::nullopt;
      from.u_free = *bend / f;
    }
  }
  return after_lock(design, from, lock);
}

class Propagator : public oc::StatePropagator {
 public:
  Propagator(oc::SpaceInformation* information, const BendChart& chart, const StepJudge& judge)
      : oc::StatePropagator(information), chart_(chart), judge_(judge) {}

  bool canPropagateBackward() const override { return false; }

  /// A step is a step, however long OMPL takes it to last.
  void propagate(const ob::State* state, const oc::Control* control, double /*duration*/,
                 ob::State* result) const override {
    const State from = SegmentSpace::value(state);
    const Design& design = judge_.problem().design;
    const auto steps = steps_of(design, chart_, from, action_step(control, design));
    SegmentSpace::value(result) =
        steps && steps_allowed(judge_, from, *steps) ? steps->back().to : past_all_limits();
  }

 private:
  const BendChart& chart_;
  const StepJudge& judge_;
};

}  // namespace

oc::ControlSpacePtr action_controls(const ob::StateSpacePtr& space, const Design& design) {
  auto controls = std::make_shared<oc::CompoundControlSpace>(space);
  controls->addSubspace(
      std::make_shared<oc::DiscreteControlSpace>(space, 0, kMotionKinds - 1 + 2 * design.lock_count()));
  auto amounts = std::make_shared<oc::RealVectorControlSpace>(space, 3);
  const double insertion = design.carriage().insertion_max_mm / kInsertionSteps;
  const double curvature = design.segment().curvature_max_per_mm / kCurvatureSteps;
  ob::RealVectorBounds bounds(3);
  bounds.low = {-insertion, -curvature, -curvature};
  bounds.high = {insertion, curvature, curvature};
  amounts->setBounds(bounds);
  controls->addSubspace(amounts);
  return controls;
}

ActionStep action_step(const oc::Control* control, [[maybe_unused]] const Design& design) {
  const auto* parts = control->as<oc::CompoundControl>();
  const int which = parts->as<oc::DiscreteControlSpace::ControlType>(0)->value;
  const auto& amounts = *parts->as<oc::RealVectorControlSpace::ControlType>(1);
  ActionStep step;
  if (which < kMotionKinds) {
    step.kind = kMotions[static_cast<std::size_t>(which)];
    if (step.kind != ActionKind::bend) step.insertion_mm = amounts[0];
    if (step.kind != ActionKind::advance) step.curvature_per_mm = {amounts[1], amounts[2]};
    return step;
  }
  step.kind = (which - kMotionKinds) % 2 == 0 ? ActionKind::lock : ActionKind::unlock;
  step.lock = (which - kMotionKinds) / 2;
  assert(step.lock < design.lock_count());
  return step;
}

std::optional<std::vector<RouteStep>> steps_of(const Design& design, const BendChart& chart,
                                               const State& from, const ActionStep& action) {
  if (action.lock < 0) {
    State to = from;
    to.insertion_mm += action.insertion_mm;
    to.u_free += action.curvature_per_mm;
    return std::vector<RouteStep>{{-1, false, to}};
  }
  const bool engages = action.kind == ActionKind::lock;
  if (from.engaged.test(static_cast<std::size_t>(action.lock)) == engages) return std::nullopt;
  const auto to = engages ? engaged_near(design, chart, from, action.lock)
                          : std::optional<State>(after_unlock(design, from, action.lock));
  if (!to) return std::nullopt;
  auto steps = joining_steps(design, from, *to);
  // The action ends with the switch: no bending back.
  if (steps && steps->back().lock < 0) steps->pop_back();
  return steps;
}

std::shared_ptr<oc::SpaceInformation> information_with_actions(const ob::StateSpacePtr& space,
                                                               const BendChart& chart,
                                                               const StepJudge& judge) {
  auto information =
      std::make_shared<oc::SpaceInformation>(space, action_controls(space, judge.problem().design));
  information->setStatePropagator(std::make_shared<Propagator>(information.get(), chart, judge));
  information->setPropagationStepSize(1.0);
  information->setMinMaxControlDuration(1, kMostSteps);
  return information;
}

}  // namespace withy
