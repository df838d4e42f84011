// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/check_plan.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <memory>

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include "planner/proof/recheck/plan_file.h"

namespace withy::recheck {
namespace {

// A curvature (1/mm) counts as equal to another within this: what moves the tip of a metre by a hundredth of
// a mm.
constexpr double kEqualCurvature_per_mm = 2e-8;
// Bends (rad) count as the same within this: curvatures of 12 digits times lengths of 1e3 mm.
constexpr double kSameBend_rad = 1e-8;
constexpr double kSamePlace_mm = 1e-9;
// The share of a limit by which it may be passed: numbers in files are decimals.
constexpr double kLimitShare = 1e-8;
// What the plan says it keeps is checked less this (mm): where it is kept with nothing to spare all along a
// tube, each tenth of it takes ten times as long. What is required is checked in full.
constexpr double kClearanceSlack_mm = 0.2;
// Shares of a motion and of the body shorter than this (mm) are not cut any more.
constexpr double kFinestCut_mm = 1e-4;
// A motion is looked at in so many parts for limits of the tendons.
constexpr int kLimitParts = 64;

/// One motion.
struct Step {
  StateBox from;
  StateBox to;
  std::shared_ptr<const Body> body;
};

StateBox between(const Step& step, double t0, double t1) {
  StateBox box = step.from;
  const Interval t(t0, t1);
  const auto at = [&](const Interval& a, const Interval& b) {
    return hull(a, b).lo == hull(a, b).hi ? a : a + t * (b - a);
  };
  const Interval d = at(Interval(step.from.d_lo), Interval(step.to.d_lo));
  box.d_lo = d.lo;
  box.d_hi = d.hi;
  for (std::size_t i = 0; i < 2; ++i) box.u[i] = at(step.from.u[i], step.to.u[i]);
  return box;
}

/// A share of a motion, and of one piece of the body.
struct Share {
  double t0;
  double t1;
  double s0;
  double s1;
};

/// Proves D - R >= need for every state of the motion and every station of a piece.
bool piece_is_clear(const Step& step, std::size_t piece, double need, const Wall& wall) {
  const Piece& p = step.body->pieces()[piece];
  std::vector<Share> open = {{0.0, 1.0, p.from_mm.lo, p.to_mm.hi}};
  while (!open.empty()) {
    const Share share = open.back();
    open.pop_back();
    const StateBox box = between(step, share.t0, share.t1);
    const double s = 0.5 * (share.s0 + share.s1);
    const double gap = 0.5 * (share.s1 - share.s0) * kRoundedUp;
    const Placed<Interval> placed(*step.body, box);
    const Reach reach(*step.body, box);
    Ball ball = ball_of(placed.point(s, piece), reach.along_mm(), reach.aside(s));
    const double moved = ball.radius;
    ball.radius = (ball.radius + gap) * kRoundedUp;
    if (ball.centre.z() + ball.radius <= 0.0 || wall.above_in(ball, next_up(need + p.radius_mm))) continue;
    if (ball.radius < kFinestCut_mm) return false;
    const bool in_time = moved > gap;
    Share other = share;
    Share one = share;
    (in_time ? one.t1 : one.s1) = in_time ? 0.5 * (share.t0 + share.t1) : s;
    (in_time ? other.t0 : other.s0) = in_time ? 0.5 * (share.t0 + share.t1) : s;
    if (in_time && !(one.t1 > share.t0 && one.t1 < share.t1)) return false;
    open.push_back(other);
    open.push_back(one);
  }
  return true;
}

/// The same of the shaft, which stands on the axis down to its deepest.
bool shaft_is_clear(const Step& step, double need, const Wall& wall) {
  const Robot& robot = step.body->robot();
  const double depth = std::max(step.from.d_hi, step.to.d_hi) - robot.segment.length_mm;
  std::vector<std::pair<double, double>> open;
  if (depth > 0.0) open.emplace_back(0.0, next_up(depth));
  while (!open.empty()) {
    const auto [low, high] = open.back();
    open.pop_back();
    const double middle = 0.5 * (low + high);
    const double half = 0.5 * (high - low) * kRoundedUp;
    if (wall.above_in({{0.0, 0.0, middle}, half}, next_up(need + robot.segment.radius_mm))) continue;
    if (half < kFinestCut_mm) return false;
    open.emplace_back(low, middle);
    open.emplace_back(middle, high);
  }
  return true;
}

bool is_clear(const Step& step, double need, const Wall& wall) {
  for (std::size_t i = 0; i < step.body->pieces().size(); ++i)
    if (!piece_is_clear(step, i, need, wall)) return false;
  return shaft_is_clear(step, need, wall);
}

class PlanCheck {
 public:
  PlanCheck(const FilePlan& plan, const Scene& scene, const Robot& robot, const Wall& wall,
            const Limits& limits, const CheckSettings& settings)
      : plan_(plan),
        scene_(scene),
        robot_(robot),
        wall_(wall),
        limits_(limits),
        settings_(settings),
        lattice_(checks("latch") ? robot.latch : std::nullopt) {}

