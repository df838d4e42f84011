// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ompl/segment_space.h"

#include <algorithm>
#include <cmath>

#include <ompl/base/MotionValidator.h>
#include <ompl/base/ProjectionEvaluator.h>
#include <ompl/base/StateSampler.h>
#include <ompl/base/StateValidityChecker.h>
#include <ompl/base/objectives/PathLengthOptimizationObjective.h>

#include "planner/effort/shares.h"
#include "planner/search/cells/goal_descent.h"
#include "planner/search/ompl/action_controls.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace ob = ompl::base;

namespace {

// What a differing lock adds to the distance of two states (mm): as much as a good part of an insertion.
constexpr double kLockDistance = 50.0;
// A state between two leaves is only given out when it is nearer to where it leads by this part of what was
// asked: the way to a switch may lead away first, and planners that step on for as long as they get on would
// go round for ever.
constexpr double kLeastProgress = 0.5;
// First step of insertion by which a random goal sample is improved.
constexpr double kGoalStep_mm = 20.0;

}  // namespace

State past_all_limits() {
  State state;
  state.insertion_mm = -1.0;
  return state;
}

namespace {

double motion_distance(const Design& design, const State& a, const State& b) {
  const double l = design.length_mm();
  return std::abs(a.insertion_mm - b.insertion_mm) + 0.5 * l * l * (a.u_free - b.u_free).norm();
}

/// The state a fraction t of the way along the steps.
State state_along(const Design& design, const State& from, const std::vector<RouteStep>& steps, double t) {
  const auto length = [&](const State& at, const RouteStep& step) {
    return step.lock < 0 ? motion_distance(design, at, step.to) : kLockDistance;
  };
  double left = 0.0;
  const State* at = &from;
  for (const RouteStep& step : steps) {
    left += t * length(*at, step);
    at = &step.to;
  }
  at = &from;
  for (const RouteStep& step : steps) {
    const double all = length(*at, step);
    if (left < all) return step.lock < 0 ? withy::interpolate(*at, step.to, left / all) : *at;
    left -= all;
    at = &step.to;
  }
  return steps.back().to;
}

class Sampler : public ob::StateSampler {
 public:
  explicit Sampler(const SegmentSpace* space) : ob::StateSampler(space), segment_(*space) {}

  void sampleUniform(ob::State* state) override { SegmentSpace::value(state) = random_state(); }

  void sampleUniformNear(ob::State* state, const ob::State* near, double distance) override {
    State& out = SegmentSpace::value(state);
    out = SegmentSpace::value(near);
    const double l = segment_.problem().design.length_mm();
    const double share = rng_.uniform01();
    out.insertion_mm += rng_.uniformReal(-1.0, 1.0) * share * distance;
    const double angle = rng_.uniformReal(-M_PI, M_PI);
    out.u_free +=
        (1.0 - share) * distance / (0.5 * l * l) * Eigen::Vector2d(std::cos(angle), std::sin(angle));
    segment_.enforceBounds(state);
  }

  void sampleGaussian(ob::State* state, const ob::State* mean, double deviation) override {
    sampleUniformNear(state, mean, std::abs(rng_.gaussian(0.0, deviation)));
  }

 private:
  /// All discrete parts of bends; of a lattice too fine to lay out those near a curvature that is drawn.
  template <class Draw>
  std::vector<Eigen::Vector2d> bases_to_draw_from(const Eigen::Vector2d& sum, double most,
                                                  const Draw& in_disk) {
    const BendChart& chart = segment_.chart();
    std::vector<Eigen::Vector2d> bases;
    const bool all = chart.for_each_base(sum, Eigen::Vector2d::Zero(), most, Effort(), [&](const auto& base) {
      bases.push_back(base);
      return static_cast<double>(bases.size()) < shares::kLatticeAtOnce;
    });
    if (all) return bases;
    const Eigen::Vector2d wish =
        in_disk() * (most / segment_.problem().design.segment().curvature_max_per_mm);
    bases.clear();
    for (double radius = 1e-3 * most; bases.empty() && radius <= 2.0 * most; radius *= 2.0)
      bases = chart.bases_near(sum, wish, radius);
    return bases;
  }

