// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_stand.h"

#include <algorithm>
#include <cmath>
#include <random>

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
  return (P.transpose() * P).ldlt().solve(P.transpose() * o);
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
  if (f > 1e-9 && robot.scene.tendons) free.u += (errors.gain * total + errors.offset_bend - before) / f;
  for (std::size_t k = 0; robot.scene.guide && k < out.regions.size(); ++k) {
    const double most = std::max(robot.scene.curvature_max_per_mm, planned.regions[k].u.norm());
    if (out.regions[k].u.norm() > most) out.regions[k].u *= most / out.regions[k].u.norm();
  }
  return out;
}

class Bench {
 public:
  Bench(const Robot& robot, const BenchErrors& errors, const Eigen::Vector3d& centre_E)
      : robot_(robot), errors_(errors), centre_E_(centre_E) {}

  /// A point of the body as the channel sees it: entry moved, then the channel's own move undone, then its
  /// growth.
  Eigen::Vector3d in_channel(const Eigen::Vector3d& p_E) const {
    const Eigen::Vector3d moved = errors_.entry + turn(errors_.entry_turn) * p_E;
    return centre_E_ + turn(errors_.channel_turn).transpose() * (moved - errors_.channel - centre_E_);
  }

  double tip_error(const State& planned, const Eigen::Vector3d& target_E) const {
    const State state = on_bench(robot_, planned, errors_);
    return (in_channel(Body(robot_, state).point_E(robot_.scene.length_mm)) - (1 + errors_.scale) * target_E)
        .norm();
  }

  /// Does it touch on the way between two planned states, as far as samples tell?
  bool touches(const State& from, const State& to, const Wall& wall) const {
    constexpr int kStates = 24;
    for (int k = 0; k <= kStates; ++k) {
      const State state =
          on_bench(robot_, between(robot_, from, to, static_cast<double>(k) / kStates), errors_);
      const Body body(robot_, state);
      for (double s = robot_.scene.length_mm; s > robot_.scene.length_mm - planned_depth(state); s -= 1.0) {
        const Eigen::Vector3d p = in_channel(body.point_E(s)) / (1 + errors_.scale);
        if (p.z() <= 0) continue;
        const double R = radius(robot_, s);
        if ((1 + errors_.scale) * wall.distance(p, R + 1.0) < R) return true;
      }
    }
    return false;
  }

  /// Does a lock find its notch?
  bool engages(const State& before, const ListedAction& action) const {
    const Latch& latch = *robot_.scene.latch;
    if (latch.pitch_mm <= 0) return true;
    const double s = robot_.layout.station_mm[static_cast<std::size_t>(action.lock)];
    const Eigen::Vector2d w = latch.radius_mm * (theta_to(robot_, on_bench(robot_, before, errors_), s) -
                                                 theta_to(robot_, before, s));
    const bool hunted = action.hunt && action.hunt->made;
    const double h = hunted ? action.hunt->radius_mm : 0;
    if (w.norm() + h + latch.window_mm >= 0.5 * latch.pitch_mm) return false;
    if (!hunted) return in_window(latch, w);
    const auto corners = hunt_corners(robot_.scene, *action.hunt);
    constexpr int kPieces = 40;
    for (std::size_t i = 0; i + 1 < corners.size(); ++i)
      for (int k = 0; k <= kPieces; ++k)
        if (in_window(latch, w + corners[i] + (corners[i + 1] - corners[i]) * k / kPieces)) return true;
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

 private:
  /// How much of the segment may be past the entry plane, with some to spare.
  double planned_depth(const State& state) const {
    return std::min(robot_.scene.length_mm, state.insertion_mm + 3);
  }

  static bool in_window(const Latch& latch, const Eigen::Vector2d& w) {
    return std::all_of(latch.angle_rad.begin(), latch.angle_rad.end(), [&](double angle) {
      return std::abs(std::cos(angle) * w.x() + std::sin(angle) * w.y()) <= latch.window_mm;
    });
  }

  const Robot& robot_;
  const BenchErrors& errors_;
  Eigen::Vector3d centre_E_;
};

}  // namespace

Drawn draw_benches(const Robot& robot, const ListedPlan& plan, const Wall& wall,
                   const Eigen::Vector3d& centre_E, const ErrorSizes& sizes, int benches, int sampled,
                   unsigned seed) {
  Random random(seed);
  const Eigen::Vector3d target_E = robot.scene.X_SE.inverse() * robot.scene.target_S;
  const auto at = [&](int state) -> const State& {
    return plan.states[static_cast<std::size_t>(state)].state;
  };
  int reached = 0;
  for (const ListedAction& action : plan.actions)
    if (action.leg == "in") reached = action.to;
  Drawn drawn;
  for (; drawn.benches < benches; ++drawn.benches) {
    const BenchErrors errors = draw(robot, sizes, random);
    const Bench bench(robot, errors, centre_E);
    drawn.misses += bench.tip_error(at(reached), target_E) > robot.scene.target_tolerance_mm;
    bool disengaged = false;
    for (const ListedAction& action : plan.actions)
      disengaged = disengaged ||
                   (action.kind == "lock" && robot.scene.latch && !bench.engages(at(action.from), action));
    drawn.disengaged += disengaged;
    if (drawn.benches >= sampled) continue;
    ++drawn.sampled;
    bool touched = false;
    bool unswitched = false;
    for (const ListedAction& action : plan.actions) {
      if (action.lock >= 0) {
        unswitched = unswitched || (!action.current_A.empty() && !bench.switches(at(action.from), action));
      } else if (action.leg == "in" && !touched) {
        touched = bench.touches(at(action.from), at(action.to), wall);
      }
    }
    drawn.touches += touched;
    drawn.unswitched += unswitched;
  }
  return drawn;
}

}  // namespace withy_plain
