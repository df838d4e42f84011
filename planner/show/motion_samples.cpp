// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/motion_samples.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <tbb/parallel_for.h>

#include "geometry/numbers/numbers.h"
#include "planner/motion/action.h"
#include "planner/script/script.h"
#include "planner/script/waypoints.h"
#include "planner/segment/hardware.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// What the page shows motion at where the scene gives no rates: unhurried to the eye.
constexpr double kShownAdvance_mm_per_s = 2.0;
constexpr double kShownBend_rad_per_s = 10.0 * kRadiansPerDegree;
constexpr double kShownSwitch_s = 1.0;

// A switch is instantaneous; these moments make it a step halfway in every curve, and the field a pulse.
constexpr std::array kSwitchMoments = {0.0, 0.001, 0.4999, 0.5001, 0.999, 1.0};

bool is_switch(const PlannedAction& action) {
  return action.kind == ActionKind::lock || action.kind == ActionKind::unlock;
}

/// Finds the station of least clearance of one body.
class SpotSearch {
 public:
  SpotSearch(const Design& design, const State& state, const WallDistance& wall)
      : design_(design), shape_(design, state), wall_(wall), length_mm_(design.length_mm()) {
    // The shaft behind the base is inside the channel once d > L.
    first_mm_ = std::min(0.0, length_mm_ - state.insertion_mm);
  }

  std::optional<double> station() {
    constexpr double kCoarse_mm = 8.0;
    const int parts = std::max(1, static_cast<int>(std::ceil((length_mm_ - first_mm_) / kCoarse_mm)));
    const auto at = [&](int i) { return first_mm_ + (length_mm_ - first_mm_) * i / parts; };
    std::vector<double> distance;
    for (int i = 0; i <= parts; ++i) distance.push_back(look(at(i)));
    for (int i = 0; i < parts; ++i)
      halve(at(i), at(i + 1), distance[static_cast<std::size_t>(i)],
            distance[static_cast<std::size_t>(i) + 1]);
    if (!std::isfinite(least_)) return std::nullopt;
    narrow();
    return best_mm_;
  }

  TightSpot spot(double station_mm, const Eigen::Isometry3d& X_SE) const {
    const auto near = wall_.nearest(shape_.point_E(station_mm));
    return {near.distance_mm - design_.body_radius(station_mm), station_mm, X_SE * near.point_E};
  }

 private:
  /// Distance to the wall at a station, which counts when it lies past the entry plane.
  double look(double s) {
    const Eigen::Vector3d p_E = shape_.point_E(s);
    const double distance = wall_.distance(p_E);
    if (p_E.z() > 0.0 && distance - design_.body_radius(s) < least_) {
      least_ = distance - design_.body_radius(s);
      best_mm_ = s;
    }
    return distance;
  }

  void halve(double a, double b, double D_a, double D_b) {
    if (b - a <= kStationStep_mm) return;
    if (0.5 * (D_a + D_b - (b - a)) - design_.largest_radius() > least_) return;
    const double middle = 0.5 * (a + b);
    const double D_m = look(middle);
    halve(a, middle, D_a, D_m);
    halve(middle, b, D_m, D_b);
  }

  void narrow() {
    for (double step = 0.5 * kStationStep_mm; step >= kStationResolution_mm; step *= 0.5) {
      const double centre = best_mm_;
      look(std::max(first_mm_, centre - step));
      look(std::min(length_mm_, centre + step));
    }
  }

  const Design& design_;
  Shape shape_;
  const WallDistance& wall_;
  double length_mm_;
  double first_mm_;
  double least_ = kInfinity;
  double best_mm_ = 0.0;
};

std::vector<double> to_vector(const Eigen::VectorXd& v) {
  return {v.data(), v.data() + v.size()};
}

/// The way-point of a state, as far as its travel time goes.
Waypoint axes_at(const Design& design, const State& state) {
  Waypoint w;
  w.insertion_mm = state.insertion_mm;
  w.pull_mm = to_vector(tendon_pulls(design, regions_of(design, state), state.insertion_mm));
  return w;
}

double seconds_at_the_units_rates(const Actuation& actuation, const Design& design, const State& from,
                                  const State& to) {
  double seconds = 0.0;
  Waypoint last = axes_at(design, from);
  for (const double t : waypoint_fractions(design, from, to)) {
    Waypoint next = axes_at(design, t < 1.0 ? interpolate(from, to, t) : to);
    seconds += travel_time_s(actuation, last, next);
    last = std::move(next);
  }
  return seconds;
}

double seconds_for_show(const Design& design, const State& from, const State& to) {
  const Region free = regions_of(design, from).back();
  const double bend = free.flexible_mm * (to.u_free - from.u_free).norm();
  return std::max(std::abs(to.insertion_mm - from.insertion_mm) / kShownAdvance_mm_per_s,
                  bend / kShownBend_rad_per_s);
}

double seconds_of_motion(const Scene& scene, const Design& design, const State& from, const State& to) {
  return has_rates(scene, design) ? seconds_at_the_units_rates(*scene.actuation, design, from, to)
                                  : seconds_for_show(design, from, to);
}

