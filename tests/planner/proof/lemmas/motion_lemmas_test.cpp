// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 22 and 23, of whole motions, against exact distances (CGAL) along the plain implementation's bodies
// at instants of the motion.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/proof/lemmas/motion_look.h"
#include "planner/proof/lemmas/verify.h"
#include "tests/support/lemma_cases.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kDesigns = 1000;
constexpr int kMotions = 10;  // of each design
constexpr double kRounding_mm = 1e-9;
constexpr double kCoarse = 1.0 / 120.0;

/// Advances, bends and steers, from a hair to some millimetres.
State random_end(const LemmaDesign& of, const State& from, Random& random) {
  State to = from;
  const double L = of.robot.scene.length_mm;
  const int kind = random.below(3);
  if (kind != 0)
    to.insertion_mm += 0.1 * L * random.between(-1.0, 1.0) * std::exp2(-random.between(0.0, 8.0));
  if (kind != 1) to.u_free += random.in_disk(0.02 * std::exp2(-random.between(0.0, 8.0)));
  return to;
}

}  // namespace

TEST_CASE("lemmas 22 and 23: a motion said to be clear is clear at every instant") {
  const std::uint32_t seed = 641;
  INFO("seed " << seed);
  Random random(seed);
  int motions = 0;
  int clear = 0;
  int looked_clear = 0;
  int looked_not_clear = 0;
  for (int k = 0; k < kDesigns; ++k) {
    const LemmaDesign of = random_lemma_design(random);
    const MotionVerifier verifier(of.design, *of.channel->distance);
    const MotionLook look(of.design, of.channel->distance->field_pointer());
    for (int i = 0; i < kMotions; ++i) {
      const State from = random_lemma_state(of, random, i % 5 != 0);
      const State to = random_end(of, from, random);
      if (!allowed(of, from) || !allowed(of, to)) continue;
      if (!within_limits(of.design, from) || !within_limits(of.design, to)) continue;
      ++motions;
      CAPTURE(k, i, of.channel->name, from.insertion_mm, to.insertion_mm, from.engaged.to_string());
      const auto finding = look.look(from, to, of.required_mm, of.required_mm + kClearanceSlack_mm);
      const bool looks_clear = finding == MotionLook::Finding::clear;
      const bool clears = verifier.clears(from, to, of.required_mm);
      looked_clear += looks_clear ? 1 : 0;
      looked_not_clear += finding == MotionLook::Finding::not_clear ? 1 : 0;
      clear += clears ? 1 : 0;
      if (finding == MotionLook::Finding::not_clear) REQUIRE_FALSE(clears);
      if (!clears && !looks_clear) continue;
      for (const double t : {random.between(0.0, 1.0), random.between(0.0, 1.0)}) {
        const double sampled =
            sampled_clearance(of, interpolate(from, to, t), kCoarse * of.robot.scene.length_mm);
        CAPTURE(t, clears, looks_clear);
        REQUIRE(sampled >= of.required_mm - kRounding_mm);
      }
    }
  }
  CHECK(motions > 5000);
  CHECK(clear > 2000);
  CHECK(looked_clear > 1500);
  CHECK(looked_not_clear > 500);
}
