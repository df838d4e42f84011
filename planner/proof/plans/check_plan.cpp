// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/check_plan.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <numbers>

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include "planner/proof/plans/plan_hunts.h"
#include "planner/proof/plans/plan_switches.h"

namespace withy::recheck {
namespace {

// What the plan says it keeps is checked less this (mm): where it is kept with nothing to spare all along a
// tube, each tenth of it takes ten times as long. What is required is checked in full.
constexpr double kClearanceSlack_mm = 0.2;
// A direction may be off by this (rad): what placing the target in the entry frame comes to.
constexpr double kDirectionRounding_rad = 1e-9;

class PlanCheck {
 public:
  explicit PlanCheck(PlanInHand& hand) : hand_(hand) {}

  Outcome run() {
    if (auto found = chain_holds()) return *found;
    if (auto found = place_states(hand_)) return *found;
    if (auto found = ends_hold()) return *found;
    for (std::size_t i = 0; i < hand_.plan.actions.size(); ++i) {
      if (hand_.settings.stop()) return {Verdict::could_not_decide, kStopped};
      if (auto found = action_holds(hand_.plan.actions[i])) {
        found->why = fmt::format("action {}: {}", i + 1, found->why);
        return *found;
      }
    }
    if (auto found = target_holds()) return *found;
    if (auto found = vias_hold()) return *found;
    if (auto found = clearance_holds()) return *found;
    return {};
  }

  /// What holds.
  std::string sentence() const {
    std::string out = fmt::format("{} actions bring the tip within {:.4f} mm of the target and back out",
                                  hand_.plan.actions.size(), error_mm_);
    if (hand_.plan.from_elsewhere) out += " from the state that it begins in, wherever that came from";
    out += fmt::format(", every motion keeps {:.4f} mm of clearance", clearance_mm_);
    if (hunts_ > 0)
      out += fmt::format(", {} hunt{} {:.4f} mm", hunts_, hunts_ == 1 ? " keeps" : "s keep", hunts_keep_mm_);
    out += ", every limit of the scene is kept";
    const bool locks = hand_.plan.locks > 0;
    if (locks && !hand_.robot.latch) out += "; not checked: latch";
    if (!hand_.robot.tendons) out += "; not checked: tendons";
    if (locks && !hand_.scene.parts.field) out += "; not checked: field";
    return out;
  }

 private:
  Finding chain_holds() {
    if (hand_.plan.states.empty()) return refuted("the plan has no state");
    bool out = false;
    for (const FileAction& action : hand_.plan.actions) {
      if (action.from != last_)
        return refuted(
            fmt::format("an action starts in state {}, the one before ended in {}", action.from, last_));
      last_ = action.to;
      if (out && action.on_the_way_in) return refuted("an action in follows one out");
      out = out || !action.on_the_way_in;
      if (action.on_the_way_in) reached_ = action.to;
    }
    return std::nullopt;
  }

  bool is_start(std::size_t i) const {
    const StateBox& s = hand_.boxes[i];
    return std::abs(s.d_lo) <= kSamePlace_mm && s.theta.empty() && length(s.u).hi <= kEqualCurvature_per_mm;
  }

  Finding ends_hold() const {
    if (hand_.plan.from_elsewhere) {
      const StateBox& first = hand_.boxes[0];
      for (std::size_t r = 0; r < first.theta.size(); ++r)
        if (auto found = is_latchable(hand_, first, r, hand_.bodies[0]->engaged()[r])) return found;
    } else if (!is_start(0)) {
      return refuted("the plan does not start drawn back, straight, with all locks released");
    }
    if (!is_start(last_))
      return refuted("the plan does not end drawn back, straight, with all locks released");
    return std::nullopt;
  }

  Finding action_holds(const FileAction& action) {
    if (action.kind != "lock" && action.kind != "unlock") return motion_holds(action);
    if (auto found = switch_holds(hand_, action)) return found;
    if (action.kind != "lock") return std::nullopt;
    const std::size_t before = sweeps_.size();
    auto found = hunt_holds(hand_, action, sweeps_);
    hunts_ += sweeps_.size() > before;
    return found;
  }

  Finding motion_holds(const FileAction& action) {
    if (action.kind != "advance" && action.kind != "bend" && action.kind != "steer")
      return refuted("it is no kind of action");
    const StateBox& a = hand_.boxes[action.from];
    const StateBox& b = hand_.boxes[action.to];
    if (hand_.bodies[action.from]->engaged() != hand_.bodies[action.to]->engaged())
      return refuted("a motion switches a lock");
    for (std::size_t r = 0; r < a.theta.size(); ++r)
      if (!same_bend(a.theta[r], b.theta[r])) return refuted("a motion changes a frozen bend");
    const bool advances = std::abs(a.d_lo - b.d_lo) > kSamePlace_mm;
    const bool bends = length({a.u[0] - b.u[0], a.u[1] - b.u[1]}).hi > kEqualCurvature_per_mm;
    if (action.kind == "advance" && bends) return refuted("an advance bends");
    if (action.kind == "bend" && advances) return refuted("a bend advances");
    steps_.push_back({a, b, hand_.bodies[action.from]});
    return limits_hold(steps_.back(), hand_.limits);
  }

  /// Does the way in pass the scene's places in their order?
  Finding vias_hold() const {
    if (hand_.plan.from_elsewhere && !hand_.scene.vias.empty())
      return refuted(
          "it begins elsewhere than at the entry, and the scene has places to pass on the way from there");
    std::size_t next = 0;
    const auto pass = [&](std::size_t state) {
      while (next < hand_.scene.vias.size() && is_at(hand_.scene.vias[next], state)) ++next;
    };
    pass(0);
    for (const FileAction& action : hand_.plan.actions)
      if (action.on_the_way_in) pass(action.to);
    if (next == hand_.scene.vias.size()) return std::nullopt;
    return refuted(fmt::format("no state of the way in has its tip at place {} of those to pass", next + 1));
  }

