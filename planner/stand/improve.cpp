// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/stand/improve.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>
#include <vector>

#include <nlopt.hpp>

#include "planner/effort/shares.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/bench_hardware.h"

namespace withy {
namespace {

// Differences for the aim's derivatives: far above rounding, far below what bends the tip's way.
constexpr double kInsertionDifference_mm = 1e-4;
constexpr double kCurvatureDifference_per_mm = 1e-7;
// Nearer to the middle than this share of the tolerance nothing is gained.
constexpr double kAimEnough = 1e-3;
// The curvature limit is aimed at less this share, so that rounding does not pass it.
constexpr double kBelowLimit = 1e-9;
// Parts of the way to the middle that are tried, the whole of it first.
constexpr std::array kGainParts = {1.0, 0.75, 0.5, 0.25};
// Less bend than the aim takes that is tried, as shares of it.
constexpr std::array kLessBend = {1.0, 0.94, 0.88};
// A plan that fails on no more than one in so many benches compared by is let be.
constexpr int kOneIn = 200;
// The last bend is made over so much of the way in (mm), where it can't be made over all of it.
constexpr double kStraightBefore_mm = 20.0;
// A friction lock's neighbouring bends (rad).
constexpr double kBendStep_rad = 0.1;

/// How the tip of a state misses the middle, in shares of the tolerances, squared.
class Aim {
 public:
  Aim(const Design& design, const Goal& goal, State from, double most_per_mm)
      : design_(design), goal_(goal), state_(std::move(from)), most_per_mm_(most_per_mm) {}

  State at(const std::vector<double>& x) const {
    State state = state_;
    state.insertion_mm = x[0];
    state.u_free = Eigen::Vector2d(x[1], x[2]) * unit();
    return state;
  }
  /// Curvatures in shares of the limit: all unknowns are then of a size.
  double unit() const { return most_per_mm_; }

  double miss(const State& state) const {
    const Eigen::Isometry3d tip = Shape(design_, state).tip_E();
    const double off = goal_.distance(tip) / std::max(goal_.tolerance_mm, kInsertionDifference_mm);
    const double turn = goal_.direction_E && goal_.direction_tolerance_rad > 0.0
                            ? goal_.direction_error(tip) / goal_.direction_tolerance_rad
                            : 0.0;
    return off * off + turn * turn;
  }

  static double value(const std::vector<double>& x, std::vector<double>& slope, void* self) {
    const Aim& aim = *static_cast<const Aim*>(self);
    const double step_u = kCurvatureDifference_per_mm / aim.unit();
    for (std::size_t i = 0; i < slope.size(); ++i) {
      const double h = i == 0 ? kInsertionDifference_mm : step_u;
      std::vector<double> forth = x;
      std::vector<double> back = x;
      forth[i] += h;
      back[i] -= h;
      slope[i] = (aim.miss(aim.at(forth)) - aim.miss(aim.at(back))) / (2.0 * h);
    }
    return aim.miss(aim.at(x));
  }

  /// |u|^2 within the limit.
  static double bend(const std::vector<double>& x, std::vector<double>& slope, void*) {
    if (!slope.empty()) slope = {0.0, 2.0 * x[1], 2.0 * x[2]};
    return x[1] * x[1] + x[2] * x[2] - (1.0 - kBelowLimit);
  }

