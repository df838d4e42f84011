// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/depth/tip_depth.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/tip_passage.h"
#include "planner/search/cells/goal_descent.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/nearest_state.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// Distances from the target are halved until they are this share apart.
constexpr double kDistanceShare = 0.05;

/// What of a region lies in a box. Both distances are never more than those to the sets, nor is the larger.
class WithinBox final : public TipRegion {
 public:
  WithinBox(std::shared_ptr<const TipRegion> region, const Eigen::AlignedBox3d& box_E)
      : region_(std::move(region)), box_E_(box_E) {}

  double outside_mm(const Eigen::Vector3d& p_E) const override {
    return std::max(box_E_.exteriorDistance(p_E), region_->outside_mm(p_E));
  }
  Eigen::Vector3d ahead_of(const Eigen::Vector3d& p_E) const override { return region_->ahead_of(p_E); }

 private:
  std::shared_ptr<const TipRegion> region_;
  Eigen::AlignedBox3d box_E_;
};

Eigen::AlignedBox3d lumen_box(const Channel& channel) {
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& p_E : channel.mesh_E.vertices) box.extend(p_E);
  return box;
}

class DepthLook {
 public:
  DepthLook(const SearchProblem& problem, const TargetWay& way, const Effort& effort,
            std::optional<Approach>& approach)
      : problem_(problem),
        way_(way),
        effort_(effort),
        approach_(approach),
        search_(problem, settings(effort)) {
    high_ = way.points.size();
    target_mm_ = way.depth_of(problem.goal.point_E).value_or(way.points[way.target].station_mm);
  }

  TipDepth run() {
    if (approach_) visit(approach_->state);
    if (!approach_) start_at_the_start();
    find_places();
    bound_by_lumen();
    allowed_ = effort_.work() / 2;
    halve_depths();
    allowed_ = effort_.work();
    if (high_ > way_.target) go_on_at_target();
    if (bounds_are_apart() && high_ <= way_.target) halve_depths();
    // What tells less gets what is left of the least that all looks have, or one look.
    allowed_ =
        std::min(effort_.work(), std::max(shares::kDepthWork, search_.work() + shares::kDepthLookWork));
    look_past_target();
    if (low_ < way_.target) bound_past_target();
    std::optional<double> no_nearer;
    if (!result().stops_short()) no_nearer = nearest_bound();
    if (low_ >= way_.target) bound_past_target();
    TipDepth depth = result();
    if (depth.reached_mm >= depth.target_mm || no_nearer > problem_.goal.tolerance_mm)
      depth.no_nearer_mm = no_nearer;
    return depth;
  }

 private:
  static RouteSearchSettings settings(const Effort& effort) {
    RouteSearchSettings settings;
    settings.relaxations = settings.spans = true;
    settings.effort = effort;
    return settings;
  }

  double station(std::size_t point) const {
    return way_.points[std::min(point, way_.points.size() - 1)].station_mm;
  }

  Eigen::Isometry3d tip_of(const State& state) const { return Shape(problem_.design, state).tip_E(); }

  /// A state of a verified way: is it deeper, or nearer, than those known?
  void visit(const State& state) {
    const Eigen::Isometry3d tip = tip_of(state);
    if (tip.translation().z() <= 0.0) return;
    const auto point = way_.point_of(tip.translation());
    if (!point) return;
    low_ = std::max(low_, *point);
    reached_mm_ = std::max(reached_mm_, *way_.depth_of(tip.translation()));
  }

  void start_at_the_start() {
    approach_.emplace();
    approach_->distance_mm = problem_.goal.distance(tip_of(start_state()));
    static_cast<State&>(approach_->state) = start_state();
    approach_->blocked_by = "no motion was found that brings it nearer";
  }

  /// Lemmas 24 and 25.
  void find_places() {
    if (!problem_.heeded.clearance) return;
    // A legal tip past the entry plane has room about it, so it is in the lumen.
    lumen_box_E_ = lumen_box(problem_.distance->exact().channel());
    const auto field = problem_.distance->field_pointer();
    if (!field) return;
    const Design& design = problem_.design;
    const CurveReach reach = reach_of_curves(design);
    const TipBall ball{design.segment().radius_mm, problem_.required_clearance_mm, {}, 0.0};
    places_ = tip_places(field, ball, {reach.off_axis_mm, reach.deep_mm}, *lumen_box_E_, shares::kDepthCubes,
                         effort_);
  }

  void bound_by_lumen() {
    if (!places_) return;
    std::size_t none_from = way_.points.size(), some_at = low_;
    while (none_from > some_at + 1) {
      const std::size_t middle = (none_from + some_at) / 2;
      (box_of_places(*places_from(way_, middle)).isEmpty() ? none_from : some_at) = middle;
    }
    if (none_from == way_.points.size()) return;
    high_ = none_from;
    by_lumen_ = proved_ = true;
  }

