// SPDX-License-Identifier: GPL-3.0-or-later
// Allowed states at the target, sought where they are likely: the tip is brought to the target by Newton's
// method in insertion and free curvature, whatever the wall; then locks, frozen bends and all else are
// changed a little at a time, the tip brought back each time, as long as the body comes out of the wall.
#include <algorithm>
#include <cmath>

#include <Eigen/Dense>

#include "tests/support/plain_walks.h"

namespace withy_plain {
namespace {

constexpr int kNewtonSteps = 12;
constexpr double kDifference = 1e-5;  // of a coordinate's range, for derivatives
constexpr double kDamping = 1e-3;     // of the largest derivative
constexpr double kAimShare = 0.3;     // of the tolerance
constexpr double kAnewShare = 0.2;    // of tries that start from a state drawn anew
constexpr int kStale = 40;            // tries without gain, after which all starts anew
constexpr double kSwitchShare = 0.1;  // of locks that switch from one try to the next
constexpr int kTriesALook = 6;        // tries that end before the wall is looked at count as a look together

}  // namespace

/// The state with the same locks and frozen bends whose tip comes nearest to the target, as far as a few
/// steps of Newton's method bring it; nothing where a frozen bend has nothing to bend.
std::optional<State> Walker::aimed(State state) const {
  const double length = scene_.length_mm, kappa = scene_.curvature_max_per_mm;
  const Eigen::Matrix2d across =  // of the plane in which the tendons bend, if there is one
      plane_ ? Eigen::Matrix2d(*plane_ * plane_->transpose()) : Eigen::Matrix2d(Eigen::Matrix2d::Identity());
  const auto stepped = [&](const State& s, const Eigen::Vector3d& x) {
    Eigen::Vector2d u = s.regions.back().u + kappa * across * x.tail<2>();
    if (u.norm() > kappa) u *= kappa * (1 - 1e-12) / u.norm();
    return moved(s, std::clamp(s.insertion_mm + length * x.x(), 0.0, scene_.insertion_max_mm), u);
  };
  const auto placed = [](const State& s) {
    return std::all_of(s.regions.begin(), s.regions.end(), [](const Region& r) { return r.u.allFinite(); });
  };
  const auto off = [&](const State& s) -> Eigen::Vector3d {
    return target_E_ - Body(robot_, s).point_E(length);
  };
  if (!placed(state)) return std::nullopt;
  for (int i = 0; i < kNewtonSteps; ++i) {
    const Eigen::Vector3d miss = off(state);
    if (miss.norm() <= kAimShare * scene_.target_tolerance_mm) break;
    Eigen::Matrix3d J;
    for (int k = 0; k < 3; ++k) {
      // Into the range, so that a limit doesn't hide the derivative.
      const double h =
          k == 0 && state.insertion_mm > 0.5 * scene_.insertion_max_mm ? -kDifference : kDifference;
      const State beside = stepped(state, h * Eigen::Vector3d::Unit(k));
      if (!placed(beside)) return std::nullopt;
      J.col(k) = (miss - off(beside)) / h;
    }
    const double damping = kDamping * J.squaredNorm();
    const Eigen::Matrix3d normal = J.transpose() * J + damping * Eigen::Matrix3d::Identity();
    const State next = stepped(state, normal.ldlt().solve(J.transpose() * miss));
    if (!placed(next)) return std::nullopt;
    state = next;
  }
  return state;
}

/// Another state near this one: other notches, now and then another lock, another bend and insertion.
std::optional<State> Walker::varied(const State& state) {
  State out;
  out.insertion_mm = std::clamp(state.insertion_mm + uniform(-0.3, 0.3) * scale() * scene_.length_mm, 0.0,
                                scene_.insertion_max_mm);
  const double kappa = scene_.curvature_max_per_mm;
  double from = 0;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int i = 0; i < robot_.locks(); ++i) {
    const bool switches = uniform(0, 1) < kSwitchShare;
    out.locked.push_back(state.locked[static_cast<std::size_t>(i)] != switches);
    if (!out.locked.back()) continue;
    const double f = flexible_length(robot_, out.insertion_mm, from, station(i));
    const Eigen::Vector2d wish = theta_to(robot_, state, station(i)) + f * in_disk(scale() * kappa);
    if (!add_latched(out, i, from, sum, wish)) return std::nullopt;
  }
  Eigen::Vector2d u = state.regions.back().u + in_disk(2 * scale() * kappa);
  if (u.norm() > kappa) u *= kappa * (1 - 1e-12) / u.norm();
  out.regions.push_back({from, scene_.length_mm, u});
  return out;
}

std::vector<State> Walker::goal_states(const std::optional<State>& known, std::size_t most, long most_looks) {
  std::vector<State> found;
  std::optional<State> best;
  double least = 0;
  int stale = 0;
  const long until = looks_ + most_looks;
  for (long tries = 0; looks_ + tries / kTriesALook < until && found.size() < most; ++tries) {
    const bool anew = !best || ++stale > kStale || uniform(0, 1) < kAnewShare;
    if (stale > kStale) best.reset();
    const auto near = tries == 0 && known ? known : anew ? random_state() : varied(*best);
    if (!near) continue;
    const auto state = aimed(*near);
    if (!state) continue;
    // The wall is only asked where the tip is near enough for the answer to count.
    double cost = target_cost(*state, false);
    if (cost <= scene_.target_tolerance_mm) cost = target_cost(*state, true);
    if (best && cost >= least) continue;
    best = state;
    least = cost;
    stale = 0;
    if (cost > 0 || !at_target(*state) || !allowed(*state)) continue;
    found.push_back(*state);
    best.reset();
  }
  return found;
}

}  // namespace withy_plain
