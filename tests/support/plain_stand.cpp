// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_stand.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <random>
#include <unordered_map>

#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"

namespace withy_plain {
namespace {

using Random = std::minstd_rand;  // not the planner's

double even(double most, Random& random) {
  return std::uniform_real_distribution<double>(-most, most)(random);
}

/// Evenly in a ball: a direction by normal deviates, a radius by the root of an even one.
Eigen::VectorXd ball(int dimensions, double most, Random& random) {
  std::normal_distribution<double> normal;
  Eigen::VectorXd v(dimensions);
  for (double& x : v) x = normal(random);
  const double share = std::uniform_real_distribution<double>(0, 1)(random);
  return most * std::pow(share, 1.0 / dimensions) * v.normalized();
}

Eigen::Matrix3d turn(const Eigen::Vector3d& v) {
  if (v.norm() == 0) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(v.norm(), v.normalized()).toRotationMatrix();
}

/// What tendons set of a bend: all of it, or the part along the line that they all lie on.
Eigen::Vector2d pulled(const Tendons& tendons, const Eigen::Vector2d& bend) {
  const Eigen::Vector2d way(std::cos(tendons.angle_rad.front()), std::sin(tendons.angle_rad.front()));
  const bool one_line = std::all_of(tendons.angle_rad.begin(), tendons.angle_rad.end(), [&](double angle) {
    return std::abs(std::cos(angle) * way.y() - std::sin(angle) * way.x()) < 1e-9;
  });
  return one_line ? Eigen::Vector2d(way.dot(bend) * way) : bend;
}

struct BenchErrors {
  std::vector<Eigen::Vector2d> lock_bend;
  double gain = 0, scale = 0, coils = 0, magnets = 0;
  Eigen::Vector2d offset_bend = Eigen::Vector2d::Zero();
  Eigen::Vector3d entry, entry_turn, channel, channel_turn;
};

Eigen::Vector2d bend_of_offsets(const Tendons& tendons, const std::vector<double>& offsets) {
  Eigen::MatrixXd P(static_cast<Eigen::Index>(offsets.size()), 2);
  Eigen::VectorXd o(P.rows());
  for (Eigen::Index k = 0; k < P.rows(); ++k) {
    const double angle = tendons.angle_rad[static_cast<std::size_t>(k)];
    P(k, 0) = tendons.radius_mm * std::cos(angle);
    P(k, 1) = tendons.radius_mm * std::sin(angle);
    o(k) = offsets[static_cast<std::size_t>(k)];
  }
  // The shortest where many do: tendons on one line bend along it only.
  return P.jacobiSvd(Eigen::ComputeThinU | Eigen::ComputeThinV).solve(o);
}

BenchErrors draw(const Robot& robot, const ErrorSizes& sizes, Random& random) {
  BenchErrors errors;
  const double bend = robot.scene.latch ? sizes.backlash_mm / robot.scene.latch->radius_mm : 0;
  for (int i = 0; i < robot.locks(); ++i) errors.lock_bend.emplace_back(ball(2, bend, random));
  errors.gain = even(sizes.pull_gain, random);
  if (robot.scene.tendons) {
    std::vector<double> offsets;
    for (std::size_t k = 0; k < robot.scene.tendons->angle_rad.size(); ++k)
      offsets.push_back(even(sizes.pull_offset_mm, random));
    errors.offset_bend = bend_of_offsets(*robot.scene.tendons, offsets);
  }
  errors.entry = ball(3, sizes.entry_mm, random);
  errors.entry_turn = ball(3, sizes.entry_rad, random);
  errors.channel = ball(3, sizes.registration_mm, random);
  errors.channel_turn = ball(3, sizes.registration_rad, random);
  errors.scale = even(sizes.lumen_scale, random);
  errors.coils = even(sizes.coil_gain, random);
  errors.magnets = even(sizes.magnet_strength, random);
  return errors;
}

/// Motors that stand draw every tendon by -d more: what the gain makes of that.
Eigen::Vector2d gain_of_drawing_back(const Robot& robot, double insertion_mm, double gain) {
  const Tendons& tendons = *robot.scene.tendons;
  if (tendons.motors_ride) return Eigen::Vector2d::Zero();
  return bend_of_offsets(tendons, std::vector<double>(tendons.angle_rad.size(), -gain * insertion_mm));
}

/// What a planned state becomes.
State on_bench(const Robot& robot, const State& planned, const BenchErrors& errors) {
  State out = planned;
  Eigen::Vector2d total = Eigen::Vector2d::Zero();
  for (const Region& region : planned.regions) total += theta(robot, planned, region);
  Eigen::Vector2d before = Eigen::Vector2d::Zero();
  std::size_t r = 0;
  for (std::size_t i = 0; i < planned.locked.size(); ++i) {
    if (!planned.locked[i]) continue;
    Region& region = out.regions[r++];
    const double f = flexible_length(robot, planned.insertion_mm, region.from_mm, region.to_mm);
    if (f > 1e-9) region.u += (errors.lock_bend[i] - before) / f;
    before = errors.lock_bend[i];
  }
  Region& free = out.regions.back();
  const double f = flexible_length(robot, planned.insertion_mm, free.from_mm, free.to_mm);
  if (f > 1e-9 && robot.scene.tendons)
    free.u += (pulled(*robot.scene.tendons, errors.gain * total - before) + errors.offset_bend +
               gain_of_drawing_back(robot, planned.insertion_mm, errors.gain)) /
              f;
  for (std::size_t k = 0; robot.scene.guide && k < out.regions.size(); ++k) {
    const double most = std::max(robot.scene.curvature_max_per_mm, planned.regions[k].u.norm());
    if (out.regions[k].u.norm() > most) out.regions[k].u *= most / out.regions[k].u.norm();
  }
  return out;
}

/// A lock without notches keeps the bend that it engages on, whatever it has come to by then. Of plans that
/// engage each lock once.
BenchErrors with_held_bends(const Robot& robot, const ListedPlan& plan, BenchErrors errors) {
  if (robot.scene.latch && robot.scene.latch->pitch_mm > 0) return errors;
  for (const ListedAction& action : plan.actions) {
    if (action.kind != "lock") continue;
    const State& planned = plan.states[static_cast<std::size_t>(action.from)].state;
    const double s = robot.layout.station_mm[static_cast<std::size_t>(action.lock)];
    errors.lock_bend[static_cast<std::size_t>(action.lock)] +=
        theta_to(robot, on_bench(robot, planned, errors), s) - theta_to(robot, planned, s);
  }
  return errors;
}

/// One motion of a plan at states so close together that no part of the body moves more than `step_mm` from
/// each to the next.
struct SampledMotion {
  std::vector<State> states;
  double step_mm = 0;
};

/// Bench errors move points a little farther than planned.
constexpr double kErrorsMore = 1.1;

SampledMotion sampled(const Robot& robot, const State& from, const State& to) {
  constexpr double kStep_mm = 1.0;
  constexpr int kStations = 12;
  constexpr int kLook = 24;
  // How far the fastest of some points goes in 1/24 of the motion.
  double fastest = 0;
  for (int i = 1; i <= kStations; ++i) {
    const double s = robot.scene.length_mm * i / kStations;
    Eigen::Vector3d before = Body(robot, from).point_E(s);
    for (int k = 1; k <= kLook; ++k) {
      const Eigen::Vector3d p =
          Body(robot, between(robot, from, to, static_cast<double>(k) / kLook)).point_E(s);
      fastest = std::max(fastest, (p - before).norm());
      before = p;
    }
  }
  const int parts = std::max(1, static_cast<int>(std::ceil(kLook * fastest / kStep_mm)));
  SampledMotion out;
  for (int k = 0; k <= parts; ++k)
    out.states.push_back(between(robot, from, to, static_cast<double>(k) / parts));
  out.step_mm = kErrorsMore * kLook * fastest / parts;
  return out;
}

/// A hunt's corners, the lock open or engaged, with states between.
SampledMotion sampled_sweep(const Robot& robot, const std::vector<State>& corners) {
  SampledMotion out;
  out.states.push_back(corners.front());
  for (std::size_t i = 0; i + 1 < corners.size(); ++i) {
    const SampledMotion chord = sampled(robot, corners[i], corners[i + 1]);
    out.states.insert(out.states.end(), chord.states.begin() + 1, chord.states.end());
    out.step_mm = std::max(out.step_mm, chord.step_mm);
  }
  return out;
}

/// Distances to the wall from the middles of cubes of a millimetre, each worked out when it is first asked
/// for. A distance to a set of points changes by no more than a point moves, so each bounds it all over its
/// cube.
class CoarseWall {
 public:
  explicit CoarseWall(const Wall& wall) : wall_(wall) {}