  State random_state() {
    const Design& design = segment_.problem().design;
    const double kappa = design.segment().curvature_max_per_mm;
    const auto in_disk = [&] {
      const double r = kappa * std::sqrt(rng_.uniform01());
      const double a = rng_.uniformReal(-M_PI, M_PI);
      return Eigen::Vector2d(r * std::cos(a), r * std::sin(a));
    };
    State state;
    state.insertion_mm = rng_.uniformReal(0.0, design.carriage().insertion_max_mm);
    state.u_free = in_disk();
    double from = 0.0;
    Eigen::Vector2d sum = Eigen::Vector2d::Zero();
    for (int lock = 0; lock < design.lock_count(); ++lock) {
      if (rng_.uniformBool()) continue;
      const double most = kappa * design.flexible_length(from, design.station_mm(lock));
      const auto bases = bases_to_draw_from(sum, most, in_disk);
      if (bases.empty()) continue;
      Eigen::Vector2d theta =
          bases[static_cast<std::size_t>(rng_.uniformInt(0, static_cast<int>(bases.size()) - 1))];
      for (int c = 0; c < segment_.chart().coordinates(); ++c)
        theta += rng_.uniformReal(-most, most) * segment_.chart().axes().col(c);
      if (theta.norm() > most) continue;
      state.engaged.set(static_cast<std::size_t>(lock));
      state.theta_frozen.push_back(theta);
      sum += theta;
      from = design.station_mm(lock);
    }
    return state;
  }

  const SegmentSpace& segment_;
};

/// Insertion and the free curvature's two components: enough for planners that tile a projection.
class Projection : public ob::ProjectionEvaluator {
 public:
  explicit Projection(const ob::StateSpace* space) : ob::ProjectionEvaluator(space) {}
  unsigned int getDimension() const override { return 3; }
  void defaultCellSizes() override {
    const auto& design = space_->as<SegmentSpace>()->problem().design;
    const double insertion = design.carriage().insertion_max_mm;
    const double kappa = design.segment().curvature_max_per_mm;
    cellSizes_ = {insertion / 20.0, kappa / 10.0, kappa / 10.0};
    bounds_.low = {0.0, -kappa, -kappa};
    bounds_.high = {insertion, kappa, kappa};
  }
  void project(const ob::State* state, Eigen::Ref<Eigen::VectorXd> projection) const override {
    const State& s = SegmentSpace::value(state);
    projection << s.insertion_mm, s.u_free.x(), s.u_free.y();
  }
};

class Validity : public ob::StateValidityChecker {
 public:
  Validity(const ob::SpaceInformationPtr& information, const StepJudge& judge)
      : ob::StateValidityChecker(information), judge_(judge) {}
  bool isValid(const ob::State* state) const override {
    return judge_.motion_allowed(SegmentSpace::value(state), SegmentSpace::value(state));
  }

 private:
  const StepJudge& judge_;
};

/// Verified, not sampled: the same proofs that withy's own plans rest on.
class VerifiedMotions : public ob::MotionValidator {
 public:
  VerifiedMotions(const ob::SpaceInformationPtr& information, const StepJudge& judge)
      : ob::MotionValidator(information), judge_(judge) {}

  bool checkMotion(const ob::State* a, const ob::State* b) const override {
    const State& from = SegmentSpace::value(a);
    const auto steps = joining_steps(judge_.problem().design, from, SegmentSpace::value(b));
    const bool ok = steps && steps_allowed(judge_, from, *steps);
    ++(ok ? valid_ : invalid_);
    return ok;
  }

  bool checkMotion(const ob::State* a, const ob::State* b,
                   std::pair<ob::State*, double>& last_valid) const override {
    if (checkMotion(a, b)) return true;
    if (last_valid.first != nullptr) si_->copyState(last_valid.first, a);
    last_valid.second = 0.0;
    return false;
  }

 private:
  const StepJudge& judge_;
};

/// States whose tip is at the target. Samples: a random state, then a descent of the tip's error over
/// insertion and curvature; a state past all limits when that fails.
class TipGoal : public ob::GoalSampleableRegion {
 public:
  TipGoal(const ob::SpaceInformationPtr& information, const SearchProblem& problem)
      : ob::GoalSampleableRegion(information),
        problem_(problem),
        sampler_(information->allocStateSampler()) {}

  /// 0 for whatever holds the goal. OMPL's threshold stays at its own, next to nothing above 0: a distance
  /// counts as reached below it, not at it.
  double distanceGoal(const ob::State* state) const override {
    const State& value = SegmentSpace::value(state);
    return problem_.goal.holds(Shape(problem_.design, value).tip_E())
               ? 0.0
               : goal_miss(problem_.design, problem_.goal, value);
  }
  unsigned int maxSampleCount() const override { return 1000000; }

  /// One attempt. Planners check what they are given and ask again, in between doing other things.
  void sampleGoal(ob::State* state) const override {
    sampler_->sampleUniform(state);
    State& value = SegmentSpace::value(state);
    if (!descend(value)) value = past_all_limits();
  }

 private:
  bool descend(State& state) const {
    const Design& design = problem_.design;
    GoalDescent descent;
    descent.insertion_step_mm = kGoalStep_mm;
    descent.curvature_step_per_mm = 0.25 * design.segment().curvature_max_per_mm;
    descent.within = [&](const State& next) { return within_limits(design, next) ? next : state; };
    const auto goal = descend_to_goal(design, problem_.goal, state, descent);
    if (goal) state = *goal;
    return goal.has_value();
  }

