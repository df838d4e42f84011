// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's pulls, tensions, lock loads and reserves against the plain implementation: what any state of
// a box asks for lies in the interval of the box, and the interval of a point is a point.
#include "planner/proof/recheck/tendons.h"

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

#include "planner/proof/plans/coils.h"
#include "tests/planner/proof/random_boxes.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"

using namespace withy::recheck;
using namespace withy_test;

namespace {

constexpr unsigned kSeed = 1606;
// Both round.
constexpr double kRounding = 1e-9;

void add_tendons(Draw& draw, Both& both) {
  withy::TendonHardware t;
  const int kind = draw.count(3);
  t.radius_mm = 0.8 * both.robot.segment.radius_mm;
  // Four round about, three unevenly, two in a plane, three on one side.
  if (kind == 0) t.angle_rad = {0.0, 0.5 * M_PI, M_PI, 1.5 * M_PI};
  if (kind == 1) t.angle_rad = {0.3, 2.2, 4.4};
  if (kind == 2) t.angle_rad = {0.0, M_PI};
  if (kind == 3) t.angle_rad = {0.1, 0.9, 2.5};
  if (draw.chance(0.5)) t.disk_spacing_mm = both.robot.segment.length_mm / draw.between(2.0, 15.0);
  t.stroke_max_mm = 8.0;
  t.tension_min_N = draw.between(0.0, 0.5);
  t.tension_max_N = 20.0;
  t.friction_coefficient = draw.chance(0.3) ? 0.0 : draw.between(0.0, 0.4);
  t.motors = draw.chance(0.7) ? withy::Motors::ride : withy::Motors::stand;
  both.robot.tendons = t;
  both.plain.scene.rigidity_Nmm2 = both.robot.segment.flexural_rigidity_Nmm2;
  both.plain.scene.tendons = withy_plain::Tendons{
      t.radius_mm,     t.disk_spacing_mm,      t.stroke_max_mm, t.tension_min_N,
      t.tension_max_N, t.friction_coefficient, t.angle_rad,     t.motors == withy::Motors::ride};
}

std::vector<int> some_locks(Draw& draw, const Robot& robot) {
  std::vector<int> engaged;
  for (int lock = 0; lock < robot.lock_count(); ++lock)
    if (draw.chance(0.5)) engaged.push_back(lock);
  return engaged;
}

void require_holds(const Interval& box, double x) {
  const double off = kRounding * (1.0 + std::abs(x));
  REQUIRE(box.lo - off <= x);
  REQUIRE(x <= box.hi + off);
}

/// Everything that the state asks of the tendons lies in what is said of the box.
void check_state(const Both& both, const Body& body, const StateBox& box, const withy_plain::State& state) {
  const Tendons tendons(both.robot);
  const auto pulls = tendons.pulls(body, box);
  const auto plain_pulls = withy_plain::pulls(both.plain, state);
  for (std::size_t k = 0; k < pulls.size(); ++k) require_holds(pulls[k], plain_pulls[k]);
  const Tendons::Tensions tensions = tendons.tensions(body, box);
  const auto plain_tensions = withy_plain::base_tensions(both.plain, state);
  if (!plain_tensions) return;
  REQUIRE(tensions.possible);
  const auto base = tendons.at_base(tensions);
  double most = 0.0;
  for (std::size_t k = 0; k < base.size(); ++k) {
    require_holds(base[k], (*plain_tensions)[k]);
    most = std::max(most, (*plain_tensions)[k]);
  }
  require_holds(tensions.most_N, most);
  const auto plain_loads = withy_plain::lock_moments(both.plain, state);
  for (const double limit : {0.5, 60.0, 1e9}) {
    const auto loads = tendons.lock_loads(body, box, tensions, limit);
    for (std::size_t r = 0; r < loads.size(); ++r)
      require_holds(loads[r], plain_loads[static_cast<std::size_t>(body.engaged()[r])]);
  }
}

}  // namespace

TEST_CASE("pulls, tensions and lock loads of every state lie in those of its box") {
  Draw draw(kSeed);
  CAPTURE(kSeed);
  int asked = 0;
  for (int i = 0; i < 2500; ++i) {
    Both both = random_robot(draw);
    add_tendons(draw, both);
    const Body body(both.robot, some_locks(draw, both.robot));
    const StateBox box = random_box(draw, both.robot, body);
    for (int k = 0; k < 4; ++k) {
      const auto state = random_state(draw, both, body, box);
      if (!state) continue;
      CAPTURE(i, k, both.robot.guide, both.robot.tendons->disk_spacing_mm,
              both.robot.tendons->angle_rad.size(), both.robot.tendons->friction_coefficient,
              body.engaged().size());
      check_state(both, body, box, *state);
      ++asked;
    }
  }
  CHECK(asked > 5000);
}

TEST_CASE("what a point asks of the tendons is told to rounding") {
  Draw draw(kSeed + 1);
  CAPTURE(kSeed + 1);
  for (int i = 0; i < 300; ++i) {
    Both both = random_robot(draw);
    add_tendons(draw, both);
    const Body body(both.robot, {});
    StateBox box = random_box(draw, both.robot, body);
    box.d_lo = box.d_hi;
    for (Interval& u : box.u) u = Interval(u.lo);
    for (const Interval& pull : Tendons(both.robot).pulls(body, box)) CHECK(pull.hi - pull.lo < 1e-9);
  }
}

