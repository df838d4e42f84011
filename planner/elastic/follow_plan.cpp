// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/follow_plan.h"

#include <algorithm>
#include <cmath>

#include "geometry/numbers/numbers.h"
#include "planner/plan/lock_hunt.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

/// Stations that are looked at, base to tip, with the body's radius.
struct LookStation {
  double s_mm = 0.0;
  double radius_mm = 0.0;
};

std::vector<LookStation> look_stations(const Design& design, double insertion_mm) {
  std::vector<LookStation> stations;
  const double first = std::min(0.0, design.length_mm() - insertion_mm);
  const int count = static_cast<int>(std::ceil((design.length_mm() - first) / kStation_mm));
  for (int i = 0; i <= count; ++i) {
    const double s = first + (design.length_mm() - first) * i / count;
    stations.push_back({s, design.body_radius(s)});
  }
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    const RigidSpan& span = design.rigid_spans()[static_cast<std::size_t>(lock)];
    stations.push_back({span.from_mm, design.lock().body_radius_mm});
    stations.push_back({span.to_mm, design.lock().body_radius_mm});
  }
  return stations;
}

std::vector<double> places(const std::vector<LookStation>& stations) {
  std::vector<double> s;
  s.reserve(stations.size());
  for (const LookStation& station : stations) s.push_back(station.s_mm);
  return s;
}

/// Plays a plan's actions one after the other.
class Follower {
 public:
  Follower(const Design& design, const Plan& plan, const PullCorrections& corrections,
           const FollowSettings& settings)
      : planned_(settings.planned ? *settings.planned : design),
        plan_(plan),
        corrections_(corrections),
        settings_(settings),
        segment_(design, settings.elements),
        compared_(places(look_stations(planned_, 0.0))) {}

  FollowedPlan run() {
    out_.fault = follow();
    out_.work = segment_.work();
    return std::move(out_);
  }

 private:
  std::optional<ElasticFault> follow() {
    const auto start = segment_.start();
    if (!start) return start.error();
    at_ = *start;
    look(plan_.states.front(), nullptr);
    keep_state(plan_.states.front());
    for (const PlannedAction& action : plan_.actions)
      if (const auto fault = play(action)) return fault;
    return std::nullopt;
  }

  std::optional<ElasticFault> play(const PlannedAction& action) {
    FollowedAction followed;
    followed.from = action.from;
    followed.to = action.to;
    keep_body(0.0, followed);
    const bool switches = action.kind == ActionKind::lock || action.kind == ActionKind::unlock;
    const auto fault = switches ? play_switch(action, followed) : play_motion(action, followed);
    if (fault) return fault;
    out_.clearance_mm = std::min(out_.clearance_mm, followed.clearance_mm);
    out_.steps += followed.steps;
    out_.actions.push_back(followed);
    keep_state(state(action.to));
    return std::nullopt;
  }

  std::optional<ElasticFault> play_motion(const PlannedAction& action, FollowedAction& followed) {
    const Eigen::Index tendons = at_.pull_mm.size();
    next_kept_ = 1;
    return lead(
        state(action.from), state(action.to),
        [&](double t) { return corrections_.between(action.from, action.to, t, tendons); }, followed);
  }

  /// Step by step from one state to another.
  std::optional<ElasticFault> lead(const State& from, const State& to,
                                   const std::function<Eigen::VectorXd(double)>& correction,
                                   FollowedAction& followed) {
    const int steps = steps_of_motion(planned_, from, to, settings_.step_mm);
    for (int i = 1; i <= steps; ++i) {
      if (settings_.effort && settings_.effort->spent(segment_.work())) return ElasticFault::cut_short;
      const double t = static_cast<double>(i) / steps;
      const State ideal = i < steps ? interpolate(from, to, t) : to;
      const auto next =
          segment_.step(at_, ideal.insertion_mm, drawn(ideal_pulls(planned_, ideal) + correction(t)));
      if (!next) return next.error();
      at_ = *next;
      look(ideal, &followed);
      if (next_kept_ == 0 || t * kKeptBodies < next_kept_) continue;
      keep_body(t, followed);
      next_kept_ = static_cast<int>(t * kKeptBodies) + 1;
    }
    followed.steps += steps;
    return std::nullopt;
  }

  /// What the motors draw when told so.
  Eigen::VectorXd drawn(Eigen::VectorXd told_mm) const {
    told_mm *= 1.0 + settings_.pull_errors.gain;
    if (settings_.pull_errors.offset_mm.size() > 0) told_mm += settings_.pull_errors.offset_mm;
    return told_mm;
  }