  Outcome run() {
    if (!chain_holds()) return outcome_;
    for (const FileState& state : plan_.states)
      if (!take_state(state)) return outcome_;
    if (!ends_hold()) return outcome_;
    for (std::size_t i = 0; i < plan_.actions.size(); ++i) {
      const FileAction& action = plan_.actions[i];
      const bool good =
          action.kind == "lock" || action.kind == "unlock" ? switch_holds(action) : motion_holds(action);
      if (!good) {
        outcome_.why = fmt::format("action {}: {}", i + 1, outcome_.why);
        return outcome_;
      }
    }
    if (!target_holds()) return outcome_;
    if (checks("clearance")) clearance_holds();
    return outcome_;
  }

  /// What holds.
  std::string sentence() const {
    std::string out = fmt::format("{} actions bring the tip within {:.4f} mm of the target and back out",
                                  plan_.actions.size(), error_mm_);
    if (checks("clearance")) out += fmt::format(", every motion keeps {:.4f} mm of clearance", clearance_mm_);
    return out + ", every limit that was checked is kept";
  }

 private:
  bool checks(const char* what) const {
    return std::find(plan_.checked.begin(), plan_.checked.end(), what) != plan_.checked.end();
  }
  bool refuse(std::string why) {
    outcome_ = {Verdict::does_not_hold, std::move(why)};
    return false;
  }
  bool leave_open(std::string why) {
    outcome_ = {Verdict::could_not_decide, std::move(why)};
    return false;
  }

  bool chain_holds() {
    if (plan_.states.empty()) return refuse("the plan has no state");
    std::size_t at = 0;
    for (const FileAction& action : plan_.actions) {
      if (action.from != at)
        return refuse(
            fmt::format("an action starts in state {}, the one before ended in {}", action.from, at));
      at = action.to;
    }
    last_ = at;
    bool out = false;
    for (const FileAction& action : plan_.actions) {
      if (out && action.on_the_way_in) return refuse("an action in follows one out");
      out = out || !action.on_the_way_in;
      if (action.on_the_way_in) reached_ = action.to;
    }
    return true;
  }

  bool take_state(const FileState& state) {
    std::vector<int> engaged;
    if (state.locked.size() != static_cast<std::size_t>(robot_.lock_count()))
      return refuse("a state has another number of locks");
    for (int i = 0; i < robot_.lock_count(); ++i)
      if (state.locked[static_cast<std::size_t>(i)]) engaged.push_back(i);
    auto body = std::make_shared<const Body>(robot_, engaged);
    if (state.regions.size() != engaged.size() + 1)
      return refuse("a state's regions are not those of its engaged locks");
    StateBox box;
    box.d_lo = box.d_hi = state.insertion_mm;
    for (std::size_t r = 0; r < state.regions.size(); ++r) {
      const FileRegion& region = state.regions[r];
      if (std::abs(region.from_mm - body->region_start(r).middle()) > kSamePlace_mm ||
          std::abs(region.to_mm - body->region_end(r).middle()) > kSamePlace_mm)
        return refuse("a state's regions do not end at its engaged locks");
      const Interval f = body->flexible(r, Interval(state.insertion_mm));
      const Eigen::Vector2d& u = region.curvature_per_mm;
      if (r < engaged.size())
        box.theta.push_back({f * Interval(u.x()), f * Interval(u.y())});
      else
        box.u = {Interval(u.x()), Interval(u.y())};
    }
    if (const std::string breach = limits_.breach(*body, box, kLimitShare); !breach.empty())
      return refuse("a state breaks a limit: " + breach);
    boxes_.push_back(std::move(box));
    bodies_.push_back(std::move(body));
    return true;
  }

  bool is_start(std::size_t i) const {
    const StateBox& s = boxes_[i];
    return std::abs(s.d_lo) <= kSamePlace_mm && s.theta.empty() && length(s.u).hi <= kEqualCurvature_per_mm;
  }