TEST_CASE("a loop's field is that of Biot and Savart summed, and enclosed to nine digits") {
  Draw draw(kSeed + 2);
  CAPTURE(kSeed + 2);
  for (int i = 0; i < 150; ++i) {
    const Eigen::Vector3d axis =
        Eigen::Vector3d(draw.between(-1, 1), draw.between(-1, 1), draw.between(0.1, 1)).normalized();
    const withy::Coil coil{Eigen::Vector3d(10, -20, 5), axis, draw.between(30.0, 200.0), 100.0, {}, {}};
    const withy_plain::Coil plain{coil.centre_S, coil.axis_S, coil.radius_mm, coil.turns, {}, {}};
    // In the middle, on the axis, near it, out to a third of the radius.
    const double out = coil.radius_mm * (i % 3 == 0 ? 0.0 : i % 3 == 1 ? 1e-5 : 0.33);
    const Eigen::Vector3d p =
        coil.centre_S + draw.between(-1.5, 1.5) * coil.radius_mm * axis + out * axis.unitOrthogonal();
    const Interval3 B = loop_field(coil, {Interval(p.x()), Interval(p.y()), Interval(p.z())});
    const Eigen::Vector3d expected = withy_plain::coil_field(plain, p);
    for (std::size_t k = 0; k < 3; ++k) {
      const double is = expected[static_cast<Eigen::Index>(k)];
      // The sum over 720 straight pieces is off by their sagitta squared.
      CHECK(B[k].lo <= is + 1e-4 * expected.norm());
      CHECK(B[k].hi >= is - 1e-4 * expected.norm());
      CHECK(B[k].hi - B[k].lo < 2e-5 * expected.norm());
    }
  }
}

TEST_CASE("the field in the middle of a loop is mu0 n I / 2 a") {
  const withy::Coil coil{Eigen::Vector3d::Zero(), Eigen::Vector3d::UnitZ(), 50.0, 100.0, {}, {}};
  const Interval3 B = loop_field(coil, {Interval(0.0), Interval(0.0), Interval(0.0)});
  // J. D. Jackson, "Classical Electrodynamics", 3rd ed., section 5.5: 4 pi 1e-7 T m / A * 100 A / 0.1 m.
  const double expected_mT = 4e-7 * M_PI * 100.0 / 0.1 * 1e3;
  CHECK(B[2].lo <= expected_mT * (1 + 1e-9));
  CHECK(B[2].hi >= expected_mT * (1 - 1e-9));
  CHECK(B[2].hi - B[2].lo < 1e-7 * expected_mT);
}

TEST_CASE("the reserve of currents is that of the plain implementation") {
  Draw draw(kSeed + 3);
  CAPTURE(kSeed + 3);
  int asked = 0;
  for (int i = 0; i < 120; ++i) {
    Both both = random_robot(draw);
    if (both.robot.lock_count() == 0) continue;
    withy::LockHardware& hw = *both.robot.lock;
    hw.angle_latched_rad = draw.between(0.3, 2.5) * (draw.chance(0.5) ? 1.0 : -1.0);
    hw.switch_torque_Nmm = 0.002;
    for (std::size_t k = 0; k < both.robot.layout.clock_rad.size(); ++k)
      both.plain.layout.clock_rad[k] = both.robot.layout.clock_rad[k] = draw.between(-3.0, 3.0);
    withy_plain::Lock& plain_lock = *both.plain.scene.lock;
    plain_lock.angle_latched_rad = hw.angle_latched_rad;
    plain_lock.switch_torque_Nmm = hw.switch_torque_Nmm;
    plain_lock.hold_torque_Nmm = hw.hold_torque_Nmm;
    withy::FieldHardware field;
    field.strength_max_mT = 10.0;
    field.coil_mT_per_A = {1.0, 1.2, 0.8};
    field.ambient_mT = draw.chance(0.5) ? 0.05 : 0.0;
    if (field.ambient_mT == 0.0) field.ambient_S = {0.01, -0.02, 0.03};
    withy_plain::Field plain_field;
    plain_field.coil_mT_per_A = field.coil_mT_per_A;
    plain_field.ambient_mT = field.ambient_mT;
    plain_field.ambient_S = field.ambient_S;
    both.plain.scene.field = plain_field;
    const Body body(both.robot, some_locks(draw, both.robot));
    StateBox box = random_box(draw, both.robot, body);
    box.d_lo = box.d_hi;
    for (Interval& u : box.u) u = Interval(u.lo);
    for (Interval2& theta : box.theta)
      for (Interval& x : theta) x = Interval(x.lo);
    const auto state = random_state(draw, both, body, box);
    if (!state) continue;
    const int lock = draw.count(both.robot.lock_count() - 1);
    const std::vector<double> I = {draw.between(-8, 8), draw.between(-8, 8), draw.between(-8, 8)};
    const FieldLimits limits(both.robot, field, Eigen::Matrix3d::Identity());
    const auto coils = coils_field(field, Eigen::Isometry3d::Identity(), I, limits.places(body, box));
    const Interval reserve = limits.reserve(body, box, body.engaged(), lock, coils);
    const double plain = withy_plain::reserve(both.plain, *state, lock, Eigen::Vector3d(I[0], I[1], I[2]));
    CAPTURE(i, lock, plain, reserve.lo, reserve.hi);
    // Angles are sampled there: what is missed between samples is second order.
    if (plain > 0.05) {
      REQUIRE(reserve.lo <= plain * (1.0 + 1e-5));
      REQUIRE(reserve.hi >= plain * (1.0 - 1e-5));
      ++asked;
    } else {
      REQUIRE(reserve.lo <= 0.051);
    }
  }
  CHECK(asked > 10);
}
