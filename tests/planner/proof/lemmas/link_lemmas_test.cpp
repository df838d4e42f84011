// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 16 and 17, of leaves and of the switches between them, against switches made by hand by the model's
// sections 3 and 4.
#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/links.h"
#include "tests/support/lemma_cases.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCases = 10000;
/// A switch's states make their way through sums of bends, each rounded.
constexpr double kRounding = 1e-12;

/// A lock switch: the same body with the lock open and shut.
struct Switch {
  State open;
  State shut;
  int lock;
  bool at_any_curvature;  ///< nothing flexible is out proximal of the lock in its region
};

/// The latchable bend nearest to `theta` after bends that sum to `before`; nothing where none is near.
std::optional<Eigen::Vector2d> latched_near(const BendChart& chart, const Eigen::Vector2d& before,
                                            const Eigen::Vector2d& theta) {
  const auto bases = chart.bases_near(before, theta, 0.5);
  if (bases.empty()) return std::nullopt;
  const auto off = [&](const Eigen::Vector2d& base) {
    return (base + chart.axes() * (chart.axes().transpose() * (theta - base)) - theta).norm();
  };
  const auto nearest = std::min_element(bases.begin(), bases.end(),
                                        [&](const auto& a, const auto& b) { return off(a) < off(b); });
  return *nearest + chart.axes() * (chart.axes().transpose() * (theta - *nearest));
}

/// Two allowed states that one lock parts, the bend up to it on a notch; nothing where the draw has none.
std::optional<Switch> random_switch(const LemmaDesign& of, const BendChart& chart, Random& random) {
  const auto& station = of.robot.layout.station_mm;
  if (station.empty()) return std::nullopt;
  Switch made{random_lemma_state(of, random), {}, random.below(of.robot.locks()), false};
  State& open = made.open;
  const auto lock = static_cast<std::size_t>(made.lock);
  if (open.engaged.test(lock)) return std::nullopt;
  // The region that holds the lock, by hand.
  std::size_t r = 0;
  double from = 0.0;
  for (std::size_t i = 0; i < lock; ++i)
    if (open.engaged.test(i)) {
      ++r;
      from = station[i];
    }
  const bool frozen = r < open.theta_frozen.size();
  double to = of.robot.scene.length_mm;
  for (std::size_t i = station.size(); i-- > lock + 1;)
    if (open.engaged.test(i)) to = station[i];
  const double f = withy_plain::flexible_length(of.robot, open.insertion_mm, from, station[lock]);
  const double whole = withy_plain::flexible_length(of.robot, open.insertion_mm, from, to);
  Eigen::Vector2d before = Eigen::Vector2d::Zero();
  for (std::size_t i = 0; i < r; ++i) {
    const auto latched = latched_near(chart, before, open.theta_frozen[i]);
    if (!latched) return std::nullopt;
    before += open.theta_frozen[i] = *latched;
  }
  Eigen::Vector2d theta = Eigen::Vector2d::Zero();  // up to the lock
  made.at_any_curvature = f <= 1e-9;
  if (!made.at_any_curvature) {
    if (frozen && whole <= 1e-9) return std::nullopt;
    const Eigen::Vector2d u = frozen ? Eigen::Vector2d(open.theta_frozen[r] / whole) : open.u_free;
    const auto latched = latched_near(chart, before, f * u);
    if (!latched) return std::nullopt;
    theta = *latched;
    if (frozen)
      open.theta_frozen[r] = theta / f * whole;
    else
      open.u_free = theta / f;
  }
  made.shut = open;
  made.shut.engaged.set(lock);
  made.shut.theta_frozen.insert(made.shut.theta_frozen.begin() + static_cast<std::ptrdiff_t>(r), theta);
  if (frozen) made.shut.theta_frozen[r + 1] = open.theta_frozen[r] - theta;
  if (!allowed(of, made.open) || !allowed(of, made.shut)) return std::nullopt;
  return made;
}

bool holds(const Box& box, const std::array<double, kMaxDimensions>& x) {
  for (int k = 0; k < box.dimensions; ++k)
    if (x[Box::idx(k)] < box.low[Box::idx(k)] - kRounding ||
        x[Box::idx(k)] > box.high[Box::idx(k)] + kRounding)
      return false;
  return true;
}

/// Does some link out of a box about `from` lead to `to`?
bool linked(const LemmaDesign& of, const BendChart& chart, const State& from, const State& to, int lock,
            Random& random) {
  const Leaf leaf = leaf_of(chart, from);
  const Box box = random_lemma_box(of, chart, leaf, from, random);
  if (!holds(box, coordinates_of(chart, from))) return true;  // past the ends of the leaf by rounding
  const LeafKey key = leaf_of(chart, to).key();
  bool found = false;
  for_each_link(of.design, chart, leaf, box, Effort(), [&](const SwitchLink& link) {
    found = link.lock == lock && link.engages == !from.engaged.test(static_cast<std::size_t>(lock)) &&
            link.other.key() == key && holds(link.here, coordinates_of(chart, from)) &&
            holds(link.there, coordinates_of(chart, to));
    return !found;
  });
  return found;
}

}  // namespace

