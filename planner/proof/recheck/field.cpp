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
// For what the switching magnet does to others the stroke is looked at in so many parts.
constexpr int kStrokeParts = 256;
// A stroke this wide (rad) is driven by no constant field.
constexpr double kHalfTurn = 3.14159;
constexpr double kQuarterTurn = 1.57;
// A push may be over the hold torque by this share before it counts: numbers in files are decimals.
constexpr double kPushRounding = 3e-9;
// What turning a known field into the entry frame may be off by, a share of it.
constexpr double kTurned = 1e-12;
// mu0 / (4 pi) is 1e-7 T m / A to within 1e-9 of itself: in mT mm^3 / (A m^2).
const Interval kDipole(1e5 * (1.0 - 2e-9), 1e5 * (1.0 + 2e-9));

Interval dot(const Interval3& a, const Interval3& b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

}  // namespace

FieldLimits::FieldLimits(const Robot& robot, const std::optional<FieldHardware>& field,
                         const Eigen::Matrix3d& R_SE)
    : robot_(robot), field_(field) {
  if (!field) return;
  ambient_mT_ = field->ambient_mT;
  const Eigen::Vector3d known_E = R_SE.transpose() * field->ambient_S;
  const double off = kTurned * field->ambient_S.norm();
  for (std::size_t k = 0; k < 3; ++k)
    ambient_E_[k] = Interval(known_E[static_cast<Eigen::Index>(k)]) + Interval(-off, off);
}

/// An angle of the stroke: 0 is the released stop, 1 the latched one.
Interval FieldLimits::angle_at(const Interval& share) const {
  const LockHardware& hw = *robot_.lock;
  return Interval(hw.angle_free_rad) + share * (Interval(hw.angle_latched_rad) - Interval(hw.angle_free_rad));
}

/// The sense of turning towards latched.
double FieldLimits::turning() const {
  return robot_.lock->angle_latched_rad >= robot_.lock->angle_free_rad ? 1.0 : -1.0;
}

double FieldLimits::stop_angle(const Section& section) const {
  return section.engaged ? robot_.lock->angle_latched_rad : robot_.lock->angle_free_rad;
}