  bool ends_hold() {
    if (!is_start(0)) return refuse("the plan does not start drawn back, straight, with all locks released");
    if (!is_start(last_))
      return refuse("the plan does not end drawn back, straight, with all locks released");
    return true;
  }

  bool same_bend(const Interval2& a, const Interval2& b) const {
    return length({a[0] - b[0], a[1] - b[1]}).hi <= kSameBend_rad;
  }

  bool motion_holds(const FileAction& action) {
    if (action.kind != "advance" && action.kind != "bend" && action.kind != "steer")
      return refuse("it is no kind of action");
    const StateBox& a = boxes_[action.from];
    const StateBox& b = boxes_[action.to];
    if (bodies_[action.from]->engaged() != bodies_[action.to]->engaged())
      return refuse("a motion switches a lock");
    for (std::size_t r = 0; r < a.theta.size(); ++r)
      if (!same_bend(a.theta[r], b.theta[r])) return refuse("a motion changes a frozen bend");
    const bool advances = std::abs(a.d_lo - b.d_lo) > kSamePlace_mm;
    const bool bends = length({a.u[0] - b.u[0], a.u[1] - b.u[1]}).hi > kEqualCurvature_per_mm;
    if (action.kind == "advance" && bends) return refuse("an advance bends");
    if (action.kind == "bend" && advances) return refuse("a bend advances");
    steps_.push_back({a, b, bodies_[action.from]});
    // Curvature is largest at an end (|u| is convex along the way, an exposed length monotone); tendons are
    // looked at on the way too.
    for (int i = 0; i < kLimitParts; ++i) {
      const StateBox part = between(steps_.back(), static_cast<double>(i) / kLimitParts,
                                    static_cast<double>(i + 1) / kLimitParts);
      if (limits_.breach(*steps_.back().body, part, 0.02).empty()) continue;
      if (limits_.broken_by(*steps_.back().body, part)) return refuse("the motion breaks a limit on its way");
    }
    return true;
  }

  bool switch_holds(const FileAction& action) {
    if (action.lock < 0) return refuse("it names no lock");
    const bool engages = action.kind == "lock";
    const std::size_t open = engages ? action.from : action.to;
    const std::size_t shut = engages ? action.to : action.from;
    const StateBox& a = boxes_[open];
    const StateBox& b = boxes_[shut];
    std::vector<int> with = bodies_[open]->engaged();
    if (std::find(with.begin(), with.end(), action.lock) != with.end())
      return refuse("the lock is in that state already");
    with.push_back(action.lock);
    std::sort(with.begin(), with.end());
    if (with != bodies_[shut]->engaged()) return refuse("another lock switches too");
    if (std::abs(a.d_lo - b.d_lo) > kSamePlace_mm ||
        length({a.u[0] - b.u[0], a.u[1] - b.u[1]}).hi > kEqualCurvature_per_mm)
      return refuse("a switch moves the body");
    const auto r = static_cast<std::size_t>(std::find(with.begin(), with.end(), action.lock) - with.begin());
    return bends_carry_over(open, a, b, r, action.lock) && is_latchable(b, r, action.lock) &&
           field_switches(action);
  }

  /// Region r of the state with the lock released is regions r and r + 1 of the other.
  bool bends_carry_over(std::size_t open, const StateBox& a, const StateBox& b, std::size_t r, int lock) {
    const Body& body = *bodies_[open];
    for (std::size_t i = 0; i < a.theta.size(); ++i) {
      if (i == r) continue;
      if (!same_bend(a.theta[i], b.theta[i < r ? i : i + 1])) return refuse("a switch changes a frozen bend");
    }
    const Interval d(a.d_lo);
    const Interval station(robot_.layout.station_mm[static_cast<std::size_t>(lock)]);
    const Interval f = body.flexible_between(body.region_start(r), station, d);
    Interval2 split;
    if (r == a.theta.size()) {
      split = {f * a.u[0], f * a.u[1]};
    } else {
      const Interval rest = body.flexible_between(station, body.region_end(r), d);
      const Interval all = f + rest;
      const Interval share = all.lo > 0.0 ? f / all : Interval(0.0);
      split = {share * a.theta[r][0], share * a.theta[r][1]};
      if (!same_bend(a.theta[r], {b.theta[r][0] + b.theta[r + 1][0], b.theta[r][1] + b.theta[r + 1][1]}))
        return refuse("a switch changes a frozen bend");
    }
    if (!same_bend(split, b.theta[r])) return refuse("the curvature on both sides of the lock is not equal");
    return true;
  }