  /// No more than the distance.
  double at_least(const Eigen::Vector3d& p) {
    const Eigen::Vector3i cube = p.array().floor().cast<int>();
    const auto key = std::array<int, 3>{cube.x(), cube.y(), cube.z()};
    const Eigen::Vector3d middle = cube.cast<double>().array() + 0.5;
    auto found = known_.find(key);
    if (found == known_.end()) found = known_.emplace(key, wall_.distance(middle, kFarEnough_mm)).first;
    return found->second - (p - middle).norm();
  }
  double distance(const Eigen::Vector3d& p, double most_mm) const { return wall_.distance(p, most_mm); }

 private:
  struct Hash {
    std::size_t operator()(const std::array<int, 3>& cube) const {
      std::size_t h = 0;
      for (const int i : cube) h = h * 1000003U + static_cast<std::size_t>(i + 100000);
      return h;
    }
  };
  static constexpr double kFarEnough_mm = 12.0;
  const Wall& wall_;
  std::unordered_map<std::array<int, 3>, double, Hash> known_;
};

class Bench {
 public:
  Bench(const Robot& robot, const BenchErrors& errors, const Eigen::Vector3d& centre_E)
      : robot_(robot), errors_(errors) {
    using Eigen::Isometry3d;
    using Eigen::Translation3d;
    in_channel_ = Translation3d(centre_E) * Isometry3d(turn(errors.channel_turn).transpose()) *
                  Translation3d(-centre_E - errors.channel) * Translation3d(errors.entry) *
                  Isometry3d(turn(errors.entry_turn));
  }

