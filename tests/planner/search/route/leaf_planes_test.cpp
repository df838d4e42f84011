// SPDX-License-Identifier: GPL-3.0-or-later
// Planes of one insertion without legal states, against exact distances (CGAL) along the plain
// implementation's bodies of states drawn from them.
#include "planner/search/cells/leaf_planes.h"

#include <catch2/catch.hpp>

#include "tests/support/lemma_cases.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kDesigns = 250;
constexpr int kPlanes = 24;
constexpr int kDraws = 12;
/// Stations of the samples: coarse, and, where those have not found what must be there, fine.
constexpr double kCoarse = 1.0 / 120.0;
constexpr double kFine = 1.0 / 6000.0;

bool comes_below(const LemmaDesign& of, const State& q, double clearance_mm) {
  const double length = of.robot.scene.length_mm;
  if (sampled_clearance(of, q, kCoarse * length) < clearance_mm) return true;
  // The clearance changes by no more than the station does.
  return sampled_clearance(of, q, kFine * length) < clearance_mm + kFine * length;
}

std::vector<double> insertions(const Box& whole) {
  std::vector<double> places_mm;
  for (int i = 1; i <= kPlanes; ++i)
    places_mm.push_back(whole.low[0] + (whole.high[0] - whole.low[0]) * i / (kPlanes + 1));
  return places_mm;
}

}  // namespace

TEST_CASE("In a plane that parts a leaf no state keeps the clearance") {
  const std::uint32_t seed = 2811;
  INFO("seed " << seed);
  Random random(seed);
  int parting = 0, states = 0;
  for (int k = 0; k < kDesigns; ++k) {
    const LemmaDesign of = random_lemma_design(random);
    SearchProblem asked{of.design, of.channel->distance, {}, of.required_mm, {}};
    asked.heeded = {.clearance = true, .latch = false, .tendons = false, .field = false};
    const BendChart chart(of.design, false);
    CellProbe probe(asked, chart);
    const Leaf leaf = leaf_of(chart, random_lemma_state(of, random, true));
    const Box whole = whole_leaf(of.design, chart, leaf);
    const std::vector<double> places_mm = insertions(whole);
    LeafPlanes planes(leaf, whole, places_mm);
    int asks = 0;
    const bool done = planes.find(probe, [&] { return ++asks > 200; });
    CHECK(done == (asks <= 200));
    const std::vector<bool> parts = planes.parting();
    REQUIRE(parts.size() == places_mm.size());
    for (std::size_t i = 0; i < parts.size(); ++i) {
      if (!parts[i]) continue;
      ++parting;
      Box plane = whole;
      plane.low[0] = plane.high[0] = places_mm[i];
      for (int n = 0; n < kDraws; ++n) {
        const State q = draw_from(of, chart, leaf, plane, random);
        CAPTURE(k, i, n, of.channel->name, q.insertion_mm, q.engaged.to_string());
        if (!allowed(of, q)) continue;
        REQUIRE(comes_below(of, q, of.required_mm));
        ++states;
      }
    }
  }
  CAPTURE(parting, states);
  CHECK(parting > 100);
  CHECK(states > 300);
}

TEST_CASE("What a plane is found to hold does not depend on how often the search for it was stopped") {
  const std::uint32_t seed = 2812;
  INFO("seed " << seed);
  Random random(seed);
  int stops = 0, parting = 0;
  for (int k = 0; k < 60; ++k) {
    const LemmaDesign of = random_lemma_design(random);
    SearchProblem asked{of.design, of.channel->distance, {}, of.required_mm, {}};
    const BendChart chart(of.design, true);
    CellProbe probe(asked, chart);
    const Leaf leaf = leaf_of(chart, random_lemma_state(of, random, true));
    const Box whole = whole_leaf(of.design, chart, leaf);
    LeafPlanes at_once(leaf, whole, insertions(whole));
    int asks = 0;
    if (!at_once.find(probe, [&] { return ++asks > 150; })) continue;
    LeafPlanes bit_by_bit(leaf, whole, insertions(whole));
    int turn = 0;
    while (!bit_by_bit.find(probe, [&] { return ++turn % 3 == 0; })) ++stops;
    CHECK(bit_by_bit.parting() == at_once.parting());
    CHECK(bit_by_bit.looks() == at_once.looks());
    for (const bool parts : at_once.parting()) parting += parts;
  }
  CAPTURE(stops, parting);
  CHECK(stops > 60);
  CHECK(parting > 10);
}
