// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/compensate.h"

#include <algorithm>
#include <cmath>

#include "geometry/numbers/decompositions.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

/// Pulls that change by less than this (mm) move the tip by less than a hundredth.
constexpr double kSettled_mm = 1e-4;
/// A goal met to this (mm, or N mm of a latch's load) is met: a tenth of what halving the elements may move.
constexpr double kGoalMet = 1e-3;
/// Change of a tendon's tension (N) over which it goes from being let out to being drawn.
constexpr double kTurnBack_N = 0.02;
/// Share of EI times the curvature limit by which the couple is moved for a difference quotient.
constexpr double kCoupleShare = 1e-4;
/// A round that lowers what is left by less than this share of it has settled.
constexpr double kSettledShare = 0.01;
/// The cone of the target's direction is aimed at with this share of its angle to spare.
constexpr double kConeShare = 0.95;
/// Where the tip stays outside the cone its direction is weighed by an arm so many times as long, up to this
/// (mm): a hundredth of a radian is then worth 6 mm, more than any target's point may be missed by.
constexpr double kArmGrows = 4.0;
constexpr double kLongestArm_mm = 640.0;

enum class Goal { slides, least_load, target, tip };

struct Aim {
  Goal goal = Goal::tip;
  int lock = -1;
  Eigen::VectorXd slide_mm;  // planned
  Eigen::Isometry3d tip_E = Eigen::Isometry3d::Identity();
};

/// A motion walked to its end with one correction there.
struct Walked {
  double left = kInfinity;     ///< norm of what is left of the aim
  Eigen::VectorXd correction;  ///< empty: none was walked
  ElasticState near;           ///< one step before the end
  ElasticState at;
};

/// Finds the pulls of one state after the other.
class Compensator {
 public:
  Compensator(const Design& design, const Plan& plan, const ElasticTarget& target,
              const FollowSettings& settings)
      : design_(design),
        plan_(plan),
        target_(target),
        settings_(settings),
        segment_(design, settings.elements),
        statics_(*design.tendons()) {}

  Compensation run() {
    find();
    out_.work = segment_.work();
    return std::move(out_);
  }