  void keep_body(double t, FollowedAction& followed) {
    if (settings_.body_stations < 2) return;
    std::vector<double> stations;
    for (int i = 0; i < settings_.body_stations; ++i)
      stations.push_back(segment_.design().length_mm() * i / (settings_.body_stations - 1));
    FollowedBody body;
    body.t = t;
    for (const Eigen::Isometry3d& pose : segment_.poses_E(at_, stations))
      body.points_E.push_back(pose.translation());
    followed.bodies.push_back(std::move(body));
  }

  /// The sweep of a hunt, about the pulls as they stand.
  std::optional<ElasticFault> play_sweep(const PlannedAction& action, FollowedAction& followed) {
    next_kept_ = 0;
    const std::vector<State> sweep = sweep_states(planned_, state(action.from), action);
    const Eigen::VectorXd more = corrections_.between(action.from, action.from, 0.0, at_.pull_mm.size());
    for (std::size_t i = 1; i < sweep.size(); ++i)
      if (const auto fault = lead(
              sweep[i - 1], sweep[i], [&](double) { return more; }, followed))
        return fault;
    return std::nullopt;
  }

  std::optional<ElasticFault> play_switch(const PlannedAction& action, FollowedAction& followed) {
    if (action.kind == ActionKind::lock) {
      followed.slide_off_mm = slide_off(action);
      followed.slide_error_mm = followed.slide_off_mm.cwiseAbs().maxCoeff();
    }
    if (const auto fault = play_sweep(action, followed)) return fault;
    const ElasticState before = at_;
    const auto next = action.kind == ActionKind::lock ? segment_.engage(at_, action.lock)
                                                      : segment_.release(at_, action.lock);
    if (!next) return next.error();
    at_ = *next;
    look(state(action.to), &followed);
    ++followed.steps;
    keep_body(1.0, followed);
    followed.jump_mm =
        (segment_.read(at_).tip_E.translation() - segment_.read(before).tip_E.translation()).norm();
    if (!settings_.distance) return std::nullopt;
    for (const ElasticState& body : bodies_between(segment_, before, at_, settings_.step_mm)) {
      followed.clearance_mm = std::min(
          followed.clearance_mm, clearance_of(segment_, body, *settings_.distance, settings_.placement));
      ++followed.steps;
    }
    return std::nullopt;
  }

  Eigen::VectorXd slide_off(const PlannedAction& action) {
    const Eigen::VectorXd wanted =
        backbone_slides(*planned_.latch(), bend_up_to_lock(state(action.to), action.lock));
    const ElasticReading reading = segment_.read(at_);
    return reading.own_slide_mm[static_cast<std::size_t>(action.lock)] - wanted;
  }

  /// Looks at the body as it stands now; `followed` takes what a motion asks for.
  void look(const State& ideal, FollowedAction* followed) {
    shift_ = 0.0;
    const std::vector<Eigen::Isometry3d> poses = segment_.poses_E(at_, compared_);
    const Shape shape(planned_, ideal);
    for (std::size_t i = 0; i < poses.size(); ++i)
      shift_ = std::max(shift_, (poses[i].translation() - shape.point_E(compared_[i])).norm());
    if (settings_.distance)
      clearance_ = clearance_of(segment_, at_, *settings_.distance, settings_.placement);
    if (!followed) return;
    followed->body_shift_mm = std::max(followed->body_shift_mm, shift_);
    followed->clearance_mm = std::min(followed->clearance_mm, clearance_);
    out_.most.take(at_, segment_.read(at_));
  }

  void keep_state(const State& ideal) {
    FollowedState kept;
    kept.state = at_;
    kept.reading = segment_.read(at_);
    kept.tip_shift_mm =
        (kept.reading.tip_E.translation() - Shape(planned_, ideal).tip_E().translation()).norm();
    kept.body_shift_mm = shift_;
    kept.clearance_mm = clearance_;
    kept.unstable = settings_.wants_stability && segment_.unstable(at_);
    out_.states.push_back(std::move(kept));
  }

  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }

  const Design& planned_;
  const Plan& plan_;
  const PullCorrections& corrections_;
  const FollowSettings& settings_;
  ElasticSegment segment_;
  std::vector<double> compared_;
  ElasticState at_;
  int next_kept_ = 0;  // of kKeptBodies; 0: none is kept between an action's ends
  double shift_ = 0.0;
  double clearance_ = kInfinity;
  FollowedPlan out_;
};

}  // namespace

void ElasticExtremes::take(const ElasticState& state, const ElasticReading& reading) {
  pull_mm = std::max(pull_mm, state.pull_mm.cwiseAbs().maxCoeff());
  base_N = std::max(base_N, reading.base_N.maxCoeff());
  compression_N = std::max(compression_N, reading.compression_N);
  for (const double load : reading.lock_load_Nmm) lock_load_Nmm = std::max(lock_load_Nmm, load);
}

