// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/field.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace withy::recheck {
namespace {

// Angles of the stroke that are asked about; fewer only prove less.
constexpr int kStrokeAngles = 5;
constexpr int kSweeps = 400;
// The stroke is looked at in so many parts when a field is given, and limits may be passed by this share:
// what parts of a stroke and decimals in files are worth.
constexpr int kStrokeParts = 4096;
constexpr double kShare = 1e-3;

/// One demand a . B >= b. a holds for the reference state, and is off by at most `turn` in its length
/// elsewhere.
struct Demand {
  std::array<Interval, 3> a;
  double turned;  ///< how far a may be off, upper bound
  double b;       ///< lower bound
};

}  // namespace

FieldLimits::FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field)
    : robot_(robot), field_(field) {}

bool FieldLimits::refused(const Body& body, const StateBox& box, int lock) const {
  if (!field_ || !robot_.lock) return false;
  const LockHardware& hw = *robot_.lock;
  const Placed<Interval> placed(body, box);
  const Reach reach(body, box);
  const auto engaged = [&](int j) {
    return std::find(body.engaged().begin(), body.engaged().end(), j) != body.engaged().end();
  };
  // Magnets at a distance of r: at most mu0 / (4 pi) 2 m / r^3, mu0 / (4 pi) = 1e-7 T m / A = 1e5 mT mm^3 /
  // (A m^2) within 1e-9 of itself. A chord of a curve of curvature k and length s is at least (2 / k) sin(k s
  // / 2) for k s <= pi (Schur's comparison with the circle), and never taken for less than a body length.
  const auto coupling = [&](int i) {
    double sum = 0.0;
    for (int j = 0; j < robot_.lock_count(); ++j) {
      if (j == i) continue;
      const double s = std::abs(robot_.layout.station_mm[static_cast<std::size_t>(i)] -
                                robot_.layout.station_mm[static_cast<std::size_t>(j)]);
      const double k = robot_.segment.curvature_max_per_mm;
      const double x = std::min(k * s, 3.1);
      const double r = k * s > 3.1 ? 0.0 : std::max(0.0, s * std::sin(0.5 * x) / (0.5 * x));
      if (r < hw.body_length_mm) return std::numeric_limits<double>::infinity();
      sum += 2.0 * hw.magnet_Am2 * 1.001e5 / (r * r * r);
    }
    return sum * hw.magnet_Am2 * kRoundedUp;
  };
  const auto torque = [&](int i, double angle) {
    const SineCosine sc =
        sine_cosine(Interval(angle) + Interval(robot_.layout.clock_rad[static_cast<std::size_t>(i)]));
    const auto& R = placed.rotation(body.lock_piece(i));
    std::array<Interval, 3> a;
    for (std::size_t k = 0; k < 3; ++k)
      a[k] = Interval(hw.magnet_Am2) * (R[3 * k + 1] * sc.cosine - R[3 * k] * sc.sine);
    return a;
  };
  const double turning = hw.angle_latched_rad >= hw.angle_free_rad ? 1.0 : -1.0;
  std::vector<Demand> demands;
  const auto add = [&](int i, double angle, double sign, double b) {
    Demand d{torque(i, angle),
             hw.magnet_Am2 * reach.turn(robot_.layout.station_mm[static_cast<std::size_t>(i)]) * kRoundedUp,
             next_down(b - coupling(i))};
    for (Interval& x : d.a) x = Interval(sign) * x;
    demands.push_back(d);
  };
  for (int k = 0; k < kStrokeAngles; ++k) {
    const double t = static_cast<double>(k) / (kStrokeAngles - 1);
    // Any angle of the stroke will do; this one lies in it to within rounding, kept off its ends by that.
    const double angle =
        hw.angle_free_rad + (0.0000001 + 0.9999998 * t) * (hw.angle_latched_rad - hw.angle_free_rad);
    add(lock, angle, engaged(lock) ? -turning : turning, hw.switch_torque_Nmm);
  }
  for (int j = 0; j < robot_.lock_count(); ++j)
    if (j != lock)
      // away . B <= hold, as -away . B >= -hold
      add(j, engaged(j) ? hw.angle_latched_rad : hw.angle_free_rad, engaged(j) ? turning : -turning,
          -hw.hold_torque_Nmm);

  std::vector<double> multiplier(demands.size(), 0.0);
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  const auto middle = [](const Demand& d) {
    return Eigen::Vector3d(d.a[0].middle(), d.a[1].middle(), d.a[2].middle());
  };
  for (int sweep = 0; sweep < kSweeps; ++sweep)
    for (std::size_t k = 0; k < demands.size(); ++k) {
      const Eigen::Vector3d a = middle(demands[k]);
      const double square_size = a.squaredNorm();
      if (!(square_size > 0.0) || !std::isfinite(demands[k].b)) continue;
      // Leave as much as a may be off by, at the strength that B may have.
      const double step = (demands[k].b - a.dot(B)) / square_size;
      const double next = std::max(0.0, multiplier[k] + step);
      B += (next - multiplier[k]) * a;
      multiplier[k] = next;
    }
  std::array<Interval, 3> sum{};
  Interval asked(0.0);
  double off = 0.0;
  for (std::size_t k = 0; k < demands.size(); ++k) {
    if (multiplier[k] == 0.0) continue;
    const Interval l(multiplier[k]);
    for (std::size_t i = 0; i < 3; ++i) sum[i] = sum[i] + l * demands[k].a[i];
    asked = asked + l * Interval(demands[k].b);
    off += multiplier[k] * demands[k].turned * kRoundedUp;
  }
  const Interval size =
      sqrt(square(sum[0]) + square(sum[1]) + square(sum[2])) + Interval(0.0, off * kRoundedUp);
  if(getenv("DBG")) { fprintf(stderr,"lock %d coupling %g turn %g: %g vs %g off %g\n",lock,coupling(lock),reach.turn(robot_.segment.length_mm),(size * Interval(field_->strength_max_mT)).hi , asked.lo, off*field_->strength_max_mT); }
  return (size * Interval(field_->strength_max_mT)).hi < asked.lo;
}

