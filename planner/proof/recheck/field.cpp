// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/field.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace withy::recheck {
namespace {

// Angles of the stroke that are asked about; fewer only prove less.
constexpr int kStrokeAngles = 3;
constexpr int kSweeps = 400;
// The stroke is looked at in so many parts when a field is given, and limits may be passed by this share:
// what a part of a stroke and decimals in files are worth.
constexpr int kStrokeParts = 4096;
constexpr double kShare = 1e-3;
// The contract's disturbing field where a scene says nothing.
constexpr double kUsualAmbient_mT = 0.05;
// mu0 / (4 pi) is 1e-7 T m / A to within 1e-9 of itself: in mT mm^3 / (A m^2).
const Interval kDipole(1e5 * (1.0 - 2e-9), 1e5 * (1.0 + 2e-9));

Interval dot(const Interval3& a, const Interval3& b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/// What a table of the field says of disturbing fields and of coils with places, where it can say so.
template <class Field>
void read_disturbance(const Field& field, bool& known, double& ambient, double& known_ambient,
                      bool& uniform) {
  if constexpr (requires { field.ambient_mT; }) {
    known = true;
    ambient = field.ambient_mT;
    known_ambient = field.ambient_S.norm() * kRoundedUp;
    uniform = field.coils.empty();
  } else {
    known = false;
    ambient = kUsualAmbient_mT;
    known_ambient = 0.0;
    uniform = true;
  }
}

}  // namespace

FieldLimits::FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field)
    : robot_(robot), field_(field) {
  if (field) read_disturbance(*field, coupling_is_planned_, ambient_mT_, known_ambient_mT_, uniform_);
}

Interval FieldLimits::stroke() const {
  const LockHardware& hw = *robot_.lock;
  return {std::min(hw.angle_free_rad, hw.angle_latched_rad),
          std::max(hw.angle_free_rad, hw.angle_latched_rad)};
}

double FieldLimits::stop_angle(const Section& section) const {
  return section.engaged ? robot_.lock->angle_latched_rad : robot_.lock->angle_free_rad;
}

std::vector<FieldLimits::Section> FieldLimits::sections_of(const Body& body, const StateBox& box) const {
  const Placed<Interval> placed(body, box);
  const Reach reach(body, box);
  std::vector<Section> sections;
  for (int lock = 0; lock < robot_.lock_count(); ++lock) {
    const double s = robot_.layout.station_mm[static_cast<std::size_t>(lock)];
    const double turn = reach.turn(s);
    const double aside = reach.aside(s);
    const auto& R = placed.rotation(body.lock_piece(lock));
    const auto p = placed.point(s, body.lock_piece(lock));
    Section section;
    // Axes that turn by an angle move by no more; insertion moves all places alike.
    for (std::size_t k = 0; k < 3; ++k) {
      section.x[k] = R[3 * k] + Interval(-turn, turn);
      section.y[k] = R[3 * k + 1] + Interval(-turn, turn);
      section.p[k] = p[k] + Interval(-aside, aside);
    }
    section.engaged = std::find(body.engaged().begin(), body.engaged().end(), lock) != body.engaged().end();
    sections.push_back(section);
  }
  return sections;
}

/// m (cos a x + sin a y), a with the lock's clocking.
Interval3 FieldLimits::moment(const Section& section, int lock, const Interval& angle) const {
  const SineCosine sc =
      sine_cosine(angle + Interval(robot_.layout.clock_rad[static_cast<std::size_t>(lock)]));
  Interval3 m;
  for (std::size_t k = 0; k < 3; ++k)
    m[k] = Interval(robot_.lock->magnet_Am2) * (section.x[k] * sc.cosine + section.y[k] * sc.sine);
  return m;
}

