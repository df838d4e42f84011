// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 18 to 20, of the hardware's limits over a box of states, against the limits of states drawn from it
// (which tests/reference holds against the plain implementation): long, thick and touching locks, bases far
// in, disks, two tendons and four.
#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/segment/hardware.h"
#include "tests/support/lemma_cases.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"
#include "tests/support/plain_segment.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCases = 10000;

struct Tally {
  int all = 0;
  int none = 0;
  void count(BoxVerdict verdict) {
    all += verdict == BoxVerdict::all ? 1 : 0;
    none += verdict == BoxVerdict::none ? 1 : 0;
  }
};

/// The design with limits that are what the state asks for, by the plain implementation, and no more; nothing
/// where the tendons can't make it. The hold torque becomes what the other magnets take, in the plain
/// implementation's robot too, whose least field is then the strength.
std::optional<Design> just_enough_for(const Design& design, withy_plain::Robot& robot,
                                      const withy_plain::State& plain, int lock) {
  DesignParts parts = design.parts();
  const auto most = [](const std::vector<double>& values) {
    double largest = 0.0;
    for (const double value : values) largest = std::max(largest, std::abs(value));
    return largest;
  };
  const auto tensions = withy_plain::base_tensions(robot, plain);
  if (!tensions) return std::nullopt;
  parts.tendons->tension_max_N = std::max(most(*tensions), parts.tendons->tension_min_N);
  parts.tendons->stroke_max_mm = std::max(1e-3, most(withy_plain::pulls(robot, plain)));
  parts.lock->hold_moment_Nmm = std::max(1e-3, most(withy_plain::lock_moments(robot, plain)));
  double push = 0.0;
  for (int k = 0; k < robot.locks(); ++k) push = std::max(push, withy_plain::coupling(robot, plain, k));
  if (push > 0.0) robot.scene.lock->hold_torque_Nmm = parts.lock->hold_torque_Nmm = push;
  if (const auto least = withy_plain::least_currents(robot, plain, lock, 1.0))
    parts.field->strength_max_mT = std::max(1e-3, withy_plain::strongest(robot, plain, *least));
  auto made = Design::make(std::move(parts));
  return made ? std::optional(std::move(*made)) : std::nullopt;
}

}  // namespace

TEST_CASE("lemmas 18 to 20: what the hardware's bounds say of a box holds for its allowed states") {
  const std::uint32_t seed = 651;
  INFO("seed " << seed);
  Random random(seed);
  Tally states;
  Tally couplings;
  Tally switches;
  for (int i = 0; i < kCases; ++i) {
    const LemmaDesign of = random_lemma_design(random, {.channel = -1, .hardware = true});
    const BendChart chart(of.design, false);
    const Hardware hardware(of.design);
    const State about = random_lemma_state(of, random, i % 2 == 0);
    const Leaf leaf = leaf_of(chart, about);
    const Box box = random_lemma_box(of, chart, leaf, about, random);
    const StateBox over = state_box(chart, leaf, AllowedBox::of(of.design, chart, leaf, box).box());
    const BoxVerdict keeps = hardware.states_over(over);
    const BoxVerdict couples = hardware.coupling_over(over);
    const int lock = of.robot.locks() > 0 ? random.below(of.robot.locks()) : -1;
    const BoxVerdict switched = lock >= 0 ? hardware.switch_over(over, lock) : BoxVerdict::some;
    states.count(keeps);
    couplings.count(couples);
    switches.count(switched);
    for (int n = 0; n < 6; ++n) {
      const State q = draw_from(of, chart, leaf, box, random);
      if (!allowed(of, q)) continue;
      CAPTURE(i, n, of.robot.scene.guide, q.insertion_mm, q.engaged.to_string(), lock);
      if (keeps != BoxVerdict::some)
        REQUIRE(hardware.state_breach(q).has_value() == (keeps == BoxVerdict::none));
      if (couples != BoxVerdict::some)
        REQUIRE(hardware.coupling_breach(q).has_value() == (couples == BoxVerdict::none));
      if (switched != BoxVerdict::some)
        REQUIRE(hardware.switch_need(q, lock).allowed() == (switched == BoxVerdict::all));
    }
  }
  CHECK(states.all > 300);
  CHECK(states.none > 300);
  CHECK(couplings.all > 300);
  CHECK(couplings.none > 20);
  CHECK(switches.all > 300);
  CHECK(switches.none > 300);
}

TEST_CASE("lemmas 18 to 20: rounding never forbids a state that is at the very limit") {
  const std::uint32_t seed = 653;
  INFO("seed " << seed);
  Random random(seed);
  int states = 0;
  int switches = 0;
  for (int i = 0; i < kCases; ++i) {
    const LemmaDesign of = random_lemma_design(random, {.channel = -1, .hardware = true});
    const State q = random_lemma_state(of, random, i % 2 == 0);
    if (of.robot.locks() == 0 || !allowed(of, q)) continue;
    withy_plain::Robot robot = withy_test::plain_robot(of.design);
    const withy_plain::State plain = withy_test::plain_state(of.design, q);
    const int lock = random.below(of.robot.locks());
    const auto design = just_enough_for(of.design, robot, plain, lock);
    if (!design) continue;
    const Hardware hardware(*design);
    StateBox box = StateBox::around(q);
    if (random.below(2) == 0) {  // by a hair larger
      const double hair = std::pow(10.0, random.between(-16.0, -9.0));
      box.u_lo.array() -= hair;
      box.u_hi.array() += hair;
    }
    CAPTURE(i, of.robot.scene.guide, q.insertion_mm, q.engaged.to_string(), lock);
    REQUIRE(hardware.states_over(box) != BoxVerdict::none);
    REQUIRE(hardware.coupling_over(box) != BoxVerdict::none);
    ++states;
    // Where demands nearly contradict one another the least field is of any size, and mostly rounding.
    if (!withy_plain::least_currents(robot, plain, lock, 1.0) || design->field()->strength_max_mT > 1e3)
      continue;
    REQUIRE(hardware.switch_over(box, lock) != BoxVerdict::none);
    ++switches;
  }
  CHECK(states > 1000);
  CHECK(switches > 200);
}

TEST_CASE(
    "lemma 18, along motions: one that is said to keep the hardware's limits keeps them at every instant") {
  const std::uint32_t seed = 652;
  INFO("seed " << seed);
  Random random(seed);
  int kept = 0;
  int refused = 0;
  for (int i = 0; i < kCases; ++i) {
    const LemmaDesign of = random_lemma_design(random, {.channel = -1, .hardware = true});
    const Hardware hardware(of.design);
    const State from = random_lemma_state(of, random, i % 2 == 0);
    State to = from;
    to.insertion_mm += 0.3 * of.robot.scene.length_mm * random.between(-1.0, 1.0);
    if (random.below(2) == 0) to.u_free += random.in_disk(0.03);
    if (!allowed(of, from) || !allowed(of, to)) continue;
    const bool keeps = !hardware.motion_breach(from, to);
    ++(keeps ? kept : refused);
    if (!keeps) continue;
    for (int n = 0; n < 8; ++n) {
      const double t = n == 0 ? 1.0 : random.between(0.0, 1.0);
      State q = from;
      q.insertion_mm += t * (to.insertion_mm - from.insertion_mm);
      q.u_free += t * (to.u_free - from.u_free);
      CAPTURE(i, t, of.robot.scene.guide, q.insertion_mm, q.engaged.to_string());
      REQUIRE_FALSE(hardware.state_breach(q).has_value());
    }
  }
  CHECK(kept > 300);
  CHECK(refused > 300);
}
