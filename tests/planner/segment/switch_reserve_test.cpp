// SPDX-License-Identifier: GPL-3.0-or-later
// Reserves, chosen currents and bounds over boxes: against closed forms, the plain implementation and
// sampling.
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/segment/field.h"
#include "planner/segment/hardware.h"
#include "tests/support/field_benches.h"

namespace {

using Catch::Matchers::Contains;
using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using namespace withy;
using namespace withy_test;

}  // namespace

TEST_CASE(
    "one lock alone: the reserve that is wanted takes (x tau / m + ambient) / cos(W / 2), bend or no bend") {
  State bent;
  bent.u_free = {0.011, -0.006};
  for (const double wanted : {1.0, 1.5, 2.0}) {
    DesignParts parts = parts_with({50}, {25});
    parts.field->reserve_wanted = wanted;
    const Design design = design_of(parts);
    const auto choice = choose_field(design, bent, 0);
    REQUIRE(choice);
    CHECK_THAT(choice->currents.strength_mT, WithinRel((wanted * 2.5 + 0.05) * std::sqrt(2.0), 1e-9));
    CHECK_THAT(choice->currents.reserve, WithinAbs(wanted, 1e-9));
    // Coils a hundredth too weak: the torque falls by that much, ambient field stays.
    const double weak =
        reserve_of(design, lock_poses_E(design, bent), LockSet{}, 0, 0.99 * choice->currents.current_A);
    CHECK_THAT(weak, WithinAbs(0.99 * (wanted + 0.02) - 0.02, 1e-9));
  }
}

TEST_CASE("where the limit stops short of what is wanted, the greatest reserve is taken: 10 mT give 2.8") {
  DesignParts parts = parts_with({50}, {0});
  parts.field->reserve_wanted = 5;
  const Design design = design_of(parts);
  const auto choice = choose_field(design, State{}, 0);
  REQUIRE(choice);
  CHECK_THAT(choice->currents.strength_mT, WithinAbs(10, 1e-5));
  CHECK_THAT(choice->currents.reserve, WithinAbs((10 / std::sqrt(2.0) - 0.05) / 2.5, 1e-5));
  parts.field->strength_max_mT = 3.6;  // 2.55 sqrt 2 = 3.606
  const Design weak = design_of(parts);
  CHECK_FALSE(choose_field(weak, State{}, 0));
  CHECK(least_field(weak, State{}, 0).refusal == FieldRefusal::too_strong);
}

TEST_CASE("a known ambient field counts as it stands, one of unknown direction against every torque") {
  DesignParts parts = parts_with({50}, {0});
  parts.field->ambient_mT = 0;
  // Straight, to latch: the magnet turns from x to y, so a field along (-1, 1) of the section drives it.
  parts.field->ambient_S = parts.R_SE * Eigen::Vector3d(-0.3, 0.3, 5);
  const auto helped = choose_field(design_of(parts), State{}, 0);
  REQUIRE(helped);
  CHECK_THAT(helped->currents.strength_mT, WithinRel((1.5 * 2.5 - 0.3) * std::sqrt(2.0), 1e-9));
}

TEST_CASE("coils that make no field along what is needed have none of any strength, rounding or not") {
  // One coil about the advance axis, and a straight segment: its field lies along the magnets' axis.
  DesignParts parts = parts_with({50}, {0});
  parts.field->coils = {
      {parts.p_SE + parts.R_SE * Eigen::Vector3d(0, 0, -50), parts.R_SE.col(2), 150, 300, {}, {}}};
  State straight;
  straight.insertion_mm = 60;
  const FieldNeed need = least_field(design_of(parts), straight, 0);
  CHECK(need.refusal == FieldRefusal::inseparable);
  CHECK_FALSE(need.field_S);
}

TEST_CASE("without a switch torque a field that just balances the ambient one turns the lock") {
  DesignParts parts = parts_with({50}, {0});
  parts.lock->switch_torque_Nmm = 0;
  const Design design = design_of(parts);
  RandomStates random(66);
  for (int i = 0; i < 40; ++i) {
    State state;
    state.u_free = random.vector(0.02);
    const auto choice = choose_field(design, state, 0);
    REQUIRE(choice);
    CHECK(std::isinf(choice->currents.reserve));
    CHECK_THAT(choice->currents.strength_mT, WithinRel(0.05 * std::sqrt(2.0), 1e-9));
  }
}

