// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 8 to 11, 14 and 15, of what the wall makes of a box of states, against exact distances (CGAL) along
// the plain implementation's bodies of states drawn from the box.
#include <algorithm>
#include <cmath>
#include <memory>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/cell_body.h"
#include "tests/support/lemma_cases.h"
#include "tests/support/state_range.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kDesigns = 1000;
constexpr int kCells = 10;  // of each design
constexpr double kRounding_mm = 1e-9;
/// Stations of the samples: coarse, and, where the coarse ones have not found what must be there, fine.
constexpr double kCoarse = 1.0 / 120.0;
constexpr double kFine = 1.0 / 6000.0;

struct Subject {
  LemmaDesign of;
  BendChart chart;
  double L;

  explicit Subject(Random& random) : of(random_lemma_design(random)), chart(of.design, false) {
    L = of.robot.scene.length_mm;
  }
  Subject(const Subject&) = delete;
};

struct Tally {
  int free = 0;
  int blocked = 0;
  int free_by_sliding = 0;
  int blocked_by_sliding = 0;
  int states = 0;
  void count(const CellLook& look) {
    if (look.status == CellStatus::free) ++(look.slides ? free_by_sliding : free);
    if (look.status == CellStatus::blocked) ++(look.slides ? blocked_by_sliding : blocked);
  }
};

/// A proof of blocked is about all stations: what coarse ones miss, fine ones find.
bool comes_below(const Subject& subject, const State& q, double clearance_mm) {
  if (sampled_clearance(subject.of, q, kCoarse * subject.L) < clearance_mm) return true;
  // The clearance changes by no more than the station does.
  return sampled_clearance(subject.of, q, kFine * subject.L) < clearance_mm + kFine * subject.L;
}

void hold(const Subject& subject, const Leaf& leaf, const Box& box, CellStatus status, Random& random,
          Tally& tally) {
  const double required = subject.of.required_mm;
  for (int n = 0; n < 4; ++n) {
    const State q = draw_from(subject.of, subject.chart, leaf, box, random);
    if (!allowed(subject.of, q)) continue;
    CAPTURE(n, subject.of.channel->name, q.insertion_mm, q.engaged.to_string(), required);
    if (status == CellStatus::free)
      REQUIRE(sampled_clearance(subject.of, q, kCoarse * subject.L) >= required - kRounding_mm);
    else
      REQUIRE(comes_below(subject, q, required));
    ++tally.states;
  }
}

Tally hold_cells(bool with_field, std::uint32_t seed) {
  Random random(seed);
  Tally tally;
  for (int k = 0; k < kDesigns; ++k) {
    const Subject subject(random);
    const LemmaChannel& channel = *subject.of.channel;
    CellBody body(
        {subject.of.design, with_field ? *channel.distance : *channel.exact, subject.of.required_mm},
        subject.chart);
    for (int i = 0; i < kCells; ++i) {
      const State about = random_lemma_state(subject.of, random, i % 2 == 0);
      const Leaf leaf = leaf_of(subject.chart, about);
      const Box box = random_lemma_box(subject.of, subject.chart, leaf, about, random);
      const CellLook look = body.check(leaf, AllowedBox::of(subject.of.design, subject.chart, leaf, box));
      tally.count(look);
      CAPTURE(k, i, look.slides);
      if (look.status != CellStatus::mixed) hold(subject, leaf, box, look.status, random, tally);
    }
  }
  return tally;
}

}  // namespace

TEST_CASE("lemmas 10, 11 and 14: what the wall makes of a cell holds for its allowed states") {
  const std::uint32_t seed = 621;
  INFO("seed " << seed);
  const Tally tally = hold_cells(true, seed);
  CAPTURE(tally.free, tally.free_by_sliding, tally.blocked, tally.blocked_by_sliding, tally.states);
  CHECK(tally.free > 800);
  CHECK(tally.free_by_sliding > 50);
  CHECK(tally.blocked > 800);
  CHECK(tally.blocked_by_sliding > 50);
  CHECK(tally.states > 5000);
}

TEST_CASE("lemma 15: what exact distances make of a cell holds for its allowed states") {
  const std::uint32_t seed = 622;
  INFO("seed " << seed);
  const Tally tally = hold_cells(false, seed);
  CAPTURE(tally.free, tally.blocked, tally.states);
  CHECK(tally.free > 500);
  CHECK(tally.blocked > 500);
  CHECK(tally.states > 3000);
}

TEST_CASE("lemmas 8 and 9: margins of stations, and of what is between them, over a set of states") {
  const std::uint32_t seed = 623;
  INFO("seed " << seed);
  Random random(seed);
  int free = 0;
  int blocked = 0;
  double closest = kInfinity;
  for (int k = 0; k < kDesigns; ++k) {
    const Subject subject(random);
    const Design& design = subject.of.design;
    const double spacing = subject.L * random.between(0.005, 0.05);
    const BodyCheck check(design, subject.of.channel->distance->field_pointer(), spacing);
    BodyPoints points = check.make_points();
    for (int i = 0; i < kCells; ++i) {
      const State centre = random_lemma_state(subject.of, random, i % 4 != 0);
      if (!allowed(subject.of, centre)) continue;
      const double dd = random.below(2) == 0 ? 0.0 : 0.1 * subject.L * std::exp2(-random.between(0.0, 12.0));
      const double du = random.below(2) == 0 ? 0.0 : 0.02 * std::exp2(-random.between(0.0, 12.0));
      const MotionBounds bounds =
          motion_bounds(design, range_about(centre, std::max(0.0, centre.insertion_mm - dd),
                                            centre.insertion_mm + dd, centre.u_free.norm() + du));
      const double wanted = subject.of.required_mm;
      const BodyCheck::Margins margins = check.evaluate(centre, bounds, dd, du, points, wanted);
      const double whole = check.whole_body(margins, points).value;
      REQUIRE(whole <= margins.least.value);
      for (int n = 0; n < 2; ++n) {
        State q = centre;
        const double sign = random.below(2) == 0 ? 1.0 : -1.0;
        q.insertion_mm += random.below(3) == 0 ? random.between(-dd, dd) : sign * dd;
        q.u_free +=
            random.below(3) == 0 ? random.in_disk(du) : Eigen::Vector2d(du * (1.0 - 1e-12), 0.0) * sign;
        if (!allowed(subject.of, q)) continue;
        CAPTURE(k, i, n, subject.of.channel->name, q.insertion_mm, dd, du, spacing, whole);
        if (whole > 0.0 || random.below(10) == 0) {
          const double sampled = sampled_clearance(subject.of, q, kCoarse * subject.L);
          REQUIRE(whole <= sampled + kRounding_mm);
          if (sampled < kInfinity && dd == 0.0 && du == 0.0) closest = std::min(closest, sampled - whole);
          ++free;
        }
        if (margins.blocked.value < wanted) {
          REQUIRE(comes_below(subject, q, wanted));
          ++blocked;
        }
      }
    }
  }
  CHECK(free > 1000);
  CHECK(blocked > 1000);
  CHECK(closest < 0.01);
}