 private:
  void find() {
    const auto start = segment_.start();
    if (!keep(start)) return;
    out_.corrections.at_state.assign(plan_.states.size(), Eigen::VectorXd::Zero(at_.pull_mm.size()));
    for (std::size_t k = 0; k < plan_.actions.size() && !out_.fault; ++k) {
      const PlannedAction& action = plan_.actions[k];
      if (action.kind == ActionKind::lock || action.kind == ActionKind::unlock)
        switch_lock(action);
      else
        move(action, k);
    }
  }

  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }
  Eigen::VectorXd& correction(int index) {
    return out_.corrections.at_state[static_cast<std::size_t>(index)];
  }

  bool keep(const tl::expected<ElasticState, ElasticFault>& next) {
    if (!next) out_.fault = next.error();
    if (next) at_ = *next;
    return next.has_value();
  }

  void switch_lock(const PlannedAction& action) {
    correction(action.to) = correction(action.from);
    const std::vector<State> sweep = sweep_states(design_, state(action.from), action);
    for (std::size_t i = 1; i < sweep.size(); ++i)
      if (!lead(sweep[i - 1], sweep[i], [&](double) { return correction(action.from); })) return;
    keep(action.kind == ActionKind::lock ? segment_.engage(at_, action.lock)
                                         : segment_.release(at_, action.lock));
  }

  /// What the state at the end of action `k` is for.
  Aim aim_after(std::size_t k) const {
    Aim aim;
    aim.tip_E = Shape(design_, state(plan_.actions[k].to)).tip_E();
    if (plan_.actions[k].to == plan_.reached_state) aim.goal = Goal::target;
    if (k + 1 >= plan_.actions.size()) return aim;
    const PlannedAction& next = plan_.actions[k + 1];
    if (next.kind != ActionKind::lock && next.kind != ActionKind::unlock) return aim;
    aim.lock = next.lock;
    aim.goal = next.kind == ActionKind::lock ? Goal::slides : Goal::least_load;
    if (next.kind == ActionKind::lock)
      aim.slide_mm = backbone_slides(*design_.latch(), bend_up_to_lock(state(next.to), next.lock));
    return aim;
  }

  void move(const PlannedAction& action, std::size_t k) {
    began_ = at_;
    if (k + 1 == plan_.actions.size()) {
      follow(action);
      return;
    }
    const Aim aim = aim_after(k);
    Walked best;
    for (const Eigen::VectorXd& start : starts_of(action)) {
      take_better(walk(action, aim, start), best);
      if (best.left < kGoalMet || cut_short()) break;
    }
    if (best.correction.size() == 0) {
      if (!out_.fault) out_.fault = ElasticFault::no_equilibrium;
      return;
    }
    mend(action, aim, best);
    if (aim.goal == Goal::slides || aim.goal == Goal::target) polish(action, aim, best);
    if (aim.goal == Goal::target) keep_cone(action, aim, best);
    if (cut_short()) return;
    correction(action.to) = best.correction;
    at_ = best.at;
  }

  bool cut_short() {
    if (settings_.effort && settings_.effort->cut_short()) out_.fault = ElasticFault::cut_short;
    return out_.fault.has_value();
  }

  /// What the corrections at the end of a motion may be to begin with: those of an earlier state that is
  /// planned to be the same, those of the state before, none.
  std::vector<Eigen::VectorXd> starts_of(const PlannedAction& action) {
    std::vector<Eigen::VectorXd> starts;
    for (int i = action.from; i >= 0 && starts.empty(); --i)
      if (same_place(state(i), state(action.to))) starts.push_back(correction(i));
    starts.push_back(correction(action.from));
    starts.emplace_back(Eigen::VectorXd::Zero(at_.pull_mm.size()));
    return starts;
  }

  bool same_place(const State& a, const State& b) const {
    return a.engaged == b.engaged && std::abs(a.insertion_mm - b.insertion_mm) < kSettled_mm &&
           (Shape(design_, a).tip_E().translation() - Shape(design_, b).tip_E().translation()).norm() <
               kGoalMet;
  }

  static bool take_better(std::optional<Walked> walked, Walked& best) {
    if (!walked || walked->left >= best.left) return false;
    best = std::move(*walked);
    return true;
  }

  /// The motion with these corrections at its end; nothing where the body is lost on the way, or (a fault)
  /// the effort ends.
  std::optional<Walked> walk(const PlannedAction& action, const Aim& aim, const Eigen::VectorXd& with) {
    at_ = began_;
    correction(action.to) = with;
    if (!follow(action)) {
      if (out_.fault == ElasticFault::no_equilibrium) out_.fault.reset();
      return std::nullopt;
    }
    return Walked{left_over(aim, at_).norm(), with, near_, at_};
  }

  /// Gauss-Newton at the end of the motion, which is then walked, in halves where that leads away.
  void mend(const PlannedAction& action, const Aim& aim, Walked& best) {
    for (int round = 0; round < shares::kCompensationRounds && best.left >= kGoalMet; ++round) {
      const auto pulls = meet(aim, best, state(action.to).insertion_mm);
      if (cut_short() || !pulls) return;
      Eigen::VectorXd change = *pulls - ideal_pulls(design_, state(action.to)) - best.correction;
      const double before = best.left;
      bool better = false;
      for (int half = 0; half <= shares::kCompensationHalvings && !better; ++half, change *= 0.5) {
        if (change.cwiseAbs().maxCoeff() < kSettled_mm) return;
        better = take_better(walk(action, aim, best.correction + change), best);
        if (cut_short()) return;
      }
      if (!better || before - best.left < kSettledShare * before) return;
    }
  }

  /// Where the nearest tip to the target is outside the cone of its direction: the nearest one inside, if it
  /// is near enough. The direction is weighed ever more (a penalty method; the cone's edge is a kink).
  void keep_cone(const PlannedAction& action, const Aim& aim, Walked& best) {
    const auto tip_E = [&](const Walked& walked) { return segment_.read(walked.at).tip_E; };
    const auto inside = [&](const Walked& walked) {
      return target_.direction_error_rad(tip_E(walked)) <= target_.direction_tolerance_rad;
    };
    Walked nearest = best;
    const auto near_enough = [&] { return target_.miss_mm(tip_E(nearest)) <= target_.tolerance_mm; };
    while (!inside(nearest) && near_enough() && target_arm_mm_ < kLongestArm_mm && !cut_short()) {
      target_arm_mm_ *= kArmGrows;
      nearest.left = left_over(aim, nearest.at).norm();
      mend(action, aim, nearest);
      if (target_arm_mm_ >= kLongestArm_mm) polish(action, aim, nearest);
    }
    if (inside(nearest) && near_enough()) best = std::move(nearest);
    target_arm_mm_ = kDirectionArm_mm;
  }

  /// Compass search in the tendons' two bending directions, for what kinks of friction and slack tendons
  /// hide from Gauss-Newton's slopes.
  void polish(const PlannedAction& action, const Aim& aim, Walked& best) {
    const double reach = aim.goal == Goal::slides ? 1.0 : statics_.radius_mm() / design_.length_mm();
    double size = reach * best.left;
    int walks = 0;
    while (best.left >= kGoalMet && size >= kSettled_mm) {
      bool better = false;
      for (int way = 0; way < 4 && !better; ++way) {
        if (++walks > shares::kCompensationPolish) return;
        const Eigen::Vector2d bend = (way % 2 ? -size : size) * Eigen::Vector2d::Unit(way / 2);
        Eigen::VectorXd tried = best.correction;
        for (Eigen::Index t = 0; t < tried.size(); ++t)
          tried(t) += statics_.directions()[static_cast<std::size_t>(t)].dot(bend);
        better = take_better(walk(action, aim, tried), best);
        if (cut_short()) return;
      }
      if (!better) size *= 0.5;
    }
  }

  /// Leads the body along the motion; `near_` is it one step before its end.
  bool follow(const PlannedAction& action) {
    return lead(state(action.from), state(action.to), [&](double t) {
      return out_.corrections.between(action.from, action.to, t, at_.pull_mm.size());
    });
  }

  bool lead(const State& from, const State& to, const std::function<Eigen::VectorXd(double)>& more) {
    const int steps = steps_of_motion(design_, from, to, settings_.step_mm);
    for (int i = 1; i <= steps; ++i) {
      const double t = static_cast<double>(i) / steps;
      const State ideal = i < steps ? interpolate(from, to, t) : to;
      near_ = at_;
      if (settings_.effort && settings_.effort->spent(segment_.work())) out_.fault = ElasticFault::cut_short;
      if (out_.fault || !keep(segment_.step(at_, ideal.insertion_mm, ideal_pulls(design_, ideal) + more(t))))
        return false;
    }
    return true;
  }

  Eigen::VectorXd left_over(const Aim& aim, const ElasticState& body) {
    const ElasticReading reading = segment_.read(body);
    if (aim.goal == Goal::slides)
      return reading.own_slide_mm[static_cast<std::size_t>(aim.lock)] - aim.slide_mm;
    if (aim.goal == Goal::least_load) return reading.lock_moment_Nmm[static_cast<std::size_t>(aim.lock)];
    Eigen::VectorXd left = Eigen::VectorXd::Zero(6);
    const Eigen::Vector3d direction = reading.tip_E.linear().col(2);
    if (aim.goal == Goal::target) {
      left.head<3>() = reading.tip_E.translation() - target_.point_E;
      if (target_.direction_E) left.tail<3>() = target_arm_mm_ * outside_cone(direction);
      return left;
    }
    left.head<3>() = reading.tip_E.translation() - aim.tip_E.translation();
    left.tail<3>() = kDirectionArm_mm * (direction - aim.tip_E.linear().col(2));
    return left;
  }

  /// From the nearest direction within the target's cone; zero inside.
  Eigen::Vector3d outside_cone(const Eigen::Vector3d& direction) const {
    const Eigen::Vector3d axis = *target_.direction_E;
    const double angle = std::acos(std::clamp(direction.dot(axis), -1.0, 1.0));
    const double allowed = kConeShare * target_.direction_tolerance_rad;
    const Eigen::Vector3d across = direction - direction.dot(axis) * axis;
    if (angle <= allowed || across.norm() <= 0.0) return Eigen::Vector3d::Zero();
    return direction - (std::cos(allowed) * axis + std::sin(allowed) * across.normalized());
  }

  /// The couple of the tendons at the tip's side, as coordinates: two, or one where all lie in one plane.
  Eigen::VectorXd couple_of(const ElasticReading& reading) const {
    Eigen::Vector2d sum = Eigen::Vector2d::Zero();
    for (std::size_t k = 0; k < statics_.directions().size(); ++k)
      sum += statics_.radius_mm() * reading.tip_N(static_cast<Eigen::Index>(k)) * statics_.directions()[k];
    if (!statics_.plane()) return sum;
    return Eigen::VectorXd::Constant(1, statics_.plane()->dot(sum));
  }

  Eigen::Vector2d moment_of(const Eigen::VectorXd& couple) const {
    return statics_.plane() ? Eigen::Vector2d(couple(0) * *statics_.plane()) : Eigen::Vector2d(couple);
  }

  /// The body that the couple makes of `near`; nothing where no tensions make it.
  std::optional<ElasticState> body_for(const Eigen::VectorXd& couple, const ElasticState& near,
                                       const ElasticReading& was, double grip, double insertion_mm) {
    const auto tip_N = statics_.tensions(moment_of(couple));
    if (!tip_N) return std::nullopt;
    // A tendon drawn since the motion began pulls harder at the base than at the tip, one let out less. In
    // between lies the play; it is crossed within kTurnBack_N, so that the couple has a slope everywhere.
    Eigen::VectorXd base = *tip_N;
    for (Eigen::Index k = 0; k < base.size(); ++k)
      base(k) *= std::pow(grip, std::clamp(((*tip_N)(k)-was.tip_N(k)) / kTurnBack_N, -1.0, 1.0));
    // The motion goes one way from its beginning: what tendons remember is what they had there. With what
    // they have near its end a tendon let out a little less far would seem not to move at all.
    ElasticState from = near;
    from.tension_N = began_.tension_N;
    const auto body = segment_.step_to_tensions(from, insertion_mm, base);
    return body ? std::optional(*body) : std::nullopt;
  }

  /// The pulls that come nearest to the aim in the motion's last step.
  std::optional<Eigen::VectorXd> meet(const Aim& aim, const Walked& walked, double insertion_mm) {
    const ElasticState& near = walked.near;
    const ElasticReading was = segment_.read(began_);
    const double unit =
        kCoupleShare * design_.segment().flexural_rigidity_Nmm2 * design_.segment().curvature_max_per_mm;
    Eigen::VectorXd couple = couple_of(segment_.read(walked.at));
    double grip = std::exp(design_.tendons()->friction_coefficient * segment_.read(walked.at).turned_rad);
    std::optional<ElasticState> best;
    for (int step = 0; step < shares::kCompensationSteps; ++step) {
      if (settings_.effort && settings_.effort->cut_short()) break;
      const auto body = body_for(couple, near, was, grip, insertion_mm);
      if (!body) break;
      best = body;
      const Eigen::VectorXd left = left_over(aim, *body);
      Eigen::MatrixXd by_couple(left.size(), couple.size());
      for (Eigen::Index j = 0; j < couple.size(); ++j) {
        Eigen::VectorXd moved = couple;
        moved(j) += unit;
        const auto other = body_for(moved, near, was, grip, insertion_mm);
        by_couple.col(j) = other ? Eigen::VectorXd((left_over(aim, *other) - left) / unit)
                                 : Eigen::VectorXd(Eigen::VectorXd::Zero(left.size()));
      }
      const Eigen::VectorXd way = least_norm_solution(by_couple, left);
      grip = std::exp(design_.tendons()->friction_coefficient * segment_.read(*body).turned_rad);
      if (!way.allFinite() || way.norm() < unit) break;
      couple -= std::min(1.0, 1000.0 * unit / way.norm()) * way;
    }
    return best ? std::optional(best->pull_mm) : std::nullopt;
  }

  const Design& design_;
  const Plan& plan_;
  const ElasticTarget& target_;
  const FollowSettings& settings_;
  ElasticSegment segment_;
  TendonStatics statics_;
  ElasticState at_;
  ElasticState began_;  // the motion that is looked at
  ElasticState near_;
  double target_arm_mm_ = kDirectionArm_mm;
  Compensation out_;
};

}  // namespace

Compensation compensate(const Design& design, const Plan& plan, const ElasticTarget& target,
                        const FollowSettings& settings) {
  return Compensator(design, plan, target, settings).run();
}

}  // namespace withy