TEST_CASE("a coil's current limit is named with coil and current where it forbids a switch") {
  DesignParts parts = parts_with({50}, {0});
  parts.field->coils = three_pairs(parts, 0.5);
  const Design design = design_of(parts);
  const FieldNeed need = least_field(design, State{}, 0);
  REQUIRE(need.refusal == FieldRefusal::too_much_current);
  CHECK(need.current_A > 0.5);
  const auto breach = Hardware(design).switch_breach(State{}, 0);
  REQUIRE(breach);
  CHECK_THAT(breach->sentence(), Contains("above its limit of 0.5 A") && Contains("in coil "));
}

TEST_CASE("chosen currents and reserves are the plain implementation's, and keep every limit") {
  RandomStates random(61);
  INFO("seed 61");
  int coils = 0;
  int full = 0;
  int short_of = 0;
  for (int trial = 0; trial < 240; ++trial) {
    static const std::vector<Design> all = benches();
    const Design& design = all[static_cast<std::size_t>(trial) % all.size()];
    const State state = random.state(design);
    if (!keeps_curvature(design, state)) continue;
    const auto robot = plain_robot(design);
    const auto plain = plain_state(design, state);
    const int lock = trial / 8 % 2;
    const auto choice = choose_field(design, state, lock);
    CAPTURE(trial, lock);
    if (withy_plain::even_field(robot)) {
      const auto theirs = withy_plain::chosen_currents(robot, plain, lock);
      REQUIRE(theirs.has_value() == choice.has_value());
      if (theirs) CHECK((*theirs - choice->currents.current_A).norm() < 1e-5);
    }
    const auto least = withy_plain::least_currents(robot, plain, lock, design.field()->reserve_wanted);
    if (least && withy_plain::limits_passed(robot, plain, *least) == 0) {
      REQUIRE(choice);
      CHECK((*least - choice->currents.current_A).norm() < 1e-6 * (1 + least->norm()));
      ++full;
    }
    if (!choice) continue;
    coils += !design.field()->coils.empty();
    short_of += choice->currents.reserve < design.field()->reserve_wanted - 1e-5;
    const Eigen::VectorXd I = choice->currents.current_A;
    CHECK_THAT(choice->currents.reserve, WithinAbs(withy_plain::reserve(robot, plain, lock, I, 200), 1e-6));
    CHECK(choice->currents.reserve >= 1 - 1e-7);
    CHECK(withy_plain::limits_passed(robot, plain, I) < 1e-6);
    CHECK((choice->field_S - withy_plain::field_at(robot, plain, lock, I)).norm() < 1e-6);
  }
  CHECK(coils > 20);
  CHECK(full > 30);
  CHECK(short_of > 3);
}

TEST_CASE("of currents within the limits none near the chosen ones do as much with less") {
  // The programme is convex, so what no neighbour betters nothing betters.
  RandomStates random(62);
  INFO("seed 62");
  int tried = 0;
  static const std::vector<Design> all = benches();
  for (int trial = 0; trial < 120; ++trial) {
    const Design& design = all[static_cast<std::size_t>(trial) % all.size()];
    const State state = random.state(design);
    if (!keeps_curvature(design, state)) continue;
    const int lock = trial / 8 % 2;
    const LockPoses poses = lock_poses_E(design, state);
    const auto choice = choose_field(design, state, lock);
    if (!choice) continue;
    ++tried;
    const Currents& I = choice->currents.current_A;
    const CurrentLimits limits = current_limits(design, poses);
    const bool wanted = choice->currents.reserve >= design.field()->reserve_wanted - 1e-6;
    for (int i = 0; i < 300; ++i) {
      Currents other = I;
      const double step = std::pow(10.0, random.between(-4, 0));
      for (Eigen::Index c = 0; c < I.size(); ++c) other(c) += step * random.between(-1, 1);
      bool within = true;
      for (const CoilGains& G : limits.gains)
        within = within && (G * other).norm() <= design.field()->strength_max_mT;
      if (limits.most_A.size() > 0)
        within = within && ((other.cwiseAbs() - limits.most_A).array() <= 0).all();
      if (!within) continue;
      const double reserve = reserve_of(design, poses, state.engaged, lock, other);
      const bool better = wanted ? reserve >= design.field()->reserve_wanted && other.norm() < I.norm() - 1e-6
                                 : reserve > choice->currents.reserve + 1e-4;
      if (better) FAIL_CHECK("trial " << trial << ", step " << step << ", reserve " << reserve);
    }
  }
  CHECK(tried > 40);
}