TEST_CASE("lemma 17: every switch lies in the boxes of a link, on both sides, both ways") {
  const std::uint32_t seed = 631;
  INFO("seed " << seed);
  Random random(seed);
  int switches = 0;
  int in_frozen = 0;
  int at_any_curvature = 0;
  while (switches < kCases) {
    const LemmaDesign of = random_lemma_design(random);
    const BendChart chart(of.design, false);
    for (int n = 0; n < 20; ++n) {
      const auto made = random_switch(of, chart, random);
      if (!made) continue;
      const State& open = made->open;
      CAPTURE(switches, of.channel->name, of.robot.scene.guide, made->lock, open.insertion_mm,
              open.u_free.transpose(), open.engaged.to_string(), made->at_any_curvature);
      REQUIRE(linked(of, chart, open, made->shut, made->lock, random));
      REQUIRE(linked(of, chart, made->shut, open, made->lock, random));
      ++switches;
      at_any_curvature += made->at_any_curvature ? 1 : 0;
      in_frozen += (open.engaged >> static_cast<std::size_t>(made->lock)).any() ? 1 : 0;
    }
  }
  CHECK(in_frozen > 1000);
  CHECK(at_any_curvature > 500);
}

TEST_CASE("lemma 17: every switch lies in a link that releases its lock out of the whole leaf") {
  const std::uint32_t seed = 633;
  INFO("seed " << seed);
  Random random(seed);
  int switches = 0;
  while (switches < kCases) {
    const LemmaDesign of = random_lemma_design(random);
    const BendChart chart(of.design, false);
    for (int n = 0; n < 20; ++n) {
      const auto made = random_switch(of, chart, random);
      if (!made) continue;
      const Leaf leaf = leaf_of(chart, made->shut);
      const LeafKey key = leaf_of(chart, made->open).key();
      bool found = false;
      for_each_release(of.design, chart, leaf, whole_leaf(of.design, chart, leaf), made->lock,
                       [&](const SwitchLink& link) {
                         CHECK((link.lock == made->lock && !link.engages && link.other.key() == key));
                         found = holds(link.here, coordinates_of(chart, made->shut)) &&
                                 holds(link.there, coordinates_of(chart, made->open));
                         return !found;
                       });
      CAPTURE(switches, of.channel->name, of.robot.scene.guide, made->lock, made->open.insertion_mm);
      REQUIRE(found);
      ++switches;
    }
  }
}

TEST_CASE("lemma 16: rounding loses no leaf whose bend is at the curvature limit") {
  const std::uint32_t seed = 634;
  INFO("seed " << seed);
  Random random(seed);
  int states = 0;
  while (states < kCases) {
    const LemmaDesign of = random_lemma_design(random);
    const BendChart chart(of.design, false);
    const auto made = random_switch(of, chart, random);
    if (!made || made->shut.engaged.count() != 1) continue;
    const State& q = made->shut;
    double most = 0.0;
    for (const Region& region : regions_of(of.design, q)) most = std::max(most, region.u.norm());
    if (!(most > 1e-6)) continue;
    // The same design, allowed no more than this state asks for.
    DesignParts parts = of.design.parts();
    parts.segment.curvature_max_per_mm = most;
    const auto design = Design::make(std::move(parts));
    REQUIRE(design);
    const BendChart limited(*design, false);
    const Leaf leaf = leaf_of(limited, q);
    CAPTURE(states, of.channel->name, q.insertion_mm, q.engaged.to_string(), most);
    REQUIRE(leaf_possible(*design, limited, leaf));
    REQUIRE(holds(whole_leaf(*design, limited, leaf), coordinates_of(limited, q)));
    const LeafKey key = leaf.key();
    REQUIRE(
        !for_each_leaf(*design, limited, 1, Effort(), [&](const Leaf& other) { return other.key() != key; }));
    ++states;
  }
}

TEST_CASE("lemma 16: every allowed state lies in its leaf, and the leaf among those handed out") {
  const std::uint32_t seed = 632;
  INFO("seed " << seed);
  Random random(seed);
  int states = 0;
  int notched = 0;
  while (states < kCases) {
    const LemmaDesign of = random_lemma_design(random);
    const BendChart chart(of.design, false);
    for (int n = 0; n < 10; ++n) {
      const auto made = random_switch(of, chart, random);
      if (!made) continue;
      const State& q = made->shut;
      const Leaf leaf = leaf_of(chart, q);
      CAPTURE(states, of.channel->name, q.insertion_mm, q.engaged.to_string());
      REQUIRE(leaf_possible(of.design, chart, leaf));
      REQUIRE(holds(whole_leaf(of.design, chart, leaf), coordinates_of(chart, q)));
      ++states;
      // One bend on a notch: more are in order of thousands of leaves each.
      if (q.engaged.count() != 1) continue;
      const LeafKey key = leaf.key();
      const bool handed_out = !for_each_leaf(of.design, chart, 1, Effort(),
                                             [&](const Leaf& other) { return other.key() != key; });
      REQUIRE(handed_out);
      ++notched;
    }
  }
  CHECK(notched > 2000);
}
