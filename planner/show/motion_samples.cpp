// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/motion_samples.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

#include <tbb/parallel_for.h>

#include "planner/motion/action.h"
#include "planner/script/script.h"
#include "planner/script/waypoints.h"
#include "planner/segment/hardware.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// What the page shows motion at where the scene gives no rates: unhurried to the eye.
constexpr double kShownAdvance_mm_per_s = 2.0;
constexpr double kShownBend_rad_per_s = 10.0 * std::numbers::pi / 180.0;
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
  double least_ = std::numeric_limits<double>::infinity();
  double best_mm_ = 0.0;
};

std::vector<double> to_vector(const Eigen::VectorXd& v) {
  return {v.data(), v.data() + v.size()};
}

std::vector<double> moments_of(const PlannedAction& action) {
  if (is_switch(action)) return {kSwitchMoments.begin(), kSwitchMoments.end()};
  std::vector<double> t;
  for (int i = 0; i < kMotionMoments; ++i) t.push_back(static_cast<double>(i) / (kMotionMoments - 1));
  return t;
}

/// The state at a moment of an action: a switch has happened from its middle on.
State state_at(const PlannedAction& action, const State& from, const State& to, double t) {
  if (is_switch(action)) return t < 0.5 ? from : to;
  return t < 1.0 ? interpolate(from, to, t) : to;
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

/// A hunt's moments and states: the field settles with the body at rest, the body sweeps, the field settles
/// once more and the lock is engaged.
struct Sweep {
  std::vector<double> t;
  std::vector<State> states;
  double seconds = 0.0;
};

Sweep sweep_of(const Scene& scene, const Design& design, const PlannedAction& action, const State& from,
               const State& to) {
  const double settle = has_rates(scene, design) ? scene.actuation->field_settle_s : kShownSwitch_s;
  Sweep sweep{{0.0}, {from}, settle};
  for (const State& corner :
       hunt_states(design, from, action.lock, lock_hunt_track(design, from, action.lock))) {
    sweep.seconds += seconds_of_motion(scene, design, sweep.states.back(), corner);
    sweep.t.push_back(sweep.seconds);
    sweep.states.push_back(corner);
  }
  for (const double part : {0.5, 1.0}) {
    sweep.t.push_back(sweep.seconds + part * settle);
    sweep.states.push_back(to);
  }
  sweep.seconds += settle;
  for (double& t : sweep.t) t = sweep.seconds > 0.0 ? t / sweep.seconds : 1.0;
  return sweep;
}

/// The moments and states of an action that is no hunt.
Sweep moments_and_states(const Scene& scene, const Design& design, const PlannedAction& action,
                         const State& from, const State& to) {
  Sweep moments{moments_of(action), {}, 0.0};
  for (const double t : moments.t) moments.states.push_back(state_at(action, from, to, t));
  moments.seconds = seconds_of(scene, design, action, from, to);
  return moments;
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
  std::vector<ActionSamples> all(plan.actions.size());
  tbb::parallel_for(std::size_t{0}, plan.actions.size(), [&](std::size_t k) {
    const PlannedAction& action = plan.actions[k];
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    const State& to = plan.states[static_cast<std::size_t>(action.to)];
    ActionSamples& samples = all[k];
    const bool hunts = action.hunt && action.hunt->made();
    Sweep moments = hunts ? sweep_of(scene, design, action, from, to)
                          : moments_and_states(scene, design, action, from, to);
    samples.t = std::move(moments.t);
    samples.seconds = moments.seconds;
    for (const State& state : moments.states) {
      if (hunts) samples.swept_u.push_back(state.u_free);
      samples.spot.push_back(tightest_spot(design, state, wall));
      if (!hardware.checks_tendons()) continue;
      const HardwareUse use = hardware.use(state);
      samples.pull_mm.push_back(to_vector(use.pull_mm));
      samples.tension_N.push_back(to_vector(use.tension_N));
    }
  });
  return all;
}

}  // namespace withy
