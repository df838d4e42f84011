// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_hardware.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <Eigen/Dense>

#include "tests/support/plain_field.h"

namespace withy_plain {
namespace {

Eigen::Vector2d direction(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

double disk_pull(const Robot& robot, const State& state, double beta) {
  const Tendons& tendons = *robot.scene.tendons;
  const double length = robot.scene.length_mm;
  const Body body(robot, state);
  const Eigen::Vector3d hole(tendons.radius_mm * std::cos(beta), tendons.radius_mm * std::sin(beta), 0);
  const int gaps = static_cast<int>(std::ceil(length / tendons.disk_spacing_mm - 1e-9));
  double tendon = 0;
  for (int j = 0; j < gaps; ++j) {
    const double from = tendons.disk_spacing_mm * j;
    const double to = std::min(length, tendons.disk_spacing_mm * (j + 1));
    tendon += (body.pose_E(to) * hole - body.pose_E(from) * hole).norm();
  }
  return length - tendon;
}

}  // namespace

std::vector<double> backbone_slides(const Latch& latch, const Eigen::Vector2d& theta_sum) {
  std::vector<double> out;
  for (const double psi : latch.angle_rad) out.push_back(latch.radius_mm * direction(psi).dot(theta_sum));
  return out;
}

double notch_miss(const Latch& latch, const Eigen::Vector2d& theta_sum) {
  double miss = 0;
  if (latch.pitch_mm == 0) return 0;
  for (const double slide : backbone_slides(latch, theta_sum)) {
    miss = std::max(miss, std::abs(slide - latch.pitch_mm * std::round(slide / latch.pitch_mm)));
  }
  return miss;
}

std::vector<double> pulls(const Robot& robot, const State& state) {
  const Tendons& tendons = *robot.scene.tendons;
  std::vector<double> out;
  for (const double beta : tendons.angle_rad) {
    double pull = 0;
    if (tendons.disk_spacing_mm > 0) {
      pull = disk_pull(robot, state, beta);
    } else {
      for (const Region& r : state.regions)
        pull += tendons.radius_mm * direction(beta).dot(theta(robot, state, r));
    }
    out.push_back(tendons.motors_ride ? pull : pull - state.insertion_mm);
  }
  return out;
}

namespace {

/// `share`: of the forces, what is called rounding.
std::optional<std::vector<double>> tip_tensions_within(const Robot& robot, const Eigen::Vector2d& u_free,
                                                       double share) {
  const Tendons& tendons = *robot.scene.tendons;
  const std::size_t n = tendons.angle_rad.size();
  Eigen::Vector2d rest = robot.scene.rigidity_Nmm2 * u_free / tendons.radius_mm;
  for (const double beta : tendons.angle_rad) rest -= tendons.tension_min_N * direction(beta);
  const double rounding = share * (rest.norm() + tendons.tension_min_N);

  std::optional<std::vector<double>> best;
  double least = std::numeric_limits<double>::infinity();
  const auto consider = [&](std::size_t i, std::size_t j, double xi, double xj) {
    if (xi < -rounding || xj < -rounding || xi + xj >= least - rounding) return;
    least = xi + xj;
    best = std::vector<double>(n, tendons.tension_min_N);
    (*best)[i] += xi;
    (*best)[j] += xj;
  };
  for (std::size_t i = 0; i < n; ++i) {
    const Eigen::Vector2d ei = direction(tendons.angle_rad[i]);
    const double along = ei.dot(rest);
    if ((rest - along * ei).norm() <= rounding) consider(i, i, along, 0);
    for (std::size_t j = i + 1; j < n; ++j) {
      const Eigen::Vector2d ej = direction(tendons.angle_rad[j]);
      const double det = ei.x() * ej.y() - ei.y() * ej.x();
      if (std::abs(det) < 1e-9) continue;
      consider(i, j, (rest.x() * ej.y() - rest.y() * ej.x()) / det,
               (ei.x() * rest.y() - ei.y() * rest.x()) / det);
    }
  }
  return best;
}

}  // namespace

std::optional<std::vector<double>> tip_tensions(const Robot& robot, const Eigen::Vector2d& u_free) {
  const auto found = tip_tensions_within(robot, u_free, 1e-9);
  // A bend out of the tendons' plane by some times the program's rounding is no fault of a plan.
  return found ? found : tip_tensions_within(robot, u_free, 1e-8);
}

std::optional<std::vector<double>> base_tensions(const Robot& robot, const State& state) {
  auto tensions = tip_tensions(robot, state.regions.back().u);
  if (!tensions) return tensions;
  double wrapped = 0;
  for (const Region& r : state.regions) wrapped += theta(robot, state, r).norm();
  for (double& T : *tensions) T *= std::exp(robot.scene.tendons->friction * wrapped);
  return tensions;
}

std::vector<double> lock_moments(const Robot& robot, const State& state) {
  const Eigen::Vector2d free_moment = robot.scene.rigidity_Nmm2 * state.regions.back().u;
  const Tendons& tendons = *robot.scene.tendons;
  const auto T = tip_tensions(robot, state.regions.back().u);
  double wrapped = 0;
  for (const Region& r : state.regions) wrapped += theta(robot, state, r).norm();
  const double factor[2] = {std::exp(tendons.friction * wrapped), std::exp(-tendons.friction * wrapped)};
  const auto load = [&](const Eigen::Vector2d& rest) {
    if (!T) return (free_moment - rest).norm();
    double most = 0;
    for (unsigned corner = 0; corner < 1u << T->size(); ++corner) {
      Eigen::Vector2d sum = -rest;
      for (std::size_t k = 0; k < T->size(); ++k)
        sum += (*T)[k] * factor[corner >> k & 1u] * tendons.radius_mm * direction(tendons.angle_rad[k]);
      most = std::max(most, sum.norm());
    }
    return most;
  };
  std::vector<double> out(state.locked.size(), 0);
  std::size_t region = 0;
  for (std::size_t i = 0; i < out.size(); ++i) {
    if (state.locked[i]) out[i] = load(robot.scene.rigidity_Nmm2 * state.regions[region++].u);
  }
  return out;
}

double backlash_tip_shift(const Robot& robot, const State& state) {
  if (!robot.scene.latch) return 0;
  constexpr double kStep_rad = 1e-4;  // central difference: error of the order of its square
  double shift = 0;
  for (std::size_t r = 0; r + 1 < state.regions.size(); ++r) {
    const double f =
        flexible_length(robot, state.insertion_mm, state.regions[r].from_mm, state.regions[r].to_mm);
    if (f <= 1e-9) continue;
    Eigen::Matrix<double, 3, 2> slope;
    for (int axis = 0; axis < 2; ++axis) {
      State more = state, less = state;
      more.regions[r].u(axis) += kStep_rad / f;
      less.regions[r].u(axis) -= kStep_rad / f;
      const double tip = robot.scene.length_mm;
      slope.col(axis) = (Body(robot, more).point_E(tip) - Body(robot, less).point_E(tip)) / (2 * kStep_rad);
    }
    // The most a unit vector is stretched: root of the larger eigenvalue of the 2 x 2 slope' slope.
    const Eigen::Matrix2d square = slope.transpose() * slope;
    const double half_trace = square.trace() / 2;
    const double largest =
        half_trace + std::sqrt(std::max(0.0, half_trace * half_trace - square.determinant()));
    shift += robot.scene.latch->backlash_mm / robot.scene.latch->radius_mm * std::sqrt(largest);
  }
  return shift;
}

std::optional<Eigen::Vector3d> least_field(const Robot& robot, const State& state, int lock) {
  const auto I = least_currents(robot, state, lock, 1);
  if (!I) return std::nullopt;
  return field_at(robot, state, lock, *I);
}

Eigen::Vector3d currents(const Field& field, const Eigen::Vector3d& field_S_mT) {
  return (field.coil_axes_S * field_S_mT).cwiseQuotient(field.coil_mT_per_A);
}

}  // namespace withy_plain
