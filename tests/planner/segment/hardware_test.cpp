// SPDX-License-Identifier: GPL-3.0-or-later
// All limits together: figures against the plain implementation, boxes and motions against dense sampling.
#include "planner/segment/hardware.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "tests/support/plain_segment.h"
#include "tests/support/random_states.h"

namespace {

using Catch::Matchers::Contains;
using Catch::Matchers::WithinAbs;
using namespace withy;
using withy_test::keeps_curvature;
using withy_test::plain_robot;
using withy_test::plain_state;
using withy_test::RandomStates;

constexpr double kDegree = M_PI / 180.0;

struct Kind {
  std::vector<double> tendon_deg = {0, 90, 180, 270};
  double disk_spacing_mm = 0;
  CarriageKind carriage = CarriageKind::free;
  Motors motors = Motors::ride;
  double stroke_mm = 2.5;
  double tension_N = 14;
  double hold_Nmm = 20;
  double strength_mT = 5;
};

DesignParts parts_of(const Kind& kind) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, kind.hold_Nmm};
  parts.layout.station_mm = {33, 67};
  parts.layout.clock_rad = {0, 330 * kDegree};
  parts.latch = LatchHardware{0.5, 1.2, {M_PI / 4, 3 * M_PI / 4}, 0.02, 0.02};
  TendonHardware tendons{1.2, {},         kind.disk_spacing_mm, kind.stroke_mm, 0.2, kind.tension_N,
                         0.1, kind.motors};
  for (const double a : kind.tendon_deg) tendons.angle_rad.push_back(a * kDegree);
  parts.tendons = tendons;
  parts.carriage = {kind.carriage, 160};
  parts.field = FieldHardware{kind.strength_mT, {1.8, 1.8, 1.8}, Eigen::Matrix3d::Identity()};
  return parts;
}

Design design_of(const Kind& kind) {
  return Design::make(parts_of(kind)).value();
}

const std::vector<Kind>& kinds() {
  static const std::vector<Kind> all = {
      {},
      {{0, 120, 240}, 0, CarriageKind::guide},
      {{20, 92, 164, 236, 308}, 6.5, CarriageKind::guide},
      {{10, 190}, 0, CarriageKind::free},
      {{0, 90, 180, 270}, 9, CarriageKind::guide, Motors::stand, 110},
      {{-50, 40, 100}, 0, CarriageKind::free, Motors::stand, 100},
  };
  return all;
}

bool finite(const Design& design, const State& state) {
  for (const Region& region : regions_of(design, state))
    if (!region.u.allFinite()) return false;
  return true;
}

}  // namespace

TEST_CASE("every figure of the hardware is the plain implementation's to a millionth and better") {
  RandomStates random(51);
  INFO("seed 51");
  int fields = 0;
  int refused = 0;
  for (int trial = 0; trial < 3000; ++trial) {
    const Design design = design_of(kinds()[static_cast<std::size_t>(trial) % kinds().size()]);
    const Hardware hardware(design);
    const State state = random.state(trial % 4);
    if (!finite(design, state)) continue;
    const auto robot = plain_robot(design);
    const auto plain = plain_state(design, state);
    const HardwareUse use = hardware.use(state);
    const auto pull = withy_plain::pulls(robot, plain);
    for (std::size_t k = 0; k < pull.size(); ++k)
      if (std::abs(use.pull_mm(static_cast<Eigen::Index>(k)) - pull[k]) > 1e-9)
        FAIL_CHECK("pull, trial " << trial);
    const auto tension = withy_plain::base_tensions(robot, plain);
    if (tension.has_value() != (use.tension_N.size() > 0)) FAIL_CHECK("tension, trial " << trial);
    for (std::size_t k = 0; tension && k < tension->size(); ++k)
      if (std::abs(use.tension_N(static_cast<Eigen::Index>(k)) - (*tension)[k]) > 1e-8 * (1 + (*tension)[k]))
        FAIL_CHECK("tension, trial " << trial);
    const auto moment = withy_plain::lock_moments(robot, plain);
    for (std::size_t i = 0; i < moment.size(); ++i)
      if (std::abs(use.lock_moment_Nmm[i] - moment[i]) > 1e-9 * (1 + moment[i]))
        FAIL_CHECK("moment, trial " << trial);
    for (int lock = 0; lock < 2; ++lock) {
      const auto theirs = withy_plain::least_field(robot, plain, lock);
      const FieldNeed ours = hardware.switch_need(state, lock);
      // A field of many times any limit turns on the last digits of a determinant: not compared.
      if ((theirs && theirs->norm() > 1e4) || (ours.field_S && ours.strength_mT() > 1e4)) continue;
      if (theirs.has_value() != ours.field_S.has_value()) FAIL_CHECK("field or none, trial " << trial);
      if (theirs && ours.field_S && (*theirs - *ours.field_S).norm() > 1e-6 * (1 + theirs->norm()))
        FAIL_CHECK("field, trial " << trial);
      ++(theirs ? fields : refused);
    }
  }
  CHECK(fields > 2000);
  CHECK(refused > 50);
}

