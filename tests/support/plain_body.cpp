// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_body.h"

#include <algorithm>
#include <cmath>
#include <set>

namespace withy_plain {
namespace {

constexpr double kNothing_mm = 1e-9;  // a flexible length below this is none

}  // namespace

Eigen::Isometry3d arc(const Eigen::Vector2d& u, double l) {
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  const double kappa = std::hypot(u.x(), u.y());
  if (kappa == 0) {
    X.translation().z() = l;
    return X;
  }
  const double theta = kappa * l;
  const double across = 2 * std::sin(theta / 2) * (std::sin(theta / 2) / kappa);
  X.translation() = Eigen::Vector3d(u.x() / kappa * across, u.y() / kappa * across, std::sin(theta) / kappa);
  X.linear() = Eigen::AngleAxisd(theta, Eigen::Vector3d(-u.y() / kappa, u.x() / kappa, 0)).toRotationMatrix();
  return X;
}

double exposed_from(const Robot& robot, double insertion_mm) {
  return robot.scene.guide ? std::max(0.0, robot.scene.length_mm - insertion_mm) : 0.0;
}

std::vector<std::pair<double, double>> rigid_spans(const Robot& robot) {
  std::vector<std::pair<double, double>> spans;
  for (const double s : robot.layout.station_mm) {
    const double half = robot.scene.lock->body_length_mm / 2;
    spans.emplace_back(s - half, s + half);
  }
  spans.emplace_back(robot.scene.length_mm - robot.scene.tip_rigid_mm, robot.scene.length_mm);
  return spans;
}

double flexible_length(const Robot& robot, double insertion_mm, double from_mm, double to_mm) {
  const double from = std::max(from_mm, exposed_from(robot, insertion_mm));
  double length = std::max(0.0, to_mm - from);
  for (const auto& [a, b] : rigid_spans(robot))
    length -= std::max(0.0, std::min(b, to_mm) - std::max(a, from));
  return std::max(0.0, length);
}

Eigen::Vector2d theta(const Robot& robot, const State& state, const Region& region) {
  return flexible_length(robot, state.insertion_mm, region.from_mm, region.to_mm) * region.u;
}

Eigen::Vector2d theta_to(const Robot& robot, const State& state, double s_mm) {
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (const Region& r : state.regions) {
    if (r.from_mm < s_mm) {
      sum += flexible_length(robot, state.insertion_mm, r.from_mm, std::min(r.to_mm, s_mm)) * r.u;
    }
  }
  return sum;
}

double radius(const Robot& robot, double s_mm) {
  double largest = robot.scene.radius_mm;
  for (const double s : robot.layout.station_mm) {
    const bool on_lock =
        std::abs(s_mm - s) <= robot.scene.lock->body_length_mm / 2 + 1e-12 * robot.scene.length_mm;
    if (on_lock) return robot.scene.lock->body_radius_mm;
  }
  return largest;
}

Body::Body(const Robot& robot, const State& state) {
  const double L = robot.scene.length_mm;
  const double out = exposed_from(robot, state.insertion_mm);
  std::set<double> cuts = {0.0, std::min(out, L)};
  for (const auto& [a, b] : rigid_spans(robot)) cuts.insert({a, b});
  for (const Region& r : state.regions) cuts.insert(r.from_mm);
  cuts.erase(cuts.lower_bound(L), cuts.end());
  cuts.insert(L);

  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  X.translation().z() = state.insertion_mm - L;
  for (auto at = cuts.begin(); std::next(at) != cuts.end(); ++at) {
    const double from = *at, to = *std::next(at), middle = (from + to) / 2;
    Eigen::Vector2d u = Eigen::Vector2d::Zero();
    for (const Region& r : state.regions) {
      if (r.from_mm < middle && middle < r.to_mm) u = r.u;
    }
    for (const auto& [a, b] : rigid_spans(robot)) {
      if (a < middle && middle < b) u.setZero();
    }
    if (middle < out) u.setZero();
    pieces_.push_back({from, u, X});
    X = X * arc(u, to - from);
  }
}

Eigen::Isometry3d Body::pose_E(double s_mm) const {
  const Piece* piece = &pieces_.front();
  for (const Piece& p : pieces_) {
    if (p.from_mm <= s_mm) piece = &p;
  }
  // The shaft behind the base is straight whatever the first piece does.
  return piece->X_E * arc(s_mm < 0 ? Eigen::Vector2d(0, 0) : piece->u, s_mm - piece->from_mm);
}

std::vector<Eigen::Vector3d> body_points(const Robot& robot, const State& state,
                                         const std::vector<double>& stations) {
  const Body body(robot, state);
  std::vector<Eigen::Vector3d> points;
  for (const double s : stations) points.push_back(body.point_E(s));
  return points;
}

State between(const Robot& robot, const State& from, const State& to, double t) {
  State state = from;
  state.insertion_mm = (1 - t) * from.insertion_mm + t * to.insertion_mm;
  for (std::size_t k = 0; k < state.regions.size(); ++k) {
    Region& r = state.regions[k];
    if (k + 1 == state.regions.size()) {
      r.u = (1 - t) * r.u + t * to.regions[k].u;
    } else if (robot.scene.guide) {
      const double f = flexible_length(robot, state.insertion_mm, r.from_mm, r.to_mm);
      const Eigen::Vector2d kept = theta(robot, from, from.regions[k]);
      r.u = f > kNothing_mm ? Eigen::Vector2d(kept / f) : Eigen::Vector2d::Zero();
    }
  }
  return state;
}

}  // namespace withy_plain