 private:
  const Design& design_;
  const Goal& goal_;
  State state_;
  double most_per_mm_;
};

State part_of_the_way(const State& from, const State& to, double part) {
  return part < 1.0 ? interpolate(from, to, part) : to;
}

}  // namespace

Route way_in(const Plan& plan) {
  Route route{{}, plan.states.front()};
  for (const PlannedAction& action : plan.actions)
    if (action.leg == Leg::in)
      route.steps.push_back(
          {action.lock, action.kind == ActionKind::lock, plan.states[static_cast<std::size_t>(action.to)]});
  return route;
}

std::optional<State> aimed(const Design& design, const Goal& goal, const State& from, double most_per_mm) {
  if (!(most_per_mm > 0.0)) return std::nullopt;
  Aim aim(design, goal, from, most_per_mm);
  nlopt::opt optimiser(nlopt::LD_SLSQP, 3);
  optimiser.set_min_objective(Aim::value, &aim);
  optimiser.add_inequality_constraint(Aim::bend, nullptr, 0.0);
  const double most = design.carriage().insertion_max_mm;
  optimiser.set_lower_bounds({0.0, -1.0, -1.0});
  optimiser.set_upper_bounds({most, 1.0, 1.0});
  optimiser.set_maxeval(shares::kAimEvaluations);
  optimiser.set_stopval(kAimEnough * kAimEnough);
  optimiser.set_xtol_rel(1e-9);
  std::vector<double> x = {std::clamp(from.insertion_mm, 0.0, most),
                           std::clamp(from.u_free.x() / aim.unit(), -1.0, 1.0),
                           std::clamp(from.u_free.y() / aim.unit(), -1.0, 1.0)};
  double miss = 0.0;
  try {
    optimiser.optimize(x, miss);
  } catch (const std::exception&) {
    // Rounding at the end of its steps is thrown: x is then the best so far, or useless, which is seen below.
  }
  State state = aim.at(x);
  if (!within_limits(design, state)) return std::nullopt;
  return state;
}

namespace {

class Improver {
 public:
  Improver(const StepJudge& judge, const Stander& stander, Plan plan, const Effort& effort, int draws)
      : judge_(judge),
        stander_(stander),
        design_(judge.problem().design),
        goal_(judge.problem().goal),
        effort_(effort),
        draws_(draws),
        plan_(std::move(plan)),
        route_(way_in(plan_)) {}

  /// Is there a plan, aimed or not, that fails on fewer than `enough`? None is made, and no motion looked at,
  /// where its end alone fails on as many.
  bool run_aim(int enough) {
    std::vector<Candidate> candidates = aims();
    std::erase_if(candidates, [&](const Candidate& candidate) { return candidate.fails >= enough; });
    const Plan own = plan_;
    const bool may_stand = stander_.fails_at(last(), draws_, kept_by_friction(route_)) < enough;
    fails_ = enough;
    take_best(std::move(candidates));
    return fails_ < enough || (may_stand && stander_.fails(own, draws_, enough) < enough);
  }

  Plan run() {
    fails_ = stander_.fails(plan_, draws_, draws_);
    take_best(aims());
    for (int round = 0; round < route_.switches() && can_gain() && hunt_farther_out(); ++round) {
    }
    if (can_gain()) stiffen();
    for (int round = 0; round < shares::kNotchRounds && can_gain() && change_a_notch(); ++round) {
    }
    return std::move(plan_);
  }

 private:
  /// Do enough of the benches compared by fail?
  bool can_gain() const { return kOneIn * fails_ > draws_ && !effort_.cut_short(); }

  State last() const { return route_.state_before(route_.steps.size()); }

  /// `route` with its last state at `end`: by its last motion, or by one more.
  Route ending_at(Route route, const State& end) const {
    if (!route.steps.empty() && route.steps.back().lock < 0)
      route.steps.back().to = end;
    else if (!(route.state_before(route.steps.size()) == end))
      route.steps.push_back({-1, false, end});
    return route;
  }

  /// `route` led to `end` straight, and by way of its last state.
  std::vector<Route> leading_to(const Route& route, const State& end) const {
    std::vector<Route> out = {ending_at(route, end)};
    if (route.steps.empty() || route.steps.back().lock >= 0) return out;
    out.push_back(route);
    out.back().steps.push_back({-1, false, end});
    return out;
  }

  /// A route that may stand more, and how many benches fail at its end.
  struct Candidate {
    int fails;
    double tip_error_mm;
    Route route;
  };

  /// Where friction locks engage on a route, keeping what errors had bent; nothing of locks with notches.
  std::vector<PlannedSwitch> kept_by_friction(const Route& route) const {
    std::vector<PlannedSwitch> out;
    if (!holds_by_friction(design_)) return out;
    for (std::size_t i = 0; i < route.steps.size(); ++i) {
      if (route.steps[i].lock < 0 || !route.steps[i].engages) continue;
      PlannedSwitch engages;
      engages.before = route.state_before(i);
      engages.lock = route.steps[i].lock;
      engages.engages = true;
      out.push_back(std::move(engages));
    }
    return out;
  }

  void add(Route route, std::vector<Candidate>& out) const {
    if (effort_.cut_short()) return;
    const State end = route.state_before(route.steps.size());
    if (!out.empty() && out.back().route.state_before(out.back().route.steps.size()) == end) {
      out.push_back({out.back().fails, out.back().tip_error_mm, std::move(route)});
      return;
    }
    const Eigen::Isometry3d tip = Shape(design_, end).tip_E();
    if (goal_.holds(tip))
      out.push_back({stander_.fails_at(end, shares::kSortDraws, kept_by_friction(route)), goal_.distance(tip),
                     std::move(route)});
  }