Eigen::VectorXd ideal_pulls(const Design& design, const State& state) {
  return tendon_pulls(design, regions_of(design, state), state.insertion_mm);
}

int steps_of_motion(const Design& design, const State& from, const State& to, double step_mm) {
  // A change du of curvature turns the tip by at most |du| L, which moves it by at most |du| L^2 / 2.
  const double lever = 0.5 * design.length_mm() * design.length_mm();
  const double way = std::abs(to.insertion_mm - from.insertion_mm) + lever * (to.u_free - from.u_free).norm();
  return std::max(1, static_cast<int>(std::ceil(way / step_mm)));
}

// Stations are asked in the order of their lower bounds, exactly only while that is below the least so far:
// one or two of them.
double clearance_of(ElasticSegment& segment, const ElasticState& state, const ChannelDistance& distance,
                    const WallPlacement& placement) {
  const std::vector<LookStation> stations = look_stations(segment.design(), state.insertion_mm);
  const std::vector<Eigen::Isometry3d> poses = segment.poses_E(state, places(stations));
  struct Place {
    double lower_mm;
    Eigen::Vector3d p_W;
    double radius_mm;
  };
  std::vector<Place> inside;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const Eigen::Vector3d p = placement.X_WE * poses[i].translation() / placement.scale;
    const double radius = stations[i].radius_mm;
    if (p.z() > 0.0) inside.push_back({placement.scale * distance.signed_lower(p) - radius, p, radius});
  }
  std::sort(inside.begin(), inside.end(),
            [](const Place& a, const Place& b) { return a.lower_mm < b.lower_mm; });
  double least = kInfinity;
  for (const Place& place : inside) {
    if (place.lower_mm >= least) break;
    least = std::min(least, placement.scale * distance.exact().signed_distance(place.p_W) - place.radius_mm);
  }
  return least;
}

std::vector<ElasticState> bodies_between(ElasticSegment& segment, const ElasticState& from,
                                         const ElasticState& to, double step_mm) {
  std::vector<double> stations;
  const int looks = static_cast<int>(std::ceil(segment.design().length_mm() / kStation_mm));
  for (int i = 0; i <= looks; ++i) stations.push_back(segment.design().length_mm() * i / looks);
  const std::vector<Eigen::Isometry3d> first = segment.poses_E(from, stations);
  const std::vector<Eigen::Isometry3d> last = segment.poses_E(to, stations);
  double most = 0.0;
  for (std::size_t i = 0; i < first.size(); ++i)
    most = std::max(most, (last[i].translation() - first[i].translation()).norm());
  const int steps = std::min(kMostBetween + 1, static_cast<int>(std::ceil(most / step_mm)));
  std::vector<ElasticState> bodies;
  for (int i = 1; i < steps; ++i) {
    bodies.push_back(to);
    bodies.back().strain += (1.0 - static_cast<double>(i) / steps) * (from.strain - to.strain);
  }
  return bodies;
}

std::vector<State> sweep_states(const Design& design, const State& before, const PlannedAction& action) {
  if (!action.hunt || !action.hunt->made()) return {};
  return hunt_states(design, before, action.lock, lock_hunt_track(design, before, action.lock));
}

FollowedPlan follow_plan(const Design& design, const Plan& plan, const PullCorrections& corrections,
                         const FollowSettings& settings) {
  return Follower(design, plan, corrections, settings).run();
}

double halving_error_mm(const Design& design, const Plan& plan, const PullCorrections& corrections,
                        const FollowSettings& settings) {
  FollowSettings finer = settings;
  finer.elements *= 2;
  const FollowedPlan coarse = follow_plan(design, plan, corrections, settings);
  const FollowedPlan fine = follow_plan(design, plan, corrections, finer);
  if (coarse.fault || fine.fault) return kInfinity;
  double most = 0.0;
  for (std::size_t i = 0; i < std::min(coarse.states.size(), fine.states.size()); ++i) {
    const ElasticReading& a = coarse.states[i].reading;
    const ElasticReading& b = fine.states[i].reading;
    most = std::max(most, (a.tip_E.translation() - b.tip_E.translation()).norm());
    for (std::size_t lock = 0; lock < a.slide_mm.size(); ++lock)
      most = std::max(most, (a.slide_mm[lock] - b.slide_mm[lock]).cwiseAbs().maxCoeff());
    if (std::isfinite(coarse.states[i].clearance_mm))
      most = std::max(most, std::abs(coarse.states[i].clearance_mm - fine.states[i].clearance_mm));
  }
  return most;
}

}  // namespace withy