  bool is_latchable(const StateBox& b, std::size_t r, int lock) {
    if (lattice_.kind() == Lattice::Kind::everything) return true;
    Interval2 sum{};
    for (std::size_t i = 0; i <= r; ++i)
      for (std::size_t k = 0; k < 2; ++k) sum[k] = sum[k] + b.theta[i][k];
    for (Interval& x : sum) x = x + Interval(-kSameBend_rad, kSameBend_rad);
    if (!lattice_.may_hold(sum))
      return refuse(fmt::format("lock {} holds a bend that is on no notch", lock + 1));
    return true;
  }

  bool field_switches(const FileAction& action) {
    if (!checks("field") || !scene_.parts.field) return true;
    if (!action.field_S) return refuse("it names no field");
    const Eigen::Vector3d B_E = scene_.entry.X_SE.linear().transpose() * *action.field_S;
    const std::string fault = FieldLimits(robot_, scene_.parts.field)
                                  .fault_of(*bodies_[action.from], boxes_[action.from], action.lock, B_E);
    return fault.empty() || refuse(fault);
  }

  bool target_holds() {
    const StateBox& state = boxes_[reached_];
    const Placed<Interval> placed(*bodies_[reached_], state);
    const Reach reach(*bodies_[reached_], state);
    const Eigen::Vector3d target = scene_.target_point_E();
    const std::array<Interval, 3> tip = placed.tip();
    Interval sum(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      sum = sum + square(tip[i] - Interval(target[static_cast<Eigen::Index>(i)]));
    error_mm_ = next_up(sqrt(sum).hi + reach.aside(robot_.segment.length_mm));
    if (error_mm_ > scene_.target.tolerance_mm + kSamePlace_mm)
      return refuse(fmt::format("the tip comes no nearer than {:.4f} mm to the target", error_mm_));
    const auto direction = scene_.target_direction_E();
    if (!direction) return true;
    const std::array<Interval, 3> t = placed.tip_tangent();
    Interval dot(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      dot = dot + t[i] * Interval((*direction)[static_cast<Eigen::Index>(i)]);
    const double allowed =
        scene_.target.direction_tolerance_rad + 1e-9 - reach.turn(robot_.segment.length_mm);
    if (dot.lo < sine_cosine(Interval(allowed)).cosine.hi)
      return refuse("the tip points elsewhere than the target asks");
    return true;
  }

  void clearance_holds() {
    const double required = plan_.required_mm.value_or(scene_.required_clearance_mm);
    if (required < robot_.clearance_mm) {
      refuse("the plan was asked for less clearance than the scene requires");
      return;
    }
    const double need = std::max(required, plan_.clearance_mm.value_or(required) - kClearanceSlack_mm);
    std::atomic<std::size_t> done{0};
    std::atomic<bool> good{true};
    tbb::parallel_for(std::size_t{0}, steps_.size(), [&](std::size_t i) {
      if (!good || settings_.stop()) return;
      if (!is_clear(steps_[i], need, wall_)) good = false;
      settings_.progress("motions", static_cast<double>(++done) / static_cast<double>(steps_.size()));
    });
    if (!good) leave_open(fmt::format("whether every motion keeps {:.4f} mm", need));
    if (settings_.stop()) leave_open("before it was stopped");
    clearance_mm_ = need;
  }

  const FilePlan& plan_;
  const Scene& scene_;
  const Robot& robot_;
  const Wall& wall_;
  const Limits& limits_;
  const CheckSettings& settings_;
  Lattice lattice_;
  std::vector<StateBox> boxes_;
  std::vector<std::shared_ptr<const Body>> bodies_;
  std::vector<Step> steps_;
  std::size_t last_ = 0;
  std::size_t reached_ = 0;
  double error_mm_ = 0.0;
  double clearance_mm_ = 0.0;
  Outcome outcome_;
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
  const auto named = [&](const char* what) {
    return std::find(plan->checked.begin(), plan->checked.end(), what) != plan->checked.end();
  };
  const Limits limits(*robot, {named("clearance"), named("tendons"), named("field")});
  const Wall wall(distance, 0.5 * robot->segment.radius_mm);
  PlanCheck check(*plan, scene, *robot, wall, limits, settings);
  report.outcome = check.run();
  report.what = check.sentence();
  return report;
}

}  // namespace withy::recheck