  /// Makes plans of the most promising and takes the one that stands most, if that is more than what is.
  bool take_best(std::vector<Candidate> candidates) {
    std::stable_sort(candidates.begin(), candidates.end(), [](const Candidate& a, const Candidate& b) {
      return a.fails != b.fails ? a.fails < b.fails : a.tip_error_mm < b.tip_error_mm;
    });
    int made = 0;
    bool taken = false;
    for (const Candidate& candidate : candidates) {
      if (made == shares::kPlansOfCandidates || effort_.cut_short()) break;
      if (!allowed(candidate.route)) continue;
      auto plan = make_plan(judge_, candidate.route);
      if (!plan || (plan->without_hunt() != nullptr && plan_.without_hunt() == nullptr)) continue;
      ++made;
      const int fails = stander_.fails(*plan, draws_, fails_ + 1);
      if (!better(fails, *plan)) continue;
      fails_ = fails;
      plan_ = std::move(*plan);
      route_ = candidate.route;
      taken = true;
    }
    return taken;
  }

  /// Is it better than what is? By the benches compared by; all alike, the nearer the tip is to the middle.
  bool better(int fails, const Plan& plan) const {
    if (fails != fails_) return fails < fails_;
    const auto error = [&](const Plan& of) {
      return goal_.distance(of.states[static_cast<std::size_t>(of.reached_state)].tip_E);
    };
    return error(plan) < error(plan_) - kInsertionDifference_mm;
  }

  /// States near `from` to end in: nearest to the middle of the tolerance, with less and less bend.
  std::vector<State> ends_near(const State& from) const {
    std::vector<State> ends;
    const auto middle = aimed(design_, goal_, from, design_.segment().curvature_max_per_mm);
    if (!middle) return ends;
    for (const double share : kLessBend) {
      const auto end = share < 1.0 ? aimed(design_, goal_, *middle, share * middle->u_free.norm()) : middle;
      if (end) ends.push_back(*end);
    }
    return ends;
  }

  /// The last state towards the middle of the tolerance.
  std::vector<Candidate> aims() const {
    const State from = last();
    std::vector<Candidate> candidates;
    for (const State& end : ends_near(from))
      for (const double part : kGainParts)
        for (Route& route : leading_to(route_, part_of_the_way(from, end, part)))
          add(std::move(route), candidates);
    return candidates;
  }

  /// A lock switched farther out, where its sweep may touch the wall on some bench.
  bool hunt_farther_out() {
    for (const int lock : stander_.hunts_that_may_touch(plan_, draws_, draws_ / kOneIn)) {
      std::vector<Candidate> candidates;
      for (Route& route : with_hunt_farther_out(judge_, route_, lock, effort_))
        add(std::move(route), candidates);
      if (take_best(std::move(candidates))) return true;
    }
    return false;
  }

  /// A lock that engages before anything else is done and stays straight, so that errors bend less of the
  /// segment. For routes that switch none.
  bool stiffen() {
    if (route_.switches() > 0) return false;
    std::vector<Candidate> candidates;
    for (int lock = 0; lock < design_.lock_count(); ++lock) {
      const State held = after_lock(design_, route_.start, lock);
      State from = last();
      from.engaged = held.engaged;
      from.theta_frozen = held.theta_frozen;
      for (const State& end : ends_near(from)) {
        State before = held;
        before.insertion_mm = std::max(0.0, end.insertion_mm - kStraightBefore_mm);
        Route straight{{{lock, true, held}, {-1, false, end}}, route_.start};
        Route bent_late{{{lock, true, held}, {-1, false, before}, {-1, false, end}}, route_.start};
        add(std::move(straight), candidates);
        add(std::move(bent_late), candidates);
      }
    }
    return take_best(std::move(candidates));
  }

  /// Another bend for one of the locks: of all neighbours the one that stands most.
  bool change_a_notch() {
    if (design_.carriage().kind == CarriageKind::guide || !judge_.problem().heeded.latch) return false;
    std::vector<Candidate> candidates;
    for (std::size_t i = 0; i < route_.steps.size(); ++i) {
      if (!engages_for_good(i)) continue;
      for (const Eigen::Vector2d& by : neighbours()) {
        if (effort_.cut_short()) return false;
        const auto route = with_bend(i, by);
        if (!route) continue;
        for (const State& end : ends_near(route->state_before(route->steps.size())))
          add(ending_at(*route, end), candidates);
      }
    }
    return take_best(std::move(candidates));
  }