TEST_CASE("each limit is named with its number, its limit and who breaks it") {
  const Eigen::Vector2d none(0, 0);
  State state;
  state.u_free = {0.01, 0};
  {
    const Design design = design_of({{0, 90, 180, 270}, 0, CarriageKind::free, Motors::ride, 1.0});
    const auto breach = Hardware(design).state_breach(state);
    REQUIRE(breach);
    CHECK(breach->limit == HardwareLimit::stroke);
    CHECK(breach->index == 0);
    CHECK_THAT(breach->value, WithinAbs(1.2 * 0.01 * 89, 1e-12));
    CHECK(breach->sentence() == "tendon 1 would be drawn by 1.068 mm, beyond its stroke of 1 mm");
  }
  {
    const Design design = design_of({{0, 90, 180, 270}, 0, CarriageKind::free, Motors::ride, 8, 8.0});
    const auto breach = Hardware(design).state_breach(state);
    REQUIRE(breach);
    CHECK(breach->limit == HardwareLimit::tension);
    // (0.2 + 900 * 0.01 / 1.2) exp(0.1 * 0.89) N
    CHECK_THAT(breach->value, WithinAbs(7.7 * std::exp(0.089), 1e-9));
    CHECK(breach->sentence() == "tendon 1 would carry 8.417 N at the base, above the limit of 8 N");
  }
  {
    const Design design = design_of({{90, 270}});
    const auto breach = Hardware(design).state_breach(state);
    REQUIRE(breach);
    CHECK(breach->limit == HardwareLimit::tendon_plane);
    CHECK(breach->sentence() == "the tendons can't bend the free region out of the tendons' plane");
  }
  {
    const Design design = design_of({});
    State locked = state;
    locked.engaged.set(1);
    locked.theta_frozen = {none};
    locked.u_free = {0, 0.03};
    const auto breach = Hardware(design).state_breach(locked);
    REQUIRE(breach);
    CHECK(breach->limit == HardwareLimit::tension);
    locked.u_free = {0.0, -0.0125};
    Kind weak;
    weak.hold_Nmm = 11;
    const Design weak_lock = design_of(weak);
    const auto load = Hardware(weak_lock).state_breach(locked);
    REQUIRE(load);
    CHECK(load->limit == HardwareLimit::lock_load);
    CHECK(load->index == 1);
    // EI u is 11.25 N mm, made by 9.575 N in tendon 4 against 0.2 N in tendon 2. At friction's worst, 0.1 x
    // 0.0125 x 28 = 0.035: 1.2 (9.575 exp(0.035) - 0.2 exp(-0.035)) = 11.668 N mm, and tendons 1 and 3 add
    // 0.017 across.
    CHECK(load->sentence() == "lock 2 would have to hold 11.67 N mm, above its hold moment of 11 N mm");
  }
}

