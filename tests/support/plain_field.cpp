// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_field.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <Eigen/Dense>

namespace withy_plain {
namespace {

constexpr double kPi = 3.14159265358979323846;
constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kMu0_SI = 1.25663706212e-6;
constexpr int kSteps = 2000;

// Everything about one lock that torques need, scene frame, SI but for mm.
struct Magnet {
  Eigen::Vector3d place, x, y, tangent;
  double stop = 0, other = 0;  // rad, clocking included
  double moment = 0;

  double towards() const { return other > stop ? 1 : -1; }
  Eigen::Vector3d at(double angle) const { return moment * (std::cos(angle) * x + std::sin(angle) * y); }
  // N mm about the tangent, positive towards the other stop; mT x A m^2 = N mm.
  double torque(double angle, const Eigen::Vector3d& B) const {
    return towards() * tangent.dot(at(angle).cross(B));
  }
  // The vector whose scalar product with B is that torque.
  Eigen::Vector3d lever(double angle) const { return towards() * tangent.cross(at(angle)); }
  double along(double share) const { return stop + share * (other - stop); }
};

std::vector<Magnet> magnets(const Robot& robot, const State& state) {
  const Lock& hardware = *robot.scene.lock;
  const Body body(robot, state);
  std::vector<Magnet> out;
  for (std::size_t i = 0; i < state.locked.size(); ++i) {
    const Eigen::Isometry3d X = robot.scene.X_SE * body.pose_E(robot.layout.station_mm[i]);
    Magnet m;
    m.place = X.translation();
    m.x = X.linear().col(0);
    m.y = X.linear().col(1);
    m.tangent = X.linear().col(2);
    m.moment = hardware.magnet_Am2;
    m.stop = hardware.angle_free_rad + robot.layout.clock_rad[i];
    m.other = hardware.angle_latched_rad + robot.layout.clock_rad[i];
    if (state.locked[i]) std::swap(m.stop, m.other);
    out.push_back(m);
  }
  return out;
}

double loose_ambient(const Robot& robot) {
  return robot.scene.field ? robot.scene.field->ambient_mT : 0.0;
}

Eigen::Vector3d known_ambient(const Robot& robot) {
  return robot.scene.field ? robot.scene.field->ambient_S : Eigen::Vector3d(Eigen::Vector3d::Zero());
}

// Ambient field and the magnets at rest, without that of `moving`.
Eigen::Vector3d background(const Robot& robot, const std::vector<Magnet>& all, std::size_t i,
                           std::size_t moving) {
  Eigen::Vector3d B = known_ambient(robot);
  for (std::size_t j = 0; j < all.size(); ++j)
    if (j != i && j != moving) B += dipole_field(all[j].at(all[j].stop), all[i].place - all[j].place);
  return B;
}

// Largest push of the moving magnet on lock i, over its stroke: ends and a grid, the top of the grid made
// finer.
double moving_push(const std::vector<Magnet>& all, std::size_t i, std::size_t moving, int steps = kSteps) {
  const auto push = [&](double share) {
    const Magnet& m = all[moving];
    return all[i].torque(all[i].stop, dipole_field(m.at(m.along(share)), all[i].place - m.place));
  };
  int best = 0;
  for (int k = 1; k <= steps; ++k)
    if (push(double(k) / steps) > push(double(best) / steps)) best = k;
  double low = std::max(0, best - 1) / double(steps), high = std::min(steps, best + 1) / double(steps);
  while (high - low > 1e-12) {  // one top between them
    const double a = low + (high - low) / 3, b = high - (high - low) / 3;
    (push(a) < push(b) ? low : high) = push(a) < push(b) ? a : b;
  }
  return push((low + high) / 2);
}

}  // namespace

Eigen::Vector3d coil_field(const Coil& coil, const Eigen::Vector3d& p_S) {
  constexpr int kPieces = 720;
  const Eigen::Vector3d across = coil.axis_S.unitOrthogonal(), third = coil.axis_S.cross(across);
  Eigen::Vector3d sum = Eigen::Vector3d::Zero();  // 1/m
  for (int i = 0; i < kPieces; ++i) {
    const double a = 2 * kPi * (i + 0.5) / kPieces;
    const Eigen::Vector3d out = std::cos(a) * across + std::sin(a) * third;
    const Eigen::Vector3d along = -std::sin(a) * across + std::cos(a) * third;
    const Eigen::Vector3d r = 1e-3 * (p_S - coil.centre_S - coil.radius_mm * out);
    sum += 2 * kPi / kPieces * 1e-3 * coil.radius_mm * along.cross(r) / std::pow(r.norm(), 3);
  }
  return 1e3 * kMu0_SI / (4 * kPi) * coil.turns * sum;
}

Eigen::Vector3d dipole_field(const Eigen::Vector3d& moment, const Eigen::Vector3d& r_mm) {
  const Eigen::Vector3d r = 1e-3 * r_mm;
  const double d = r.norm();
  return 1e3 * kMu0_SI / (4 * kPi) * (3 * r * r.dot(moment) / std::pow(d, 5) - moment / std::pow(d, 3));
}

int current_count(const Robot& robot) {
  const bool coils = robot.scene.field && !robot.scene.field->coils.empty();
  return coils ? static_cast<int>(robot.scene.field->coils.size()) : 3;
}

Eigen::MatrixXd gains(const Robot& robot, const State& state, int i) {
  if (!robot.scene.field) return Eigen::Matrix3d::Identity();
  const Field& field = *robot.scene.field;
  if (field.coils.empty()) return field.coil_axes_S.transpose() * field.coil_mT_per_A.asDiagonal();
  const Body body(robot, state);
  const Eigen::Vector3d p_S =
      robot.scene.X_SE * body.point_E(robot.layout.station_mm[static_cast<std::size_t>(i)]);
  Eigen::MatrixXd G(3, current_count(robot));
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    G.col(static_cast<Eigen::Index>(k)) = coil_field(field.coils[k], p_S);
  return G;
}

Eigen::Vector3d field_at(const Robot& robot, const State& state, int i, const Eigen::VectorXd& current_A) {
  return gains(robot, state, i) * current_A;
}

double strongest(const Robot& robot, const State& state, const Eigen::VectorXd& current_A) {
  double most = 0;
  for (int i = 0; i < robot.locks(); ++i) most = std::max(most, field_at(robot, state, i, current_A).norm());
  return most;
}

double coupling(const Robot& robot, const State& state, int i) {
  const auto all = magnets(robot, state);
  const auto at = static_cast<std::size_t>(i);
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (std::size_t j = 0; j < all.size(); ++j)
    if (j != at) B += dipole_field(all[j].at(all[j].stop), all[at].place - all[j].place);
  return all[at].torque(all[at].stop, B);
}

double reserve(const Robot& robot, const State& state, int lock, const Eigen::VectorXd& current_A,
               int steps) {
  const Lock& hardware = *robot.scene.lock;
  const auto all = magnets(robot, state);
  const std::size_t moving = static_cast<std::size_t>(lock);
  double x = kInfinity;
  for (std::size_t i = 0; i < all.size(); ++i) {
    const Eigen::Vector3d B =
        field_at(robot, state, static_cast<int>(i), current_A) + background(robot, all, i, moving);
    const double ambient = hardware.magnet_Am2 * loose_ambient(robot);
    if (i == moving) {
      for (int k = 0; k <= steps; ++k)
        x = std::min(
            x, (all[i].torque(all[i].along(double(k) / steps), B) - ambient) / hardware.switch_torque_Nmm);
    } else {
      const double push = all[i].torque(all[i].stop, B) + moving_push(all, i, moving, steps) + ambient;
      if (push > 0) x = std::min(x, hardware.hold_torque_Nmm / push);
    }
  }
  return x;
}

std::vector<Condition> conditions(const Robot& robot, const State& state, int lock, double wanted) {
  const Lock& hardware = *robot.scene.lock;
  const auto all = magnets(robot, state);
  const std::size_t moving = static_cast<std::size_t>(lock);
  std::vector<Condition> out;
  for (std::size_t i = 0; i < all.size(); ++i) {
    const Eigen::MatrixXd G = gains(robot, state, static_cast<int>(i));
    const Eigen::Vector3d B = background(robot, all, i, moving);
    const double ambient = hardware.magnet_Am2 * loose_ambient(robot);
    if (i == moving) {
      for (const double angle : {all[i].stop, all[i].other})
        out.push_back({G.transpose() * all[i].lever(angle),
                       wanted * hardware.switch_torque_Nmm + ambient - all[i].torque(angle, B)});
    } else {
      const double push = all[i].torque(all[i].stop, B) + moving_push(all, i, moving) + ambient;
      out.push_back({-G.transpose() * all[i].lever(all[i].stop), push - hardware.hold_torque_Nmm / wanted});
    }
  }
  return out;
}

std::optional<Eigen::VectorXd> least_currents(const Robot& robot, const State& state, int lock,
                                              double wanted) {
  const Lock& hardware = *robot.scene.lock;
  if (std::abs(hardware.angle_latched_rad - hardware.angle_free_rad) >= kPi) return std::nullopt;
  const auto all = conditions(robot, state, lock, wanted);
  const double rounding = 1e-9 * hardware.switch_torque_Nmm;
  const auto met = [&](const Eigen::VectorXd& I) {
    return std::all_of(all.begin(), all.end(),
                       [&](const Condition& c) { return c.row.dot(I) >= c.least - rounding; });
  };
  const int n = current_count(robot);
  std::optional<Eigen::VectorXd> best;
  const unsigned sets = 1u << all.size();
  for (unsigned set = 0; set < sets; ++set) {
    std::vector<std::size_t> chosen;
    for (std::size_t r = 0; r < all.size(); ++r)
      if (set >> r & 1u) chosen.push_back(r);
    if (static_cast<int>(chosen.size()) > n) continue;
    Eigen::VectorXd I = Eigen::VectorXd::Zero(n);
    if (!chosen.empty()) {
      Eigen::MatrixXd rows(static_cast<int>(chosen.size()), n);
      Eigen::VectorXd values(static_cast<int>(chosen.size()));
      for (int r = 0; r < rows.rows(); ++r) {
        rows.row(r) = all[chosen[static_cast<std::size_t>(r)]].row.transpose();
        values(r) = all[chosen[static_cast<std::size_t>(r)]].least;
      }
      I = rows.completeOrthogonalDecomposition().solve(values);  // the shortest that meets them exactly
    }
    if (met(I) && (!best || I.norm() < best->norm())) best = I;
  }
  return best;
}

bool even_field(const Robot& robot) {
  if (!robot.scene.field) return true;
  const Field& field = *robot.scene.field;
  const Eigen::Vector3d size = field.coil_mT_per_A.cwiseAbs();
  return field.coils.empty() && size.maxCoeff() - size.minCoeff() < 1e-12;
}

std::optional<Eigen::VectorXd> chosen_currents(const Robot& robot, const State& state, int lock) {
  const double limit = robot.scene.field ? robot.scene.field->strength_max_mT * (1 + 1e-9) : kInfinity;
  const auto within = [&](double x) {
    auto I = least_currents(robot, state, lock, x);
    if (I && strongest(robot, state, *I) > limit) I.reset();
    return I;
  };
  double high = robot.scene.field ? robot.scene.field->reserve_wanted : 1.5;
  if (const auto I = within(high)) return I;
  double low = 1;
  auto best = within(low);
  while (best && high - low > 1e-8) {
    const double middle = (low + high) / 2;
    const auto I = within(middle);
    (I ? low : high) = middle;
    if (I) best = I;
  }
  return best;
}

double limits_passed(const Robot& robot, const State& state, const Eigen::VectorXd& current_A) {
  if (!robot.scene.field) return 0;
  const Field& field = *robot.scene.field;
  double passed = std::max(0.0, strongest(robot, state, current_A) / field.strength_max_mT - 1);
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    if (field.coils[k].current_max_A)
      passed = std::max(
          passed, std::abs(current_A(static_cast<Eigen::Index>(k))) / *field.coils[k].current_max_A - 1);
  return passed;
}

}  // namespace withy_plain
