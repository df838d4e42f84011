// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 18 to 20, of the hardware's limits over a box of states, against the limits of states drawn from it
// (which tests/reference holds against the plain implementation): long, thick and touching locks, bases far
// in, disks, two tendons and four.
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/segment/hardware.h"
#include "tests/support/lemma_cases.h"

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