  bool misses(const State& planned, const Eigen::Vector3d& target_E) const {
    const Scene& scene = robot_.scene;
    const State state = on_bench(robot_, planned, errors_);
    const Eigen::Isometry3d tip = in_channel_ * Body(robot_, state).pose_E(scene.length_mm);
    if ((tip.translation() - (1 + errors_.scale) * target_E).norm() > scene.target_tolerance_mm) return true;
    if (!scene.target_direction_S) return false;
    const Eigen::Vector3d wanted = scene.X_SE.linear().transpose() * scene.target_direction_S->normalized();
    const Eigen::Vector3d along = tip.linear().col(2);
    return std::atan2(along.cross(wanted).norm(), along.dot(wanted)) > scene.target_direction_tolerance_rad;
  }

  /// The least distance from the body's surface to the wall on the way, as far as samples tell; no more is
  /// looked for once it is below zero. Distances over a few mm may come out less than they are.
  double least_margin(const SampledMotion& motion, CoarseWall& wall) const {
    double least = kFar;
    for (std::size_t k = 0; k < motion.states.size();) {
      const Margin margin = margin_of(on_bench(robot_, motion.states[k], errors_), wall);
      least = std::min(least, margin.looked_at_mm);
      if (least < 0) return least;
      // As long as nothing can have come to the wall, states are left out.
      const double room = std::max(0.0, margin.all_mm - kMarginAsked_mm) / std::max(motion.step_mm, 1e-9);
      const auto skip = static_cast<std::size_t>(std::clamp(std::floor(room), 1.0, 50.0));
      k = k + 1 == motion.states.size() ? motion.states.size() : std::min(k + skip, motion.states.size() - 1);
    }
    return least;
  }

  /// Does a lock find its notch?
  bool engages(const State& before, const ListedAction& action) const {
    const Latch& latch = *robot_.scene.latch;
    if (latch.pitch_mm <= 0) return true;
    const double s = robot_.layout.station_mm[static_cast<std::size_t>(action.lock)];
    const Off off = split(latch, action.slide_off_mm);
    const Eigen::Vector2d w = latch.radius_mm * (theta_to(robot_, on_bench(robot_, before, errors_), s) -
                                                 theta_to(robot_, before, s)) +
                              off.bend;
    const bool hunted = action.hunt && action.hunt->made;
    const double h = hunted ? action.hunt->radius_mm : 0;
    const double rest = off.rest.cwiseAbs().maxCoeff();
    if (w.norm() + rest + h + latch.window_mm >= 0.5 * latch.pitch_mm) return false;
    if (!hunted) return in_window(latch, w, off.rest);
    const auto corners = hunt_corners(robot_.scene, *action.hunt);
    constexpr int kPieces = 40;
    for (std::size_t i = 0; i + 1 < corners.size(); ++i)
      for (int k = 0; k <= kPieces; ++k)
        if (in_window(latch, w + corners[i] + (corners[i + 1] - corners[i]) * k / kPieces, off.rest))
          return true;
    return false;
  }