/// t x m = m (-sin a x + cos a y).
Interval3 FieldLimits::lever(const Section& section, int lock, const Interval& angle) const {
  const SineCosine sc =
      sine_cosine(angle + Interval(robot_.layout.clock_rad[static_cast<std::size_t>(lock)]));
  Interval3 n;
  for (std::size_t k = 0; k < 3; ++k)
    n[k] = Interval(robot_.lock->magnet_Am2) * (section.y[k] * sc.cosine - section.x[k] * sc.sine);
  return n;
}

Interval3 FieldLimits::field_of_others(const std::vector<Section>& sections, int at, int switching,
                                       const Interval& switching_angle) const {
  const Interval everything(-std::numeric_limits<double>::infinity(),
                            std::numeric_limits<double>::infinity());
  Interval3 sum{};
  for (int j = 0; j < robot_.lock_count(); ++j) {
    if (j == at) continue;
    const Section& source = sections[static_cast<std::size_t>(j)];
    const Interval angle = j == switching ? switching_angle : Interval(stop_angle(source));
    const Interval3 m = moment(source, j, angle);
    Interval3 r;
    for (std::size_t k = 0; k < 3; ++k) r[k] = sections[static_cast<std::size_t>(at)].p[k] - source.p[k];
    const Interval r2 = square(r[0]) + square(r[1]) + square(r[2]);
    if (!(r2.lo > 0.0)) return {everything, everything, everything};
    const Interval r3 = r2 * sqrt(r2);
    const Interval along = Interval(3.0) * dot(m, r) / r2;
    for (std::size_t k = 0; k < 3; ++k) sum[k] = sum[k] + kDipole * (along * r[k] - m[k]) / r3;
  }
  return sum;
}

std::vector<FieldLimits::Demand> FieldLimits::demands(const std::vector<Section>& sections, int lock,
                                                      bool coupled) const {
  const LockHardware& hw = *robot_.lock;
  const double turning = hw.angle_latched_rad >= hw.angle_free_rad ? 1.0 : -1.0;
  const Interval disturbed =
      Interval(hw.magnet_Am2) * Interval(coupled ? ambient_mT_ - known_ambient_mT_ : 0.0);
  std::vector<Demand> out;
  const auto add = [&](int i, double angle, double sign, double torque) {
    Demand demand{lever(sections[static_cast<std::size_t>(i)], i, Interval(angle)), 0.0};
    for (Interval& x : demand.a) x = Interval(sign) * x;
    Interval b = Interval(torque) + disturbed;
    if (coupled) b = b - dot(demand.a, field_of_others(sections, i, lock, stroke()));
    demand.b = b.lo;
    out.push_back(demand);
  };
  const bool engaged = sections[static_cast<std::size_t>(lock)].engaged;
  for (int k = 0; k < kStrokeAngles; ++k) {
    // Kept off the ends of the stroke by more than rounding, so that it surely lies in it.
    const double t = 1e-7 + (1.0 - 2e-7) * k / (kStrokeAngles - 1);
    add(lock, hw.angle_free_rad + t * (hw.angle_latched_rad - hw.angle_free_rad),
        engaged ? -turning : turning, hw.switch_torque_Nmm);
  }
  if (!uniform_) return out;
  for (int j = 0; j < robot_.lock_count(); ++j)
    if (j != lock) {
      const Section& other = sections[static_cast<std::size_t>(j)];
      // off . B <= hold, as -off . B >= -hold
      add(j, stop_angle(other), other.engaged ? turning : -turning, -hw.hold_torque_Nmm);
    }
  return out;
}