std::string FieldLimits::fault_of(const Body& body, const StateBox& state, int lock,
                                  const Eigen::Vector3d& B_E) const {
  const LockHardware& hw = *robot_.lock;
  if (B_E.norm() > field_->strength_max_mT * (1.0 + kShare))
    return "its field is stronger than the coils make";
  const Placed<Interval> placed(body, state);
  const double turning = hw.angle_latched_rad >= hw.angle_free_rad ? 1.0 : -1.0;
  const auto torque = [&](int i, const Interval& angle) {
    const SineCosine sc = sine_cosine(angle + Interval(robot_.layout.clock_rad[static_cast<std::size_t>(i)]));
    const auto& R = placed.rotation(body.lock_piece(i));
    Interval sum(0.0);
    for (std::size_t k = 0; k < 3; ++k)
      sum =
          sum + (R[3 * k + 1] * sc.cosine - R[3 * k] * sc.sine) * Interval(B_E[static_cast<Eigen::Index>(k)]);
    return Interval(hw.magnet_Am2) * sum;
  };
  const auto engaged = [&](int j) {
    return std::find(body.engaged().begin(), body.engaged().end(), j) != body.engaged().end();
  };
  const double towards = engaged(lock) ? -turning : turning;
  const double stroke = hw.angle_latched_rad - hw.angle_free_rad;
  for (int k = 0; k < kStrokeParts; ++k) {
    const Interval angle =
        Interval(hw.angle_free_rad) +
        Interval(stroke) * Interval(static_cast<double>(k) / kStrokeParts, (k + 1.0) / kStrokeParts);
    if ((Interval(towards) * torque(lock, angle)).lo < hw.switch_torque_Nmm * (1.0 - kShare))
      return "its field does not turn the lock's magnet over its whole stroke";
  }
  for (int j = 0; j < robot_.lock_count(); ++j) {
    if (j == lock) continue;
    const double away = engaged(j) ? -turning : turning;
    const Interval angle(engaged(j) ? hw.angle_latched_rad : hw.angle_free_rad);
    if ((Interval(away) * torque(j, angle)).hi > hw.hold_torque_Nmm * (1.0 + kShare))
      return "its field turns the magnet of lock " + std::to_string(j + 1) + " off its stop";
  }
  return "";
}

}  // namespace withy::recheck