TEST_CASE(
    "a switch that the field can't do says which lock is in the way, or how strong it would have to be") {
  const Design design = design_of({});
  const auto inseparable = Hardware(design).switch_breach(State{}, 1);
  REQUIRE(inseparable);
  CHECK(inseparable->sentence() ==
        "no field of any strength switches lock 2 here without switching lock 1 too");
  Kind weak;
  weak.strength_mT = 3;
  const Design weak_field = design_of(weak);
  const auto strong = Hardware(weak_field).switch_breach(State{}, 0);
  REQUIRE(strong);
  // Alone 2.5 sqrt 2; lock 2's magnet, 34 mm on and clocked by 330 degrees, makes mu0 m / (4 pi r^3) = 0.0102
  // mT along (-0.866, 0.5), which helps: hypot(2.5 - 0.0088, 2.5 - 0.0051) = 3.526.
  CHECK(strong->sentence() ==
        "the weakest field that switches lock 1 here is 3.53 mT, above the limit of 3 mT");
  CHECK_FALSE(Hardware(design).switch_breach(State{}, 0));
}

TEST_CASE("what the scene leaves out is not checked") {
  DesignParts parts = parts_of({});
  parts.tendons.reset();
  parts.field.reset();
  const Design design = Design::make(parts).value();
  const Hardware hardware(design);
  CHECK_FALSE(hardware.checks_tendons());
  CHECK_FALSE(hardware.checks_field());
  State wild;
  wild.u_free = {10, 10};
  CHECK_FALSE(hardware.state_breach(wild));
  CHECK_FALSE(hardware.switch_breach(State{}, 1));
  CHECK(hardware.states_over(StateBox::around(wild)) == BoxVerdict::all);
  CHECK(hardware.switch_over(StateBox::around(State{}), 1) == BoxVerdict::all);
  CHECK(hardware.use(wild).pull_mm.size() == 0);
}

TEST_CASE(
    "a box said to keep the limits holds no state that breaks one, a box said to break them none that keeps "
    "all") {
  RandomStates random(52);
  INFO("seed 52");
  int all = 0;
  int none = 0;
  int some = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    const Design design = design_of(kinds()[static_cast<std::size_t>(trial) % kinds().size()]);
    const Hardware hardware(design);
    State about = random.state(trial / 6 % 4);
    if (design.tendons()->angle_rad.size() == 2 && trial % 3 != 0)
      about.u_free =
          random.between(-0.02, 0.02) * Eigen::Vector2d(std::cos(10 * kDegree), std::sin(10 * kDegree));
    const StateBox box =
        trial % 10 == 0 ? StateBox::around(about) : random.box(about, std::pow(10.0, random.between(-3, 0)));
    const BoxVerdict verdict = hardware.states_over(box);
    ++(verdict == BoxVerdict::all ? all : verdict == BoxVerdict::none ? none : some);
    if (verdict == BoxVerdict::some) continue;
    for (int i = 0; i < 40; ++i) {
      const State q = random.in(box, about);
      const bool keeps = !hardware.state_breach(q).has_value();
      if (keeps != (verdict == BoxVerdict::all)) FAIL_CHECK("trial " << trial << ", sample " << i);
    }
  }
  CHECK(all > 1000);
  CHECK(none > 1000);
  CHECK(some > 300);
}

TEST_CASE("a box said to switch holds no pose where the field fails, a box said not to none where it works") {
  RandomStates random(53);
  INFO("seed 53");
  int all = 0;
  int none = 0;
  int some = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    const Design design = design_of(kinds()[static_cast<std::size_t>(trial) % kinds().size()]);
    const Hardware hardware(design);
    const State about = random.state(trial / 6 % 4);
    const StateBox box = random.box(about, std::pow(10.0, random.between(-3, 0)));
    const int lock = trial % 2;
    const BoxVerdict verdict = hardware.switch_over(box, lock);
    ++(verdict == BoxVerdict::all ? all : verdict == BoxVerdict::none ? none : some);
    if (verdict == BoxVerdict::some) continue;
    for (int i = 0; i < 20; ++i) {
      const State q = random.in(box, about);
      if (!keeps_curvature(design, q)) continue;
      if (hardware.switch_need(q, lock).allowed() != (verdict == BoxVerdict::all))
        FAIL_CHECK("trial " << trial << ", sample " << i);
    }
  }
  CHECK(all > 1000);
  CHECK(none > 1000);
  CHECK(some > 300);
}