  /// The locks that step i and those after it switch all engage, so that what it freezes stays frozen.
  bool engages_for_good(std::size_t i) const {
    if (route_.steps[i].lock < 0) return false;
    return std::all_of(route_.steps.begin() + static_cast<std::ptrdiff_t>(i), route_.steps.end(),
                       [](const RouteStep& step) { return step.lock < 0 || step.engages; });
  }

  /// Differences to neighbouring latched bends.
  std::vector<Eigen::Vector2d> neighbours() const {
    std::vector<Eigen::Vector2d> out;
    const auto& latch = design_.latch();
    const LatticeKind kind = latch ? lattice_kind(exact_latch(*latch)) : LatticeKind::everything;
    if (kind == LatticeKind::points) {
      const double radius = kNeighbourPitches * latch->notch_pitch_mm / latch->backbone_radius_mm;
      for (const Eigen::Vector2d& bend : lattice_points(exact_latch(*latch), Eigen::Vector2d::Zero(), radius))
        if (!bend.isZero(kLatchRounding_rad)) out.push_back(bend);
      return out;
    }
    std::vector<Eigen::Vector2d> ways = {Eigen::Vector2d::UnitX(), Eigen::Vector2d::UnitY()};
    if (kind == LatticeKind::lines)
      ways = {lattice_lines(exact_latch(*latch), Eigen::Vector2d::Zero(), kBendStep_rad).front().direction};
    for (const Eigen::Vector2d& way : ways)
      for (const double step : {kBendStep_rad, -kBendStep_rad}) out.push_back(step * way);
    return out;
  }

  /// The route with another bend frozen at step i; nothing where that can't be.
  std::optional<Route> with_bend(std::size_t i, const Eigen::Vector2d& by) const {
    Route route = route_;
    State before = route.state_before(i);
    const int lock = route.steps[i].lock;
    const std::size_t region = region_index(route.steps[i].to.engaged, lock);
    if (region + 1 != route.steps[i].to.theta_frozen.size()) return std::nullopt;  // it parts a frozen region
    const Eigen::Vector2d theta = route.steps[i].to.theta_frozen[region] + by;
    const double f = regions_of(design_, route.steps[i].to)[region].flexible_mm;
    if (f < kNoLength_mm) return std::nullopt;
    before.u_free = theta / f;
    if (!within_limits(design_, before)) return std::nullopt;
    for (std::size_t k = i; k < route.steps.size(); ++k) route.steps[k].to.theta_frozen[region] = theta;
    route.steps[i].to.u_free = before.u_free;
    if (i > 0 && route.steps[i - 1].lock < 0)
      route.steps[i - 1].to = before;
    else
      route.steps.insert(route.steps.begin() + static_cast<std::ptrdiff_t>(i), {-1, false, before});
    return route;
  }

  bool allowed(const Route& route) const {
    for (std::size_t i = 0; i < route.steps.size(); ++i) {
      const RouteStep& step = route.steps[i];
      const State& from = route.state_before(i);
      if (!(step.lock < 0 ? judge_.motion_allowed(from, step.to)
                          : judge_.switch_allowed(from, step.lock, step.to)))
        return false;
    }
    return true;
  }

  // Neighbours in the lattice of notches: those around it.
  static constexpr double kNeighbourPitches = 1.6;

  const StepJudge& judge_;
  const Stander& stander_;
  const Design& design_;
  const Goal& goal_;
  const Effort& effort_;
  const int draws_;
  Plan plan_;
  Route route_;
  int fails_ = 0;  // of the first draws_ benches
};

}  // namespace

bool stands_when_aimed(const StepJudge& judge, const Stander& stander, Plan plan, int draws, int enough) {
  const Effort effort;
  return Improver(judge, stander, std::move(plan), effort, draws).run_aim(enough);
}

Plan made_to_stand(const StepJudge& judge, const Stander& stander, Plan plan, const Effort& effort) {
  if (!judge.problem().vias.empty()) return plan;
  return Improver(judge, stander, std::move(plan), effort, shares::kRankDraws).run();
}

}  // namespace withy