  /// Do the planned currents switch the lock?
  bool switches(const State& before, const ListedAction& action) const {
    Robot real = robot_;
    real.scene.X_SE = robot_.scene.X_SE *
                      (Eigen::Translation3d(errors_.entry) * Eigen::Isometry3d(turn(errors_.entry_turn)));
    real.scene.lock->magnet_Am2 *= 1 + errors_.magnets;
    const Eigen::VectorXd I = (1 + errors_.coils) * Eigen::Map<const Eigen::VectorXd>(
                                                        action.current_A.data(),
                                                        static_cast<Eigen::Index>(action.current_A.size()));
    const State state = on_bench(robot_, before, errors_);
    constexpr int kSteps = 60;
    return reserve(real, state, action.lock, I, kSteps) >= 1 &&
           strongest(real, state, I) <= real.scene.field->strength_max_mT;
  }

  /// Stroke, tension and lock load of what a planned state becomes.
  bool keeps_limits(const State& planned) const {
    const Scene& scene = robot_.scene;
    if (!scene.tendons) return true;
    const State state = on_bench(robot_, planned, errors_);
    const auto tensions = base_tensions(robot_, state);
    if (!tensions) return false;
    const auto most = [](const std::vector<double>& values) {
      double largest = 0;
      for (const double value : values) largest = std::max(largest, std::abs(value));
      return largest;
    };
    return most(pulls(robot_, state)) <= scene.tendons->stroke_max_mm &&
           most(*tensions) <= scene.tendons->tension_max_N &&
           (!scene.lock || most(lock_moments(robot_, state)) <= scene.lock->hold_moment_Nmm);
  }

 private:
  /// What is nearer than this is told from what touches.
  static constexpr double kMarginAsked_mm = 0.1;

  struct Margin {
    double looked_at_mm = kFar;  ///< at the stations that were looked at
    double all_mm = kFar;        ///< no less anywhere along the body
  };

  /// Stations are half a millimetre apart, farther where the wall is too far for any between them to matter.
  Margin margin_of(const State& state, CoarseWall& wall) const {
    constexpr double kStation_mm = 0.5;
    constexpr double kLookAway_mm = 8.0;
    constexpr double kNear_mm = 0.5;  // bounds of distances will do beyond this
    const Body body(robot_, state);
    const double L = robot_.scene.length_mm;
    double largest = robot_.scene.radius_mm;
    if (robot_.locks() > 0) largest = std::max(largest, robot_.scene.lock->body_radius_mm);
    Margin margin;
    // How much of the segment may be past the entry plane, with some to spare.
    const double last = std::max(0.0, L - state.insertion_mm - 3);
    for (double s = L; s > last;) {
      const Eigen::Vector3d p = in_channel_ * body.point_E(s) / (1 + errors_.scale);
      double away = kFar;
      if (p.z() > 0) {
        away = (1 + errors_.scale) * wall.at_least(p);
        if (away < largest + kNear_mm) away = (1 + errors_.scale) * wall.distance(p, largest + kLookAway_mm);
        margin.looked_at_mm = std::min(margin.looked_at_mm, away - radius(robot_, s));
        if (margin.looked_at_mm < 0) return {margin.looked_at_mm, margin.looked_at_mm};
      }
      // The wall is no nearer to a station a step on than by that step.
      const double step =
          std::isfinite(away) ? std::max(kStation_mm, 0.5 * (away - largest - kMarginAsked_mm)) : kStation_mm;
      if (std::isfinite(away)) margin.all_mm = std::min(margin.all_mm, away - largest - step);
      s -= step;
    }
    if (!std::isfinite(margin.all_mm)) margin.all_mm = 0;
    return margin;
  }

  /// Slides that are off whatever the errors: as a bend, and the rest of each backbone.
  struct Off {
    Eigen::Vector2d bend = Eigen::Vector2d::Zero();
    Eigen::VectorXd rest;
  };
  static Off split(const Latch& latch, const std::vector<double>& off_mm) {
    Off off;
    const auto n = static_cast<Eigen::Index>(latch.angle_rad.size());
    off.rest = Eigen::VectorXd::Zero(n);
    if (off_mm.empty()) return off;
    Eigen::MatrixXd E(n, 2);
    for (Eigen::Index k = 0; k < n; ++k) {
      const double angle = latch.angle_rad[static_cast<std::size_t>(k)];
      E.row(k) << std::cos(angle), std::sin(angle);
      off.rest(k) = off_mm[static_cast<std::size_t>(k)];
    }
    off.bend = E.jacobiSvd(Eigen::ComputeThinU | Eigen::ComputeThinV).solve(off.rest);
    off.rest -= E * off.bend;
    return off;
  }