TEST_CASE(
    "a motion said to keep the limits keeps them at every sampled instant, one said to break them does "
    "somewhere") {
  RandomStates random(54);
  INFO("seed 54");
  int kept = 0;
  int at_an_end = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    Kind kind = kinds()[static_cast<std::size_t>(trial) % kinds().size()];
    const Design design = design_of(kind);
    const Hardware hardware(design);
    const State from = random.state(trial / 6 % 4);
    State to = from;
    to.insertion_mm = random.between(0, 160);
    to.u_free = random.vector(0.02);
    if (!finite(design, from) || !finite(design, to)) continue;
    const auto breach = hardware.motion_breach(from, to);
    bool sampled_breach = false;
    for (int i = 0; i <= 100; ++i) {
      State q = from;
      q.insertion_mm += i / 100.0 * (to.insertion_mm - from.insertion_mm);
      q.u_free += i / 100.0 * (to.u_free - from.u_free);
      sampled_breach = sampled_breach || hardware.state_breach(q).has_value();
    }
    const bool ends_break = hardware.state_breach(from).has_value() || hardware.state_breach(to).has_value();
    if (!breach && sampled_breach) FAIL_CHECK("trial " << trial << " breaks a limit on the way");
    kept += !breach;
    at_an_end += ends_break;
    // What was refused without an end at fault must come within a hair of a limit somewhere; sampling may
    // miss it by the sampling step only.
    if (breach && !ends_break && !sampled_breach && breach->value < 0.98 * breach->allowed)
      FAIL_CHECK("trial " << trial << " is refused far from any limit: " << breach->sentence());
  }
  CHECK(kept > 1000);
  CHECK(at_an_end > 1000);
}

TEST_CASE("a steer that keeps the limits at both ends and breaks one between them is refused") {
  // In the guide the bend is f_e(d) u: 7 mm x 0.04 at the start, 87 mm x 0 at the end, but (47 mm x 0.02)
  // half way. By hand the largest is 47.0 x 0.02 = 0.94 rad, so a stroke of 1.2 x 0.9 mm is passed on the way
  // only.
  Kind kind;
  kind.carriage = CarriageKind::guide;
  kind.tension_N = 60;
  State from;
  from.insertion_mm = 10;
  from.u_free = {0.04, 0};
  State to;
  to.insertion_mm = 98;  // locks' bodies take 8 mm of the way out
  kind.stroke_mm = 1.2 * 0.9;
  const Design tight = design_of(kind);
  const Hardware hardware(tight);
  CHECK_FALSE(hardware.state_breach(from));
  CHECK_FALSE(hardware.state_breach(to));
  const auto breach = hardware.motion_breach(from, to);
  REQUIRE(breach);
  CHECK(breach->limit == HardwareLimit::stroke);
  kind.stroke_mm = 1.2 * 1.0;
  const Design wide = design_of(kind);
  CHECK_FALSE(Hardware(wide).motion_breach(from, to));
}

TEST_CASE("a motion may end exactly at a limit") {
  const Design design = design_of({});
  // Stroke 2.5 mm over 89 mm flexible: curvature 2.5 / (1.2 * 89) to either side.
  State from;
  State to;
  from.insertion_mm = to.insertion_mm = 30;
  to.u_free = {2.5 / (1.2 * 89), 0};
  from.u_free = -to.u_free;
  Kind strong;
  strong.tension_N = 50;
  const Design loose = design_of(strong);
  CHECK_FALSE(Hardware(loose).motion_breach(from, to));
  to.u_free *= 1.0001;
  CHECK(Hardware(loose).motion_breach(from, to));
}