bool FieldLimits::infeasible(const std::vector<Demand>& demands) const {
  std::vector<double> multiplier(demands.size(), 0.0);
  Eigen::Vector3d B = Eigen::Vector3d::Zero();
  for (int sweep = 0; sweep < kSweeps; ++sweep)
    for (std::size_t k = 0; k < demands.size(); ++k) {
      const Interval3& d = demands[k].a;
      const Eigen::Vector3d a(d[0].middle(), d[1].middle(), d[2].middle());
      const double square_size = a.squaredNorm();
      if (!(square_size > 0.0) || !std::isfinite(demands[k].b)) continue;
      const double next = std::max(0.0, multiplier[k] + (demands[k].b - a.dot(B)) / square_size);
      B += (next - multiplier[k]) * a;
      multiplier[k] = next;
    }
  Interval3 sum{};
  Interval asked(0.0);
  for (std::size_t k = 0; k < demands.size(); ++k) {
    if (multiplier[k] == 0.0) continue;
    const Interval l(multiplier[k]);
    for (std::size_t i = 0; i < 3; ++i) sum[i] = sum[i] + l * demands[k].a[i];
    asked = asked + l * Interval(demands[k].b);
  }
  const Interval size = sqrt(square(sum[0]) + square(sum[1]) + square(sum[2]));
  return (size * Interval(field_->strength_max_mT)).hi < asked.lo;
}

bool FieldLimits::refused(const Body& body, const StateBox& box, int lock) const {
  if (!field_ || !robot_.lock) return false;
  const std::vector<Section> sections = sections_of(body, box);
  if (!coupling_is_planned_ && !infeasible(demands(sections, lock, false))) return false;
  return infeasible(demands(sections, lock, true));
}

std::string FieldLimits::fault_of(const Body& body, const StateBox& state, int lock,
                                  const Eigen::Vector3d& B_E) const {
  const LockHardware& hw = *robot_.lock;
  if (B_E.norm() > field_->strength_max_mT * (1.0 + kShare))
    return "its field is stronger than the coils make";
  const std::vector<Section> sections = sections_of(body, state);
  const double turning = hw.angle_latched_rad >= hw.angle_free_rad ? 1.0 : -1.0;
  const double disturbed = coupling_is_planned_ ? hw.magnet_Am2 * ambient_mT_ : 0.0;
  const auto part_of_stroke = [&](int k) {
    const Interval share(static_cast<double>(k) / kStrokeParts, (k + 1.0) / kStrokeParts);
    return Interval(hw.angle_free_rad) +
           share * (Interval(hw.angle_latched_rad) - Interval(hw.angle_free_rad));
  };
  const auto field_at = [&](int i, const Interval& switching_angle) {
    Interval3 B = {Interval(B_E.x()), Interval(B_E.y()), Interval(B_E.z())};
    if (!coupling_is_planned_) return B;
    const Interval3 more = field_of_others(sections, i, lock, switching_angle);
    for (std::size_t k = 0; k < 3; ++k) B[k] = B[k] + more[k];
    return B;
  };
  const bool engaged = sections[static_cast<std::size_t>(lock)].engaged;
  const Interval3 B = field_at(lock, stroke());
  for (int k = 0; k < kStrokeParts; ++k) {
    const Interval torque = dot(lever(sections[static_cast<std::size_t>(lock)], lock, part_of_stroke(k)), B);
    if ((Interval(engaged ? -turning : turning) * torque).lo - disturbed <
        hw.switch_torque_Nmm * (1.0 - kShare))
      return "its field does not turn the lock's magnet over its whole stroke";
  }
  for (int j = 0; j < robot_.lock_count(); ++j) {
    if (j == lock) continue;
    const Section& other = sections[static_cast<std::size_t>(j)];
    const Interval3 arm = lever(other, j, Interval(stop_angle(other)));
    // The switching lock's own magnet turns meanwhile. All its angles at once would bound too much.
    for (int k = 0; k < kStrokeParts; ++k) {
      const Interval torque = dot(arm, field_at(j, part_of_stroke(k)));
      if ((Interval(other.engaged ? -turning : turning) * torque).hi + disturbed >
          hw.hold_torque_Nmm * (1.0 + kShare))
        return "its field turns the magnet of lock " + std::to_string(j + 1) + " off its stop";
    }
  }
  return "";
}

}  // namespace withy::recheck