  const SearchProblem& problem_;
  ob::StateSamplerPtr sampler_;
};

}  // namespace

SegmentSpace::SegmentSpace(const SearchProblem& problem, const BendChart& chart)
    : problem_(problem), chart_(chart) {
  setName("segment");
  type_ = ob::STATE_SPACE_UNKNOWN;
}

double SegmentSpace::getMaximumExtent() const {
  const double l = problem_.design.length_mm();
  return problem_.design.carriage().insertion_max_mm +
         l * l * problem_.design.segment().curvature_max_per_mm +
         kLockDistance * problem_.design.lock_count();
}

double SegmentSpace::getMeasure() const {
  const double kappa = problem_.design.segment().curvature_max_per_mm;
  return problem_.design.carriage().insertion_max_mm * M_PI * kappa * kappa;
}

void SegmentSpace::enforceBounds(ob::State* state) const {
  State& s = value(state);
  s.insertion_mm = std::clamp(s.insertion_mm, 0.0, problem_.design.carriage().insertion_max_mm);
  s.u_free = clamp_to_curvature_disk(problem_.design, s.u_free);
}

bool SegmentSpace::satisfiesBounds(const ob::State* state) const {
  return within_limits(problem_.design, value(state));
}

void SegmentSpace::copyState(ob::State* to, const ob::State* from) const {
  value(to) = value(from);
}

bool SegmentSpace::equalStates(const ob::State* a, const ob::State* b) const {
  return value(a) == value(b);
}

double SegmentSpace::distance(const ob::State* a, const ob::State* b) const {
  const State& p = value(a);
  const State& q = value(b);
  double sum = motion_distance(problem_.design, p, q) +
               kLockDistance * static_cast<double>((p.engaged ^ q.engaged).count());
  if (p.engaged == q.engaged)
    for (std::size_t r = 0; r < p.theta_frozen.size(); ++r)
      sum += problem_.design.length_mm() * (p.theta_frozen[r] - q.theta_frozen[r]).norm();
  return sum;
}

void SegmentSpace::interpolate(const ob::State* from, const ob::State* to, double t, ob::State* out) const {
  const State a = value(from);
  const State b = value(to);
  if (t >= 1.0) {
    value(out) = b;
    return;
  }
  value(out) = a;
  const auto steps = joining_steps(problem_.design, a, b);
  if (t <= 0.0 || !steps) return;  // states that nothing joins: stay
  if (steps->size() == 1 && steps->front().lock < 0) {
    value(out) = withy::interpolate(a, b, t);
    return;
  }
  const double goal = (1.0 - kLeastProgress * t) * distance(from, to);
  const auto lock =
      std::find_if(steps->begin(), steps->end(), [](const RouteStep& s) { return s.lock >= 0; });
  StateType there;
  for (const State& next : {state_along(problem_.design, a, *steps, t), lock->to}) {
    there.value = next;
    if (distance(&there, to) > goal) continue;
    value(out) = next;
    return;
  }
}

ob::StateSamplerPtr SegmentSpace::allocDefaultStateSampler() const {
  return std::make_shared<Sampler>(this);
}

void SegmentSpace::registerProjections() {
  registerDefaultProjection(std::make_shared<Projection>(this));
}

OmplProblem::OmplProblem(const SearchProblem& problem)
    : problem_(problem),
      chart_(problem.design, problem.heeded.tendons),
      hardware_(problem.design),
      judge_(problem, hardware_) {
  auto space = std::make_shared<SegmentSpace>(problem_, chart_);
  information_ = information_with_actions(space, chart_, judge_);
  information_->setStateValidityChecker(std::make_shared<Validity>(information_, judge_));
  information_->setMotionValidator(std::make_shared<VerifiedMotions>(information_, judge_));
  information_->setup();
}

ob::ProblemDefinitionPtr OmplProblem::definition() const {
  auto definition = std::make_shared<ob::ProblemDefinition>(information_);
  ob::State* start = information_->allocState();
  SegmentSpace::value(start) = start_state();
  definition->addStartState(start);
  information_->freeState(start);
  definition->setGoal(std::make_shared<TipGoal>(information_, problem_));
  auto length = std::make_shared<ob::PathLengthOptimizationObjective>(information_);
  length->setCostThreshold(length->infiniteCost());
  definition->setOptimizationObjective(length);
  return definition;
}

std::optional<Route> OmplProblem::route_along(const std::vector<State>& states) const {
  Route route;
  for (std::size_t i = 0; i + 1 < states.size(); ++i) {
    const auto steps = joining_steps(problem_.design, states[i], states[i + 1]);
    if (!steps) return std::nullopt;
    route.steps.insert(route.steps.end(), steps->begin(), steps->end());
  }
  return route;
}

}  // namespace withy