double seconds_of(const Scene& scene, const Design& design, const PlannedAction& action, const State& from,
                  const State& to) {
  if (!is_switch(action)) return seconds_of_motion(scene, design, from, to);
  return has_rates(scene, design) ? scene.actuation->field_settle_s : kShownSwitch_s;
}

/// When a body is looked at.
struct Moment {
  double t = 0.0;
  State state;
  int planned = -1;  // which of the plan's states it is; -1: one between them
};

/// What there is to see of an action: its moments, and how long it lasts.
struct Course {
  std::vector<Moment> moments;
  double seconds = 0.0;
};

/// The course of one action. Its `from` and `to` are the plan's states.
class Courses {
 public:
  Courses(const Scene& scene, const Design& design, const Plan& plan)
      : scene_(scene), design_(design), plan_(plan) {}

  Course of(const PlannedAction& action) const {
    if (is_hunt(action)) return hunt(action);
    return {is_switch(action) ? switch_moments(action) : motion_moments(action),
            seconds_of(scene_, design_, action, state(action.from), state(action.to))};
  }

  static bool is_hunt(const PlannedAction& action) { return action.hunt && action.hunt->made(); }

 private:
  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }
  Moment planned(double t, int index) const { return {t, state(index), index}; }

  /// A switch has happened from its middle on.
  std::vector<Moment> switch_moments(const PlannedAction& action) const {
    std::vector<Moment> moments;
    for (const double t : kSwitchMoments) moments.push_back(planned(t, t < 0.5 ? action.from : action.to));
    return moments;
  }

  std::vector<Moment> motion_moments(const PlannedAction& action) const {
    std::vector<Moment> moments = {planned(0.0, action.from)};
    for (int i = 1; i + 1 < kMotionMoments; ++i) {
      const double t = static_cast<double>(i) / (kMotionMoments - 1);
      moments.push_back({t, interpolate(state(action.from), state(action.to), t)});
    }
    moments.push_back(planned(1.0, action.to));
    return moments;
  }

  /// The field settles with the body at rest, the body sweeps, the field settles once more and the lock is
  /// engaged.
  Course hunt(const PlannedAction& action) const {
    const double settle = has_rates(scene_, design_) ? scene_.actuation->field_settle_s : kShownSwitch_s;
    const State& from = state(action.from);
    Course course{{planned(0.0, action.from)}, settle};
    for (const State& corner :
         hunt_states(design_, from, action.lock, lock_hunt_track(design_, from, action.lock))) {
      course.seconds += seconds_of_motion(scene_, design_, course.moments.back().state, corner);
      course.moments.push_back({course.seconds, corner});
    }
    for (const double part : {0.5, 1.0})
      course.moments.push_back(planned(course.seconds + part * settle, action.to));
    course.seconds += settle;
    for (Moment& moment : course.moments) moment.t = course.seconds > 0.0 ? moment.t / course.seconds : 1.0;
    return course;
  }

  const Scene& scene_;
  const Design& design_;
  const Plan& plan_;
};

/// What is shown of one body.
struct Posture {
  std::optional<TightSpot> spot;
  std::vector<double> pull_mm;
  std::vector<double> tension_N;
};

Posture posture_of(const Design& design, const State& state, const HardwareUse& use,
                   const WallDistance& wall) {
  return {tightest_spot(design, state, wall), to_vector(use.pull_mm), to_vector(use.tension_N)};
}

}  // namespace

bool has_rates(const Scene& scene, const Design& design) {
  return scene.actuation.has_value() && design.tendons().has_value();
}

std::optional<TightSpot> tightest_spot(const Design& design, const State& state, const WallDistance& wall) {
  SpotSearch search(design, state, wall);
  const auto station = search.station();
  if (!station) return std::nullopt;
  return search.spot(*station, wall.channel().entry.X_SE);
}

std::vector<ActionSamples> sample_motions(const Scene& scene, const Design& design, const Plan& plan,
                                          const WallDistance& wall) {
  const Hardware hardware(design);
  const Courses courses(scene, design, plan);
  std::vector<Posture> planned(plan.states.size());
  tbb::parallel_for(std::size_t{0}, planned.size(), [&](std::size_t i) {
    planned[i] = posture_of(design, plan.states[i], plan.states[i].use, wall);
  });
  std::vector<ActionSamples> all(plan.actions.size());
  tbb::parallel_for(std::size_t{0}, plan.actions.size(), [&](std::size_t k) {
    const Course course = courses.of(plan.actions[k]);
    ActionSamples& samples = all[k];
    samples.seconds = course.seconds;
    for (const Moment& moment : course.moments) {
      const Posture posture = moment.planned >= 0
                                  ? planned[static_cast<std::size_t>(moment.planned)]
                                  : posture_of(design, moment.state, hardware.use(moment.state), wall);
      samples.t.push_back(moment.t);
      samples.spot.push_back(posture.spot);
      if (Courses::is_hunt(plan.actions[k])) samples.swept_u.push_back(moment.state.u_free);
      if (!hardware.checks_tendons()) continue;
      samples.pull_mm.push_back(posture.pull_mm);
      samples.tension_N.push_back(posture.tension_N);
    }
  });
  return all;
}

}  // namespace withy