std::vector<FieldLimits::Section> FieldLimits::sections_of(const Body& body, const StateBox& box,
                                                           const std::vector<int>& engaged) const {
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
    section.engaged = std::find(engaged.begin(), engaged.end(), lock) != engaged.end();
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
                                       const Interval& angle) const {
  const Interval everything(-kInfinity, kInfinity);
  Interval3 sum = ambient_E_;
  for (int j = 0; j < robot_.lock_count(); ++j) {
    if (j == at) continue;
    const Section& source = sections[static_cast<std::size_t>(j)];
    const Interval3 m = moment(source, j, j == switching ? angle : Interval(stop_angle(source)));
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

std::vector<FieldLimits::Demand> FieldLimits::demands(const std::vector<Section>& sections, int lock) const {
  const LockHardware& hw = *robot_.lock;
  const Interval disturbed = Interval(hw.magnet_Am2) * Interval(ambient_mT_);
  std::vector<Demand> out;
  const auto add = [&](int i, const Interval& at, const Interval& switching_at, double sign, double torque) {
    Demand demand{lever(sections[static_cast<std::size_t>(i)], i, at), 0.0};
    for (Interval& x : demand.a) x = Interval(sign) * x;
    const Interval b =
        Interval(torque) + disturbed - dot(demand.a, field_of_others(sections, i, lock, switching_at));
    demand.b = b.lo;
    out.push_back(demand);
  };
  const bool engaged = sections[static_cast<std::size_t>(lock)].engaged;
  for (int k = 0; k < kStrokeAngles; ++k) {
    // Kept off the ends of the stroke by more than rounding, so that it surely lies in it.
    const Interval angle(angle_at(Interval(1e-7 + (1.0 - 2e-7) * k / (kStrokeAngles - 1))).middle());
    add(lock, angle, angle, engaged ? -turning() : turning(), hw.switch_torque_Nmm);
    if (!field_->coils.empty()) continue;
    for (int j = 0; j < robot_.lock_count(); ++j) {
      if (j == lock) continue;
      const Section& other = sections[static_cast<std::size_t>(j)];
      // off . B <= hold, as -off . B >= -hold
      add(j, Interval(stop_angle(other)), angle, other.engaged ? turning() : -turning(), -hw.hold_torque_Nmm);
    }
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
  return infeasible(demands(sections_of(body, box, body.engaged()), lock));
}

/// Torque (N mm) off its stop that the other magnets, at theirs, make on a lock's.
Interval FieldLimits::push_at_rest(const std::vector<Section>& sections, int lock) const {
  const Section& section = sections[static_cast<std::size_t>(lock)];
  const Interval off(section.engaged ? -turning() : turning());
  Interval3 B = field_of_others(sections, lock, -1, Interval(0.0));
  for (std::size_t i = 0; i < 3; ++i) B[i] = B[i] - ambient_E_[i];
  return off * dot(lever(section, lock, Interval(stop_angle(section))), B);
}

int FieldLimits::pushed_off(const Body& body, const StateBox& box) const {
  if (!field_ || !robot_.lock) return -1;
  const std::vector<Section> sections = sections_of(body, box, body.engaged());
  for (int j = 0; j < robot_.lock_count(); ++j)
    if (push_at_rest(sections, j).lo > robot_.lock->hold_torque_Nmm * (1.0 + kPushRounding)) return j;
  return -1;
}

bool FieldLimits::surely_rest(const Body& body, const StateBox& box) const {
  if (!field_ || !robot_.lock) return true;
  const std::vector<Section> sections = sections_of(body, box, body.engaged());
  for (int j = 0; j < robot_.lock_count(); ++j)
    if (!(push_at_rest(sections, j).hi <= robot_.lock->hold_torque_Nmm)) return false;
  return true;
}

bool FieldLimits::may_push_off() const {
  if (!field_ || !robot_.lock) return false;
  const std::vector<double>& station = robot_.layout.station_mm;
  const Interval kappa(robot_.segment.curvature_max_per_mm * (1.0 + kPushRounding));
  for (std::size_t i = 0; i < station.size(); ++i) {
    Interval push(0.0);
    for (std::size_t j = 0; j < station.size(); ++j) {
      if (i == j) continue;
      const Interval half = Interval(0.5) * kappa * abs(Interval(station[i]) - Interval(station[j]));
      if (!(half.hi < kQuarterTurn)) return true;
      const Interval chord = Interval(2.0) * sine_cosine(half).sine / kappa;
      if (!(chord.lo > 0.0)) return true;
      push = push +
             Interval(2.0) * square(Interval(robot_.lock->magnet_Am2)) * kDipole / (chord * square(chord));
    }
    if (!(push.hi <= robot_.lock->hold_torque_Nmm)) return true;
  }
  return false;
}

std::vector<Interval3> FieldLimits::places(const Body& body, const StateBox& box) const {
  std::vector<Interval3> out;
  for (const Section& section : sections_of(body, box, body.engaged())) out.push_back(section.p);
  return out;
}

/// Of the torque (N mm) that the switching magnet makes on another as it turns: m^2 / r^3, twice.
Interval FieldLimits::amplitude(const std::vector<Section>& sections, int other, int switching) const {
  Interval r2(0.0);
  for (std::size_t k = 0; k < 3; ++k)
    r2 = r2 + square(sections[static_cast<std::size_t>(other)].p[k] -
                     sections[static_cast<std::size_t>(switching)].p[k]);
  if (!(r2.lo > 0.0)) return {0.0, kInfinity};
  return Interval(2.0) * square(Interval(robot_.lock->magnet_Am2)) * kDipole / (r2 * sqrt(r2));
}

/// What the push on another lock leaves: hold torque over it.
Interval FieldLimits::push_reserve(const std::vector<Section>& sections, int other, int switching,
                                   const Interval3& coils_mT) const {
  const LockHardware& hw = *robot_.lock;
  const Section& section = sections[static_cast<std::size_t>(other)];
  const Interval off(section.engaged ? -turning() : turning());
  const Interval3 n = lever(section, other, Interval(stop_angle(section)));
  const auto pushed = [&](const Interval& angle) {
    Interval3 B = field_of_others(sections, other, switching, angle);
    for (std::size_t i = 0; i < 3; ++i) B[i] = B[i] + coils_mT[i];
    return off * dot(n, B) + Interval(hw.magnet_Am2) * Interval(ambient_mT_);
  };
  Interval push(-kInfinity, -kInfinity);
  for (int k = 0; k <= kStrokeParts; ++k)
    push = max(push, pushed(angle_at(Interval(static_cast<double>(k) / kStrokeParts))));
  // Between angles w apart a sinusoid of amplitude A rises above the larger of both by no more than A w^2
  // / 8.
  const Interval width =
      (Interval(hw.angle_latched_rad) - Interval(hw.angle_free_rad)) * Interval(1.0 / kStrokeParts);
  push.hi = (Interval(push.hi) + amplitude(sections, other, switching) * square(width) * Interval(0.125)).hi;
  const Interval hold(hw.hold_torque_Nmm);
  if (push.hi <= 0.0) return {kInfinity, kInfinity};
  return {(hold / Interval(push.hi)).lo, push.lo > 0.0 ? (hold / Interval(push.lo)).hi : kInfinity};
}

Interval FieldLimits::reserve(const Body& body, const StateBox& state, const std::vector<int>& engaged,
                              int lock, const std::vector<Interval3>& coils_mT) const {
  const LockHardware& hw = *robot_.lock;
  const std::vector<Section> sections = sections_of(body, state, engaged);
  const auto i = static_cast<std::size_t>(lock);
  if (!(std::abs(hw.angle_latched_rad - hw.angle_free_rad) < kHalfTurn)) return {-kInfinity, 0.0};
  const Interval sense(sections[i].engaged ? -turning() : turning());
  Interval drive(kInfinity, kInfinity);
  for (const double end : {hw.angle_free_rad, hw.angle_latched_rad}) {
    Interval3 B = field_of_others(sections, lock, lock, Interval(end));
    for (std::size_t k = 0; k < 3; ++k) B[k] = B[k] + coils_mT[i][k];
    drive = min(drive, sense * dot(lever(sections[i], lock, Interval(end)), B) -
                           Interval(hw.magnet_Am2) * Interval(ambient_mT_));
  }
  Interval least(kInfinity, kInfinity);
  if (drive.lo < 0.0)
    least = {-kInfinity, drive.hi < 0.0 ? 0.0 : kInfinity};
  else if (hw.switch_torque_Nmm > 0.0)
    least = drive / Interval(hw.switch_torque_Nmm);
  for (int j = 0; j < robot_.lock_count(); ++j)
    if (j != lock) least = min(least, push_reserve(sections, j, lock, coils_mT[static_cast<std::size_t>(j)]));
  return least;
}

}  // namespace withy::recheck
