// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_elastic.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <Eigen/Geometry>
#include <Eigen/LU>
#include <boost/numeric/odeint/stepper/runge_kutta4.hpp>

namespace withy_plain {
namespace {

constexpr double kNewtonPerGram = 9.80665e-3;
constexpr double kStep_mm = 1.6;  // longest Runge-Kutta step
constexpr double kGrid_mm = 0.5;  // of the tensions that are remembered

/// p (3), R by columns (9), moment of the weight beyond, in E (3), bend (2), Lambda (1).
using Line = std::array<double, 18>;

struct Stretch {
  double from, to;
  bool rigid;
};

std::vector<Stretch> stretches(const ElasticRobot& robot, double start) {
  std::vector<Stretch> out;
  double at = start;
  const auto add = [&](double to, bool rigid) {
    if (to > at + 1e-12) out.push_back({at, to, rigid});
    at = std::max(at, to);
  };
  for (const double s : robot.lock_station_mm) {
    add(s - robot.lock_length_mm / 2, false);
    add(s, true);
    add(s + robot.lock_length_mm / 2, true);
  }
  add(robot.length_mm - robot.tip_rigid_mm, false);
  add(robot.length_mm, true);
  return out;
}

Eigen::Vector2d towards(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

double weight_beyond(const ElasticRobot& robot, double s) {
  double grams = robot.mass_g_per_mm * (robot.length_mm - s);
  for (const double lock : robot.lock_station_mm)
    if (lock > s) grams += robot.lock_mass_g;
  return kNewtonPerGram * grams;
}

/// Force in each span that ends at an engaged lock, by coordinate descent on the play.
std::vector<double> span_forces(const std::vector<double>& at, const std::vector<double>& wanted, double EA,
                                double play) {
  const std::size_t n = at.size();
  std::vector<double> g(n + 1, 0.0);
  const auto length = [&](std::size_t j) { return at[j] - (j > 0 ? at[j - 1] : 0.0); };
  const auto grown = [&](std::size_t j) { return wanted[j] - (j > 0 ? wanted[j - 1] : 0.0); };
  for (int sweep = 0; sweep < 200; ++sweep)
    for (std::size_t j = 0; j < n; ++j) {
      // Stretch of span j: grown(j) - (g[j+1] - g[j]).
      double top = (grown(j) + g[j]) / length(j), bottom = 1.0 / length(j);
      if (j + 1 < n) {
        top += (g[j + 2] - grown(j + 1)) / length(j + 1);
        bottom += 1.0 / length(j + 1);
      }
      g[j + 1] = std::clamp(top / bottom, -play, play);
    }
  std::vector<double> force(n);
  for (std::size_t j = 0; j < n; ++j) force[j] = EA * (grown(j) - g[j + 1] + g[j]) / length(j);
  return force;
}

std::vector<int> engaged_of(const ElasticBody& body) {
  std::vector<int> out;
  for (std::size_t i = 0; i < body.engaged.size(); ++i)
    if (body.engaged[i]) out.push_back(static_cast<int>(i));
  return out;
}

double remembered(const ElasticBody& body, double s, std::size_t k) {
  const double x = std::clamp(s / kGrid_mm, 0.0, static_cast<double>(body.tension_N.size() - 1));
  const std::size_t i = std::min(static_cast<std::size_t>(x), body.tension_N.size() - 2);
  const double t = x - static_cast<double>(i);
  return (1 - t) * body.tension_N[i][k] + t * body.tension_N[i + 1][k];
}

/// Forces that the guessed bends call for.
struct Wires {
  std::vector<double> base;                   // of tendons
  std::vector<double> lock_at;                // engaged
  std::vector<std::vector<double>> backbone;  // by backbone and span
};

Wires wires_of(const ElasticRobot& robot, const ElasticBody& body) {
  Wires wires;
  const Eigen::Index n = body.unknown.size();
  const double spent = robot.motors_stand ? body.insertion_mm : 0.0;
  const double per_mm = robot.tendon_EA_N / (robot.length_mm + robot.tendon_length_mm - spent);
  const Eigen::Vector2d whole = body.unknown.segment<2>(n - 2);
  for (std::size_t k = 0; k < robot.tendon_angle_rad.size(); ++k) {
    const double drawn = robot.tendon_radius_mm * towards(robot.tendon_angle_rad[k]).dot(whole);
    wires.base.push_back(std::max(0.0, robot.pretension_N + per_mm * (body.pull_mm[k] + spent - drawn)));
  }
  const std::vector<int> held = engaged_of(body);
  for (const int i : held) wires.lock_at.push_back(robot.lock_station_mm[static_cast<std::size_t>(i)]);
  for (std::size_t k = 0; k < robot.backbone_angle_rad.size(); ++k) {
    std::vector<double> wanted;
    for (std::size_t j = 0; j < held.size(); ++j) {
      const Eigen::Vector2d bend = body.unknown.segment<2>(3 + 2 * static_cast<Eigen::Index>(j));
      wanted.push_back(robot.backbone_radius_mm * towards(robot.backbone_angle_rad[k]).dot(bend) -
                       body.rest_mm[static_cast<std::size_t>(held[j])][k]);
    }
    wires.backbone.push_back(span_forces(wires.lock_at, wanted, robot.backbone_EA_N, robot.backlash_mm));
  }
  return wires;
}

double tension_at(const ElasticRobot& robot, const ElasticBody& before, const Wires& wires, double s,
                  double turned, std::size_t k) {
  const double grip = std::exp(robot.friction * turned);
  return std::clamp(remembered(before, s, k), wires.base[k] / grip, wires.base[k] * grip);
}

/// (u_x, u_y, tau) that the moments at s call for.
Eigen::Vector3d strain_at(const ElasticRobot& robot, const ElasticBody& before, const Wires& wires,
                          const Line& y, double s) {
  const Eigen::Map<const Eigen::Matrix3d> R(y.data() + 3);
  const Eigen::Map<const Eigen::Vector3d> moment(y.data() + 12);
  const Eigen::Vector3d own = R.transpose() * moment;
  Eigen::Vector2d bend(own.y(), -own.x());
  for (std::size_t k = 0; k < wires.base.size(); ++k)
    bend += robot.tendon_radius_mm * tension_at(robot, before, wires, s, y[17], k) *
            towards(robot.tendon_angle_rad[k]);
  for (std::size_t j = 0; j < wires.lock_at.size(); ++j) {
    if (s > wires.lock_at[j] || (j > 0 && s <= wires.lock_at[j - 1])) continue;
    for (std::size_t k = 0; k < wires.backbone.size(); ++k)
      bend -= robot.backbone_radius_mm * wires.backbone[k][j] * towards(robot.backbone_angle_rad[k]);
  }
  return {bend.x() / robot.EI, bend.y() / robot.EI, own.z() / robot.GJ};
}

}  // namespace

ElasticBody Shooting::straight() const {
  ElasticBody body;
  body.pull_mm.assign(robot_.tendon_angle_rad.size(), 0.0);
  body.engaged.assign(robot_.lock_station_mm.size(), false);
  body.rest_mm.assign(robot_.lock_station_mm.size(),
                      std::vector<double>(robot_.backbone_angle_rad.size(), 0.0));
  body.tension_N.assign(static_cast<std::size_t>(robot_.length_mm / kGrid_mm) + 2,
                        std::vector<double>(robot_.tendon_angle_rad.size(), robot_.pretension_N));
  body.unknown = Eigen::VectorXd::Zero(5);
  return body;
}

/// What is left of the conditions: no moment at the tip, and the bends that were guessed.
Eigen::VectorXd Shooting::shoot(ElasticBody& body, const ElasticBody& before, bool keep) const {
  const Wires wires = wires_of(robot_, body);
  const double start =
      robot_.guide ? std::clamp(robot_.length_mm - body.insertion_mm, 0.0, robot_.length_mm) : 0.0;
  Line y{};
  y[2] = body.insertion_mm - robot_.length_mm + start;
  y[3] = y[7] = y[11] = 1.0;
  for (int i = 0; i < 3; ++i) y[static_cast<std::size_t>(12 + i)] = body.unknown(i);
  const std::vector<int> held = engaged_of(body);
  std::vector<std::vector<double>> tension = before.tension_N;
  if (keep)
    for (std::size_t i = 0; static_cast<double>(i) * kGrid_mm <= start && i < tension.size(); ++i)
      for (std::size_t k = 0; k < wires.base.size(); ++k)
        tension[i][k] = tension_at(robot_, before, wires, static_cast<double>(i) * kGrid_mm, 0.0, k);
  body.point_E.clear();
  Eigen::VectorXd left(body.unknown.size());
  boost::numeric::odeint::runge_kutta4<Line> stepper;
  std::size_t next_lock = 0;
  const auto pass_locks = [&](double s) {
    for (; next_lock < held.size() &&
           robot_.lock_station_mm[static_cast<std::size_t>(held[next_lock])] <= s + 1e-9;
         ++next_lock)
      for (int c = 0; c < 2; ++c)
        left(3 + 2 * static_cast<Eigen::Index>(next_lock) + c) =
            y[static_cast<std::size_t>(15 + c)] -
            body.unknown(3 + 2 * static_cast<Eigen::Index>(next_lock) + c);
  };
  pass_locks(start);
  for (const Stretch& stretch : stretches(robot_, start)) {
    const int steps = std::max(1, static_cast<int>(std::ceil((stretch.to - stretch.from) / kStep_mm)));
    const double h = (stretch.to - stretch.from) / steps;
    const double middle = 0.5 * (stretch.from + stretch.to);
    const auto slope = [&](const Line& at, Line& by_s, double s) {
      const Eigen::Map<const Eigen::Matrix3d> R(at.data() + 3);
      // Inside one stretch nothing jumps: spans and locks beyond are those of its inside.
      const double inside = std::clamp(s, stretch.from + 1e-9, stretch.to - 1e-9);
      const Eigen::Vector3d strain =
          stretch.rigid ? Eigen::Vector3d::Zero().eval() : strain_at(robot_, before, wires, at, inside);
      const double beyond =
          weight_beyond(robot_, middle) + kNewtonPerGram * robot_.mass_g_per_mm * (middle - s);
      Eigen::Matrix3d turning;
      turning << 0, -strain.z(), strain.x(), strain.z(), 0, strain.y(), -strain.x(), -strain.y(), 0;
      Eigen::Map<Eigen::Vector3d> dp(by_s.data()), dm(by_s.data() + 12);
      Eigen::Map<Eigen::Matrix3d> dR(by_s.data() + 3);
      dp = R.col(2);
      dR = R * turning;
      dm = -R.col(2).cross(Eigen::Vector3d(beyond * robot_.gravity_E));
      by_s[15] = strain.x();
      by_s[16] = strain.y();
      by_s[17] = strain.head<2>().norm();
    };
    for (int i = 0; i < steps; ++i) {
      const double s = stretch.from + i * h;
      const Line was = y;
      stepper.do_step(slope, y, s, h);
      if (!keep) continue;
      body.point_E.emplace_back(y[0], y[1], y[2]);
      for (std::size_t g = static_cast<std::size_t>(std::ceil(s / kGrid_mm));
           static_cast<double>(g) * kGrid_mm <= s + h && g < tension.size(); ++g) {
        const double t = (static_cast<double>(g) * kGrid_mm - s) / h;
        for (std::size_t k = 0; k < wires.base.size(); ++k)
          tension[g][k] = tension_at(robot_, before, wires, static_cast<double>(g) * kGrid_mm,
                                     (1 - t) * was[17] + t * y[17], k);
      }
    }
    pass_locks(stretch.to);
  }
  const Eigen::Index n = left.size();
  for (int i = 0; i < 3; ++i) left(i) = y[static_cast<std::size_t>(12 + i)] / robot_.EI * robot_.length_mm;
  for (int c = 0; c < 2; ++c) left(n - 2 + c) = y[static_cast<std::size_t>(15 + c)] - body.unknown(n - 2 + c);
  body.tip_E = Eigen::Vector3d(y[0], y[1], y[2]);
  if (keep) {
    tension.back() = tension[tension.size() - 2];
    body.tension_N = tension;
  }
  return left;
}

bool Shooting::settle(ElasticBody& body, const ElasticBody& before) const {
  constexpr double kAtRest = 1e-9;
  Eigen::VectorXd left = shoot(body, before, false);
  for (int i = 0; i < 40; ++i) {
    if (!left.allFinite()) return false;
    if (left.cwiseAbs().maxCoeff() < kAtRest) {
      shoot(body, before, true);
      return true;
    }
    const Eigen::Index n = left.size();
    Eigen::MatrixXd J(n, n);
    for (Eigen::Index j = 0; j < n; ++j) {
      ElasticBody moved = body;
      const double by = j < 3 ? 1e-6 : 1e-9;
      moved.unknown(j) += by;
      J.col(j) = (shoot(moved, before, false) - left) / by;
    }
    const Eigen::VectorXd way = J.partialPivLu().solve(left);
    if (!way.allFinite()) return false;
    const Eigen::VectorXd start = body.unknown;
    const double size = left.norm();
    for (double share = 1.0; share > 1e-3; share *= 0.5) {
      body.unknown = start - share * way;
      left = shoot(body, before, false);
      if (left.allFinite() && left.norm() < size) break;
    }
  }
  return false;
}

std::optional<ElasticBody> Shooting::reach(const ElasticBody& from, ElasticBody to, int halvings) const {
  to.unknown = from.unknown;
  if (settle(to, from)) return to;
  if (halvings == 0) return std::nullopt;
  ElasticBody middle = to;
  middle.insertion_mm = 0.5 * (from.insertion_mm + to.insertion_mm);
  for (std::size_t k = 0; k < to.pull_mm.size(); ++k)
    middle.pull_mm[k] = 0.5 * (from.pull_mm[k] + to.pull_mm[k]);
  for (std::size_t i = 0; i < to.rest_mm.size(); ++i)
    for (std::size_t k = 0; k < to.rest_mm[i].size(); ++k)
      middle.rest_mm[i][k] = 0.5 * (from.rest_mm[i][k] + to.rest_mm[i][k]);
  const auto half = reach(from, middle, halvings - 1);
  if (!half) return std::nullopt;
  return reach(*half, to, halvings - 1);
}

std::optional<ElasticBody> Shooting::step(const ElasticBody& from, double insertion_mm,
                                          const std::vector<double>& pull_mm) const {
  ElasticBody to = from;
  to.insertion_mm = insertion_mm;
  to.pull_mm = pull_mm;
  return reach(from, to, 7);
}

std::vector<double> Shooting::own_slide(const ElasticBody& body, int lock) const {
  // The bend up to the lock, by shooting once more with the lock counted among those that are looked at.
  ElasticBody looked = body;
  const std::vector<int> held = engaged_of(body);
  const Wires wires = wires_of(robot_, body);
  const double s = robot_.lock_station_mm[static_cast<std::size_t>(lock)];
  const Eigen::Index at = 3 + 2 * std::count_if(held.begin(), held.end(), [&](int i) { return i < lock; });
  looked.engaged[static_cast<std::size_t>(lock)] = true;
  Eigen::VectorXd more(body.unknown.size() + 2);
  more << body.unknown.head(at), 0.0, 0.0, body.unknown.tail(body.unknown.size() - at);
  // Wires are worked out from `looked`; the new lock's rest has to leave the forces as they are.
  std::vector<double> slide(robot_.backbone_angle_rad.size(), 0.0);
  looked.unknown = more;
  Eigen::Vector2d bend = Eigen::Vector2d::Zero();
  for (int i = 0; i < 60; ++i) {
    looked.unknown.segment<2>(at) = bend;
    for (std::size_t k = 0; k < slide.size(); ++k) {
      double stretch = 0.0, from = 0.0;
      for (std::size_t j = 0; j < wires.lock_at.size() && from < s; ++j) {
        stretch += wires.backbone[k][j] * (std::min(s, wires.lock_at[j]) - from) / robot_.backbone_EA_N;
        from = wires.lock_at[j];
      }
      slide[k] = robot_.backbone_radius_mm * towards(robot_.backbone_angle_rad[k]).dot(bend) - stretch;
      looked.rest_mm[static_cast<std::size_t>(lock)][k] = slide[k];
    }
    ElasticBody shot = looked;
    const Eigen::VectorXd left = shoot(shot, body, false);
    if (left.segment<2>(at).norm() < 1e-12) break;
    bend += left.segment<2>(at);
  }
  return slide;
}

std::vector<double> Shooting::off_notch(const ElasticBody& body, int lock) const {
  std::vector<double> off = own_slide(body, lock);
  for (double& x : off) x = robot_.pitch_mm > 0 ? x / robot_.pitch_mm - std::round(x / robot_.pitch_mm) : 0.0;
  return off;
}

std::optional<ElasticBody> Shooting::engage(const ElasticBody& from, int lock) const {
  const std::size_t i = static_cast<std::size_t>(lock);
  const std::vector<double> slide = own_slide(from, lock);
  ElasticBody near = from;
  near.engaged[i] = true;
  near.rest_mm[i] = slide;
  const std::vector<int> held = engaged_of(from);
  const Eigen::Index at = 3 + 2 * std::count_if(held.begin(), held.end(), [&](int j) { return j < lock; });
  Eigen::VectorXd more(from.unknown.size() + 2);
  more << from.unknown.head(at), 0.0, 0.0, from.unknown.tail(from.unknown.size() - at);
  near.unknown = more;
  // A first guess of the bend there: what was found for the slides.
  Eigen::MatrixXd e(static_cast<Eigen::Index>(slide.size()), 2);
  Eigen::VectorXd d(static_cast<Eigen::Index>(slide.size()));
  for (std::size_t k = 0; k < slide.size(); ++k) {
    e.row(static_cast<Eigen::Index>(k)) =
        robot_.backbone_radius_mm * towards(robot_.backbone_angle_rad[k]).transpose();
    d(static_cast<Eigen::Index>(k)) = slide[k];
  }
  near.unknown.segment<2>(at) = (e.transpose() * e).inverse() * (e.transpose() * d);
  ElasticBody to = near;
  if (robot_.pitch_mm > 0)
    for (std::size_t k = 0; k < slide.size(); ++k)
      to.rest_mm[i][k] = robot_.pitch_mm * std::round(slide[k] / robot_.pitch_mm);
  return reach(near, to, 7);
}

std::optional<ElasticBody> Shooting::release(const ElasticBody& from, int lock) const {
  const std::size_t i = static_cast<std::size_t>(lock);
  const std::vector<int> held = engaged_of(from);
  const Eigen::Index at = 3 + 2 * std::count_if(held.begin(), held.end(), [&](int j) { return j < lock; });
  ElasticBody to = from;
  to.engaged[i] = false;
  to.unknown.resize(from.unknown.size() - 2);
  to.unknown << from.unknown.head(at), from.unknown.tail(from.unknown.size() - at - 2);
  to.rest_mm[i].assign(robot_.backbone_angle_rad.size(), 0.0);
  ElasticBody before = from;
  if (!settle(to, before)) return std::nullopt;
  return to;
}

}  // namespace withy_plain