  bool is_at(const Target& place, std::size_t state) const {
    return tip_error_mm(place, state) <= place.tolerance_mm + kSamePlace_mm && points_as_asked(place, state);
  }

  /// An upper bound.
  double tip_error_mm(const Target& place, std::size_t index) const {
    const StateBox& state = hand_.boxes[index];
    const Placed<Interval> placed(*hand_.bodies[index], state);
    const Reach reach(*hand_.bodies[index], state);
    const Eigen::Vector3d point_E = hand_.scene.entry.X_SE.inverse() * place.point_S;
    const std::array<Interval, 3> tip = placed.tip();
    Interval sum(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      sum = sum + square(tip[i] - Interval(point_E[static_cast<Eigen::Index>(i)]));
    return next_up(sqrt(sum).hi + reach.aside(hand_.robot.segment.length_mm));
  }

  bool points_as_asked(const Target& place, std::size_t index) const {
    if (!place.direction_S) return true;
    const StateBox& state = hand_.boxes[index];
    const Placed<Interval> placed(*hand_.bodies[index], state);
    const Reach reach(*hand_.bodies[index], state);
    const Eigen::Vector3d direction_E = hand_.scene.entry.X_SE.linear().transpose() * *place.direction_S;
    const std::array<Interval, 3> t = placed.tip_tangent();
    Interval dot(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      dot = dot + t[i] * Interval(direction_E[static_cast<Eigen::Index>(i)]);
    const double allowed =
        place.direction_tolerance_rad + kDirectionRounding_rad - reach.turn(hand_.robot.segment.length_mm);
    // The cosine falls up to half a turn; wider cones ask for nothing.
    return !(allowed < std::numbers::pi && dot.lo < sine_cosine(Interval(allowed)).cosine.hi);
  }

  Finding target_holds() {
    const Target& target = hand_.scene.target;
    error_mm_ = tip_error_mm(target, reached_);
    if (error_mm_ > target.tolerance_mm + kSamePlace_mm)
      return refuted(fmt::format("the tip comes no nearer than {:.4f} mm to the target", error_mm_));
    if (!points_as_asked(target, reached_)) return refuted("the tip points elsewhere than the target asks");
    return std::nullopt;
  }

  /// Are all motions clear? Hunts keep what is required.
  Finding clearance_holds() {
    const double asked = hand_.settings.clearance_mm.value_or(hand_.scene.required_clearance_mm);
    const double required = hand_.plan.required_mm.value_or(hand_.scene.required_clearance_mm);
    if (required < asked)
      return refuted(fmt::format("the plan was asked for {:.4g} mm of clearance, {:.4g} are asked for",
                                 required, asked));
    const double need = std::max(required, hand_.plan.clearance_mm.value_or(required) - kClearanceSlack_mm);
    std::atomic<std::size_t> done{0};
    std::atomic<bool> motions_good{true};
    std::atomic<bool> hunts_good{true};
    const std::size_t all = steps_.size() + sweeps_.size();
    tbb::parallel_for(std::size_t{0}, all, [&](std::size_t i) {
      if (!motions_good || !hunts_good || hand_.settings.stop()) return;
      const bool hunts = i >= steps_.size();
      const Step& step = hunts ? sweeps_[i - steps_.size()] : steps_[i];
      if (!is_clear(step, hunts ? required : need, hand_.wall, hand_.settings.stop))
        (hunts ? hunts_good : motions_good) = false;
      hand_.settings.progress("motions", static_cast<double>(++done) / static_cast<double>(all));
    });
    clearance_mm_ = need;
    hunts_keep_mm_ = required;
    if (hand_.settings.stop()) return open_still(kStopped);
    if (!motions_good) return open_still(fmt::format("whether every motion keeps {:.4f} mm", need));
    if (!hunts_good) return open_still(fmt::format("whether every hunt keeps {:.4f} mm", required));
    return std::nullopt;
  }

  PlanInHand& hand_;
  std::vector<Step> steps_;
  std::vector<Step> sweeps_;
  std::size_t last_ = 0;
  std::size_t reached_ = 0;
  int hunts_ = 0;
  double error_mm_ = 0.0;
  double clearance_mm_ = 0.0;
  double hunts_keep_mm_ = 0.0;
};

}  // namespace

Result<PlanReport> check_plan(const std::string& text, const std::string& file, const Scene& scene,
                              const WallDistance& distance, const CheckSettings& settings) {
  const auto plan = read_file_plan(text, file);
  if (!plan) return tl::unexpected(plan.error());
  PlanReport report;
  const auto refuse = [&](Verdict verdict, const char* why) {
    report.outcome = {verdict, why};
    return report;
  };
  if (plan->scene_sha256 != scene.sha256)
    return refuse(Verdict::does_not_hold, "the plan was made for another scene file");
  if (plan->mesh_sha256 != scene.mesh_sha256)
    return refuse(Verdict::does_not_hold, "the plan was made for another mesh");
  if (plan->verdict != "reached")
    return refuse(Verdict::could_not_decide, "anything: the file holds no plan; its proof is what to check");
  const auto robot = robot_of(scene, plan->locks, scene.required_clearance_mm);
  if (!robot) return tl::unexpected(robot.error());
  const Limits limits(*robot, {});
  const Wall wall(distance, 0.5 * robot->segment.radius_mm);
  PlanInHand hand{*plan, scene, *robot, wall, limits, settings, Lattice(robot->latch), {}, {}};
  PlanCheck check(hand);
  report.outcome = check.run();
  report.what = check.sentence();
  return report;
}

}  // namespace withy::recheck