TEST_CASE("least distance programming and the sets of three find the same point, or that there is none") {
  RandomStates random(63);
  INFO("seed 63");
  int found = 0;
  int none = 0;
  for (int trial = 0; trial < 10000; ++trial) {
    std::vector<HalfSpace> half_spaces;
    std::vector<CurrentDemand> demands;
    const int count = 1 + trial % 7;
    for (int i = 0; i < count; ++i) {
      Eigen::Vector3d n(random.between(-1, 1), random.between(-1, 1), random.between(-1, 1));
      if (trial % 5 == 0 && i > 0) n = half_spaces.back().normal + 1e-3 * n;
      n.normalize();
      const double c = random.between(-2, 3);
      half_spaces.push_back({n, c});
      demands.push_back({2.5 * n, 2.5 * c});
    }
    const auto point = least_norm_point(half_spaces);
    const auto other = least_distance_point(demands);
    if (point && point->norm() > 1e3) continue;  // turns on the last digits of a determinant
    if (point.has_value() != other.has_value()) {
      if (other && other->norm() > 1e3) continue;
      FAIL_CHECK("trial " << trial << (point ? ": only sets" : ": only programming"));
      continue;
    }
    ++(point ? found : none);
    if (point && (*point - *other).norm() > 1e-6 * (1 + point->norm())) FAIL_CHECK("trial " << trial);
  }
  CHECK(found > 3000);
  CHECK(none > 300);
}

TEST_CASE("a box said not to switch holds no state that does, one said to switch none that doesn't") {
  RandomStates random(64);
  INFO("seed 64");
  static const std::vector<Design> all_benches = benches();
  int all = 0;
  int none = 0;
  int some = 0;
  for (int trial = 0; trial < 4000; ++trial) {
    const Design& design = all_benches[static_cast<std::size_t>(trial) % all_benches.size()];
    const State about = random.state(design);
    const StateBox box = random.box(about, std::pow(10.0, random.between(-4, 0)));
    const int lock = trial / 8 % 2;
    const BoxVerdict verdict = Hardware(design).switch_over(box, lock);
    ++(verdict == BoxVerdict::all ? all : verdict == BoxVerdict::none ? none : some);
    if (verdict == BoxVerdict::some) continue;
    for (int i = 0; i < 12; ++i) {
      const State q = random.in(box, about);
      if (!keeps_curvature(design, q)) continue;
      if (field_switches(design, q, lock) != (verdict == BoxVerdict::all))
        FAIL_CHECK("trial " << trial << ", sample " << i);
    }
  }
  CAPTURE(all, none, some);
  CHECK(all > 300);
  CHECK(none > 300);
  CHECK(some > 100);
}

TEST_CASE("as a box shrinks its verdict settles, unless its state is within a hair of a limit") {
  RandomStates random(65);
  INFO("seed 65");
  static const std::vector<Design> all_benches = benches();
  int settled = 0;
  int open = 0;
  for (int trial = 0; trial < 800; ++trial) {
    const Design& design = all_benches[static_cast<std::size_t>(trial) % all_benches.size()];
    const State about = random.state(design);
    if (!keeps_curvature(design, about)) continue;
    const StateBox box = random.box(about, 1e-6);
    const BoxVerdict verdict = Hardware(design).switch_over(box, trial / 8 % 2);
    ++(verdict == BoxVerdict::some ? open : settled);
  }
  CAPTURE(settled, open);
  CHECK(settled > 100 * open);
}