  /// About all cubes that hold a place of the region where the tip may be. Precondition: they are known.
  Eigen::AlignedBox3d box_of_places(const TipRegion& region) const {
    const double half = 0.5 * kTipCube_mm + kDepthRounding_mm;
    const double reach = 0.5 * std::sqrt(3.0) * kTipCube_mm + kDepthRounding_mm;
    Eigen::AlignedBox3d box;
    for (const Eigen::Vector3d& middle : *places_) {
      if (region.outside_mm(middle) > reach) continue;
      box.extend(middle + Eigen::Vector3d::Constant(half));
      box.extend(middle - Eigen::Vector3d::Constant(half));
    }
    return box;
  }

  std::int64_t left() const { return std::max<std::int64_t>(0, allowed_ - search_.work()); }
  /// Of one look: as large a part of what all may take, however much that is.
  std::int64_t look_work() const {
    return std::max(shares::kDepthLookWork, effort_.work() / (shares::kDepthWork / shares::kDepthLookWork));
  }
  bool spent() const { return left() == 0 || effort_.cut_short(); }

  /// Asks for a goal; the way that is found has been verified.
  SearchOutcome ask(const Goal& goal) { return ask(goal, look_work()); }
  SearchOutcome ask(const Goal& goal, std::int64_t most_work) {
    const SearchOutcome outcome = search_.run(goal, std::min(left(), most_work));
    if (outcome == SearchOutcome::found) {
      if (refusal_of(search_.judge(), search_.route(), goal, search_.steps_known()))
        return SearchOutcome::stopped;
      for (const RouteStep& step : search_.route().steps) note_nearer(step.to);
      search_.keep_route();
    }
    if (outcome == SearchOutcome::proved_none && !said_by(search_.proof()) && !search_.switchless())
      search_.bury();
    return outcome;
  }

  void note_nearer(const State& state) {
    visit(state);
    if (goal_miss(problem_.design, problem_.goal, state) >=
        goal_miss(problem_.design, problem_.goal, approach_->state))
      return;
    const Eigen::Isometry3d tip = tip_of(state);
    if (!counts_as_near(problem_.goal, tip)) return;
    approach_->distance_mm = problem_.goal.distance(tip);
    static_cast<State&>(approach_->state) = state;
    const double off = problem_.goal.direction_error(tip);
    approach_->blocked_by =
        off > problem_.goal.direction_tolerance_rad && problem_.goal.direction_E
            ? direction_miss(problem_.goal, tip)
            : fmt::format("no plan brings the tip within {:.4g} mm", problem_.goal.tolerance_mm);
  }

  /// The first look is for the target's own depth, which is where the question was.
  void halve_depths() {
    std::size_t next = way_.target;
    std::size_t open_from = high_, open_to = low_;  // points whose look was not decided
    while (low_ < way_.target && high_ > low_ + 1 && station(high_) - station(low_) > kDepthStep_mm &&
           !spent()) {
      if (next <= low_ || next >= high_) next = (low_ + high_) / 2;
      if (next == 0) next = 1;
      switch (ask(deeper_from(next))) {
        case SearchOutcome::found:
          low_ = std::max(low_, next);
          break;
        case SearchOutcome::proved_none:
          bound_from(next);
          break;
        case SearchOutcome::stopped:
          open_from = std::min(open_from, next);
          open_to = std::max(open_to, next);
          break;
      }
      next = beside_what_is_open(open_from, open_to);
      if (next == 0) break;
    }
  }

  Goal deeper_from(std::size_t point) const {
    Goal goal;
    goal.region = places_from(way_, point);
    goal.point_E = way_.points[point].p_E;
    if (places_)
      goal.region = std::make_shared<WithinBox>(goal.region, box_of_places(*goal.region));
    else if (lumen_box_E_)
      goal.region = std::make_shared<WithinBox>(goal.region, *lumen_box_E_);
    return goal;
  }

  /// Of all bounds that tell something the one at the target is proved most easily. Where there is none, it
  /// gets half of the work that is left.
  void go_on_at_target() {
    if (low_ >= way_.target || way_.target == 0 || spent()) return;
    const SearchOutcome outcome = ask(deeper_from(way_.target), left() / 2);
    if (outcome == SearchOutcome::found) low_ = std::max(low_, way_.target);
    if (outcome == SearchOutcome::proved_none) bound_from(way_.target);
  }

  void bound_from(std::size_t point) {
    high_ = point;
    by_lumen_ = false;
    proved_ = true;
  }

  /// A tip that belongs to the target's point may lie before the target: does one get past it?
  void look_past_target() {
    const std::size_t past = way_.target + 1;
    if (low_ != way_.target || reached_mm_ >= target_mm_ || past >= high_ || spent()) return;
    if (ask(deeper_from(past)) == SearchOutcome::proved_none) bound_from(past);
  }