  static bool in_window(const Latch& latch, const Eigen::Vector2d& w, const Eigen::VectorXd& rest) {
    for (std::size_t k = 0; k < latch.angle_rad.size(); ++k) {
      const double slide = std::cos(latch.angle_rad[k]) * w.x() + std::sin(latch.angle_rad[k]) * w.y();
      if (std::abs(slide + rest(static_cast<Eigen::Index>(k))) > latch.window_mm) return false;
    }
    return true;
  }

  const Robot& robot_;
  const BenchErrors& errors_;
  /// From the entry frame as planned to the channel's: the carriage's errors, then the channel's own undone.
  Eigen::Isometry3d in_channel_;
};

/// A plan and all that is asked of it, worked out once.
class AskedPlan {
 public:
  AskedPlan(const Robot& robot, const ListedPlan& plan) : robot_(robot), plan_(plan) {
    for (const ListedAction& action : plan.actions) {
      if (action.leg == "in") reached_ = action.to;
      if (action.lock >= 0 || action.leg != "in") continue;
      motions_.push_back(sampled(robot, at(action.from), at(action.to)));
    }
    for (const ListedAction& action : plan.actions)
      if (action.hunt && action.hunt->made) add_sweeps(action);
  }

  void run(const Bench& bench, const Eigen::Vector3d& target_E, Drawn& drawn) const {
    const bool missed = bench.misses(at(reached_), target_E);
    const bool disengaged = some_switch([&](const ListedAction& action) {
      return action.kind == "lock" && robot_.scene.latch && !bench.engages(at(action.from), action);
    });
    ++drawn.benches;
    drawn.misses += missed;
    drawn.disengaged += disengaged;
  }

  void run_slow(const Bench& bench, CoarseWall& wall, Drawn& drawn) const {
    double margin = kFar;
    for (const SampledMotion& motion : motions_)
      if (margin >= 0) margin = std::min(margin, bench.least_margin(motion, wall));
    const bool overloaded =
        some_switch([&](const ListedAction& action) {
          return !action.current_A.empty() && !bench.switches(at(action.from), action);
        }) ||
        std::any_of(plan_.states.begin(), plan_.states.end(),
                    [&](const ListedState& listed) { return !bench.keeps_limits(listed.state); }) ||
        std::any_of(rims_.begin(), rims_.end(), [&](const State& rim) { return !bench.keeps_limits(rim); });
    ++drawn.sampled;
    drawn.touches += margin < 0;
    drawn.close += margin < kClose_mm;
    drawn.overloads += overloaded;
  }

 private:
  const State& at(int state) const { return plan_.states[static_cast<std::size_t>(state)].state; }

  /// What a hunt takes the body through, the lock open and engaged.
  void add_sweeps(const ListedAction& action) {
    std::vector<State> open;
    std::vector<State> engaged;
    for (const Eigen::Vector2d& corner : hunt_corners(robot_.scene, *action.hunt)) {
      open.push_back(swept(robot_, at(action.from), action.lock, corner));
      engaged.push_back(swept_engaged(robot_, at(action.from), action.lock, open.back()));
    }
    for (const std::vector<State>& corners : {open, engaged}) {
      rims_.insert(rims_.end(), corners.begin(), corners.end());
      motions_.push_back(sampled_sweep(robot_, corners));
    }
  }

  template <class Happened>
  bool some_switch(const Happened& happened) const {
    return std::any_of(plan_.actions.begin(), plan_.actions.end(),
                       [&](const ListedAction& action) { return action.lock >= 0 && happened(action); });
  }

  const Robot& robot_;
  const ListedPlan& plan_;
  int reached_ = 0;
  std::vector<SampledMotion> motions_;
  std::vector<State> rims_;  // of hunts, and what is inside of them
};

}  // namespace

Drawn draw_benches(const Robot& robot, const ListedPlan& plan, const Wall& wall,
                   const Eigen::Vector3d& centre_E, const ErrorSizes& sizes, int benches, int sampled,
                   unsigned seed) {
  Random random(seed);
  const Eigen::Vector3d target_E = robot.scene.X_SE.inverse() * robot.scene.target_S;
  const AskedPlan asked(robot, plan);
  CoarseWall coarse(wall);
  Drawn drawn;
  while (drawn.benches < benches) {
    const BenchErrors errors = with_held_bends(robot, plan, draw(robot, sizes, random));
    const Bench bench(robot, errors, centre_E);
    asked.run(bench, target_E, drawn);
    if (drawn.sampled < sampled) asked.run_slow(bench, coarse, drawn);
  }
  return drawn;
}

}  // namespace withy_plain