TEST_CASE("magnets that move one another off their stops are found in states, over boxes and along ways") {
  RandomStates random(66);
  INFO("seed 66");
  DesignParts parts = parts_with({44, 52.5}, {0, 90});
  parts.lock->hold_torque_Nmm = 0.0023;  // about what they make at 8.5 mm
  const Design design = design_of(parts);
  const Hardware hardware(design);
  REQUIRE(hardware.magnets_couple());
  const auto robot = plain_robot(design);
  int all = 0;
  int none = 0;
  int some = 0;
  for (int trial = 0; trial < 1500; ++trial) {
    const State about = random.state(design);
    if (!keeps_curvature(design, about)) continue;
    const auto plain = plain_state(design, about);
    const double push =
        std::max(withy_plain::coupling(robot, plain, 0), withy_plain::coupling(robot, plain, 1));
    const auto breach = hardware.coupling_breach(about);
    if (std::abs(push - 0.0023) > 1e-9) CHECK(breach.has_value() == push > 0.0023);
    if (breach) CHECK_THAT(breach->value, WithinRel(push, 1e-9));
    const StateBox box = random.box(about, std::pow(10.0, random.between(-3, 0)));
    const BoxVerdict verdict = hardware.coupling_over(box);
    ++(verdict == BoxVerdict::all ? all : verdict == BoxVerdict::none ? none : some);
    for (int i = 0; i < 12 && verdict != BoxVerdict::some; ++i) {
      const State q = random.in(box, about);
      if (keeps_curvature(design, q) &&
          hardware.coupling_breach(q).has_value() != (verdict == BoxVerdict::none))
        FAIL_CHECK("trial " << trial << ", sample " << i);
    }
    State to = about;
    to.u_free = random.vector(0.02);
    const auto on_the_way = hardware.coupling_motion_breach(about, to);
    for (int i = 0; i <= 20 && !on_the_way; ++i)
      if (hardware.coupling_breach(interpolate(about, to, i / 20.0))) FAIL_CHECK("way, trial " << trial);
  }
  CAPTURE(all, none, some);
  CHECK(all > 50);
  CHECK(none > 50);
  CHECK(some > 50);
}

TEST_CASE("two locks 4.5 mm apart are too near, with the torque and the spacing that would do") {
  const Design design = design_of(parts_with({40, 44.5}, {0, 135}));
  const auto near = too_near(design);
  REQUIRE(near);
  // By hand: 1e-7 * 1.6e-5 / (4.5e-3)^3 N m = 0.01756 N mm for magnets a quarter turn apart; here they lie
  // 135 degrees apart while both are free, or both latched, and 45 or 225 otherwise: sin 135 of it.
  const double torque = 1e-7 * 1.6e-5 / std::pow(4.5e-3, 3) * 1e3 / std::sqrt(2.0);
  CHECK_THAT(near->torque_Nmm, WithinRel(torque, 1e-6));
  CHECK_THAT(near->spacing_wanted_mm, WithinRel(4.5 * std::cbrt(torque / 0.004), 1e-6));
  CHECK_THAT(sentence_of(*near, design), Contains("4.50 mm apart") && Contains("0.0124 N mm") &&
                                             Contains("a spacing of 6.57 mm would do"));
  CHECK_FALSE(too_near(design_of(parts_with({40, 46.6}, {0, 135}))));
  REQUIRE(too_near(design_of(parts_with({40, 46.5}, {0, 135}))));
}

TEST_CASE("the weakest field over all bends is a lower bound, sharp for one lock") {
  const Design one = design_of(parts_with({50}, {0}));
  CHECK_THAT(least_strength_mT(one), WithinRel(2.55 * std::sqrt(2.0), 1e-12));
  RandomStates random(67);
  INFO("seed 67");
  const Design two = design_of(parts_with({45, 55}, {0, 250}));
  const double bound = least_strength_mT(two);
  CHECK(bound > 1);
  for (int trial = 0; trial < 300; ++trial) {
    const State state = random.state(two);
    if (!keeps_curvature(two, state)) continue;
    const FieldNeed need = least_field(two, state, trial % 2);
    if (need.field_S && need.strength_mT() < bound) FAIL_CHECK("trial " << trial);
  }
}