  /// Where none that tells something could be proved, one beyond the target still says how much deeper at
  /// most.
  void bound_past_target() {
    std::size_t open_to = way_.target;  // what lies from there on was not decided
    while (high_ > open_to + 1 && station(high_) - station(open_to) > kDepthStep_mm && !spent()) {
      const std::size_t next = (open_to + high_) / 2;
      const SearchOutcome outcome = ask(deeper_from(next));
      if (outcome == SearchOutcome::proved_none)
        bound_from(next);
      else
        open_to = next;
      if (outcome == SearchOutcome::found) low_ = std::max(low_, next);
    }
  }

  /// Where to look next: between what is known and what could not be decided; 0: nowhere.
  std::size_t beside_what_is_open(std::size_t& open_from, std::size_t& open_to) const {
    if (open_from > open_to) return (low_ + high_) / 2;
    open_from = std::max(open_from, low_);
    open_to = std::min(open_to, high_);
    const double below = station(open_from) - station(low_);
    const double above = station(high_) - station(open_to);
    if (std::max(below, above) <= kDepthStep_mm) return 0;
    return below > above ? (low_ + open_from) / 2 : (open_to + high_) / 2;
  }

  bool bounds_are_apart() const {
    return low_ < way_.target && station(high_) - station(low_) > 2.0 * kDepthStep_mm;
  }

  TipDepth result() const {
    TipDepth depth;
    depth.target_mm = target_mm_;
    depth.reached_mm = reached_mm_;
    depth.directed = problem_.goal.direction_E.has_value();
    depth.cut_short = bounds_are_apart();
    depth.by_clock = effort_.end() == Effort::End::clock;
    depth.at_most_mm = way_.points.back().station_mm;
    depth.place_E = way_.points.back().p_E;
    depth.branch = way_.points.back().branch;
    depth.branch_station_mm = way_.points.back().branch_station_mm;
    depth.proved = proved_;
    depth.by_lumen = by_lumen_;
    if (high_ == way_.points.size()) return depth;
    depth.at_most_mm = way_.depth_before(high_);
    const WayPoint& stop = way_.points[high_];
    depth.branch = stop.branch;
    depth.branch_station_mm = std::max(0.0, stop.branch_station_mm - (stop.station_mm - depth.at_most_mm));
    depth.place_E = 0.5 * (way_.points[high_ - 1].p_E + stop.p_E);
    return depth;
  }

  /// No tip comes nearer than this. Where any direction does, the main proof says so of the tolerance.
  std::optional<double> nearest_bound() {
    const Goal& asked = problem_.goal;
    double none = asked.tolerance_mm, some = kInfinity;
    if (!asked.direction_E && approach_) some = approach_->distance_mm;
    double next = 2.0 * none;
    while (some - none > std::max(kDistanceShare * none, kLeastDistance_mm) && !spent()) {
      if (next >= some) next = 0.5 * (none + some);
      Goal goal = asked;
      goal.tolerance_mm = next;
      const SearchOutcome outcome = ask(goal);
      if (outcome == SearchOutcome::stopped) break;
      if (outcome == SearchOutcome::found) {
        some = std::min(next, problem_.goal.distance(tip_of(search_.route().steps.back().to)));
      } else {
        none = next;
      }
      if (none > shares::kApproachWidest * asked.tolerance_mm) break;
      next = std::isfinite(some) ? 0.5 * (none + some) : 2.0 * none;
    }
    return none;
  }

  // Places are sums of lengths up to 1e3 mm.
  static constexpr double kDepthRounding_mm = 1e-9;
  static constexpr double kLeastDistance_mm = 0.05;

  const SearchProblem& problem_;
  const TargetWay& way_;
  const Effort& effort_;
  std::optional<Approach>& approach_;
  RouteSearch search_;
  std::optional<std::vector<Eigen::Vector3d>> places_;  // cubes that hold every place of a tip
  std::optional<Eigen::AlignedBox3d> lumen_box_E_;
  std::size_t low_ = 0;       // a verified tip belongs to this point
  std::size_t high_ = 0;      // no tip belongs to this point or one after it
  std::int64_t allowed_ = 0;  // work of all looks so far
  double target_mm_ = 0.0;
  double reached_mm_ = 0.0;  // depth of the deepest verified tip
  bool proved_ = false;
  bool by_lumen_ = false;
};

}  // namespace

std::int64_t tip_depth_work(std::int64_t question_work) {
  const std::int64_t most = shares::kDepthMostWork / shares::kDepthTimes;
  return std::max(shares::kDepthWork, shares::kDepthTimes * std::min(question_work, most));
}

TipDepth find_tip_depth(const SearchProblem& problem, const TargetWay& way, const Effort& effort,
                        std::optional<Approach>& approach) {
  return DepthLook(problem, way, effort, approach).run();
}

}  // namespace withy
