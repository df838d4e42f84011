// SPDX-License-Identifier: GPL-3.0-or-later
// Lock switches that lead out of boxes of states, where the lock has no exposed flexible length proximal to
// it in its region: it then switches at any curvature (the model's rule for such locks).
#include "planner/proof/lemmas/links.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "tests/support/random_bodies.h"

using namespace withy;

namespace {

constexpr double kLength = 80.0;
constexpr double kBody = 10.0;

Design segment(CarriageKind carriage, std::vector<double> stations) {
  DesignParts parts;
  parts.segment = {kLength, 1.5, 0.0, 0.04, 900.0};
  parts.carriage = {carriage, 110.0};
  parts.lock = LockHardware{kBody, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
  parts.layout.clock_rad.assign(stations.size(), 0.0);
  parts.layout.station_mm = std::move(stations);
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

/// A small box about insertion d and free curvature (0.02, 0.01).
Box box_at(double d) {
  Box box;
  box.low = {d - 0.1, 0.0199, 0.0099};
  box.high = {d + 0.1, 0.0201, 0.0101};
  return box;
}

bool leads(const Design& design, const Leaf& leaf, const Box& box, int lock, bool engages) {
  const BendChart chart(design, false);
  std::vector<SwitchLink> links;
  links_of(design, chart, leaf, box, links);
  return std::any_of(links.begin(), links.end(), [&](const SwitchLink& link) {
    return link.lock == lock && link.engages == engages && link.here.low == box.low &&
           link.here.high == box.high;
  });
}

Leaf straight_leaf(const std::vector<int>& locks) {
  Leaf leaf;
  for (const int lock : locks) {
    leaf.engaged.set(static_cast<std::size_t>(lock));
    leaf.base.push_back(Eigen::Vector2d::Zero());
  }
  return leaf;
}

/// A notched latch, so that leaves have three coordinates.
Design notched(const Design& design) {
  DesignParts parts = design.parts();
  parts.latch = LatchHardware{0.3, 1.2, {0.25 * M_PI, 0.75 * M_PI, 1.25 * M_PI, 1.75 * M_PI}, 0.02, 0.02};
  auto made = Design::make(std::move(parts));
  REQUIRE(made);
  return *made;
}

using testing::Random;

/// Up to three locks of 0.5 to 25 mm, touching as often as not; notches or none.
Design random_design(Random& random) {
  DesignParts parts;
  parts.segment = {kLength, 1.5, 0.0, 0.04, 900.0};
  parts.carriage = {random.below(4) == 0 ? CarriageKind::free : CarriageKind::guide, 110.0};
  const int count = 1 + random.below(3);
  const double body = random.between(0.5, 25.0 / std::max(1, count - 1));
  parts.lock = LockHardware{body, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
  double from = 0.0;
  for (int i = 0; i < count; ++i) {
    const double room = (kLength - from - (count - i) * body) / (count - i);
    const double gap = random.below(2) == 0 ? 0.0 : random.between(0.0, room);
    parts.layout.station_mm.push_back(from + gap + 0.5 * body);
    parts.layout.clock_rad.push_back(0.0);
    from += gap + body;
  }
  const double pitch = random.below(3) == 0 ? 0.0 : random.between(0.02, 0.4);
  parts.latch = LatchHardware{pitch, 1.2, {0.25 * M_PI, 0.75 * M_PI, 1.25 * M_PI, 1.75 * M_PI}, 0.0, 0.02};
  auto made = Design::make(std::move(parts));
  REQUIRE(made);
  return *made;
}

/// A bend that the latch holds after bends that sum to `before`, of a curvature within the limit.
std::optional<Eigen::Vector2d> latched(const Design& design, const Eigen::Vector2d& before, double length,
                                       Random& random) {
  if (length <= kNoLength_mm) return Eigen::Vector2d(Eigen::Vector2d::Zero());
  const double most = length * design.segment().curvature_max_per_mm;
  const Eigen::Vector2d wish = random.in_disk(most);
  if (design.latch()->notch_pitch_mm == 0.0) return wish;
  // Backbones at right angles: a square lattice of notches.
  const double step = design.latch()->notch_pitch_mm / design.latch()->backbone_radius_mm;
  Eigen::Matrix2d R;
  R << std::cos(0.25 * M_PI), -std::sin(0.25 * M_PI), std::sin(0.25 * M_PI), std::cos(0.25 * M_PI);
  const Eigen::Vector2d notches = (R.transpose() * (before + wish) / step).array().round();
  const Eigen::Vector2d bend = R * notches * step - before;
  if (bend.norm() > most) return std::nullopt;
  return bend;
}

/// A state with some locks engaged, and one more that is about to be: the model's section 3, by hand.
struct Switch {
  State released;
  State engaged;
  int lock = -1;
};

/// Of the last lock that is engaged. Its bend is on a notch, and the free region's curvature the same; any
/// where nothing flexible is out between it and what is before it.
std::optional<Switch> random_switch(const Design& design, Random& random) {
  Switch made;
  State& state = made.released;
  // Often where a lock's body is half out.
  const int near = random.below(design.lock_count());
  const double half = 0.5 * design.lock().body_length_mm;
  state.insertion_mm = random.below(2) == 0 ? random.between(0.0, 110.0)
                                            : kLength - design.station_mm(near) + random.between(-half, half);
  double from = 0.0;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  made.lock = random.below(design.lock_count());
  const auto out = [&](int lock) {
    return exposed_flexible_length(design, state.insertion_mm, from, design.station_mm(lock));
  };
  for (int lock = 0; lock < made.lock; ++lock) {
    if (random.below(2) == 0) continue;
    const auto bend = latched(design, sum, out(lock), random);
    if (!bend) return std::nullopt;
    state.engaged.set(static_cast<std::size_t>(lock));
    state.theta_frozen.push_back(*bend);
    sum += *bend;
    from = design.station_mm(lock);
  }
  const double length = out(made.lock);
  const auto bend = latched(design, sum, length, random);
  if (!bend) return std::nullopt;
  state.u_free = length > kNoLength_mm ? Eigen::Vector2d(*bend / length)
                                       : random.in_disk(design.segment().curvature_max_per_mm);
  if (!within_limits(design, state)) return std::nullopt;
  made.engaged = state;
  made.engaged.engaged.set(static_cast<std::size_t>(made.lock));
  made.engaged.theta_frozen.push_back(*bend);
  return made;
}

/// A box with these coordinates in it, as often as not on its rim.
Box box_about(const std::array<double, kMaxDimensions>& x, int dimensions, Random& random) {
  Box box;
  box.dimensions = dimensions;
  for (int k = 0; k < dimensions; ++k) {
    const double width = (k == 0 ? 10.0 : k < 3 ? 0.02 : 0.3) * std::pow(10.0, random.between(-4.0, 0.0));
    const double part = random.below(3) == 0 ? 0.0 : random.below(2) == 0 ? 1.0 : random.between(0.0, 1.0);
    box.low[Box::idx(k)] = x[Box::idx(k)] - part * width;
    box.high[Box::idx(k)] = x[Box::idx(k)] + (1.0 - part) * width;
  }
  return box;
}

bool holds(const Box& box, const std::array<double, kMaxDimensions>& x) {
  constexpr double kRounding = 1e-9;
  for (int k = 0; k < box.dimensions; ++k)
    if (x[Box::idx(k)] < box.low[Box::idx(k)] - kRounding ||
        x[Box::idx(k)] > box.high[Box::idx(k)] + kRounding)
      return false;
  return true;
}

/// Does some link lead from a box about one state to the other?
bool linked(const Design& design, const State& from, const State& to, int lock, Random& random) {
  const BendChart chart(design, true);
  const Leaf leaf = leaf_of(chart, from);
  const auto x = coordinates_of(chart, from);
  const auto y = coordinates_of(chart, to);
  const Box box = box_about(x, 3 + chart.coordinates() * leaf.engaged_count(), random);
  std::vector<SwitchLink> links;
  links_of(design, chart, leaf, box, links);
  return std::any_of(links.begin(), links.end(), [&](const SwitchLink& link) {
    return link.lock == lock && link.other.key() == leaf_of(chart, to).key() && holds(link.here, x) &&
           holds(link.there, y);
  });
}

}  // namespace

TEST_CASE("no switch that the model allows is missing from the links of a box about it") {
  const std::uint32_t seed = 271;
  INFO("seed " << seed);
  Random random(seed);
  int switches = 0, half_out = 0, hidden = 0;
  for (int i = 0; i < 6000; ++i) {
    const Design design = random_design(random);
    const auto made = random_switch(design, random);
    if (!made) continue;
    ++switches;
    const double past = made->released.insertion_mm - (kLength - design.station_mm(made->lock));
    half_out += design.carriage().kind == CarriageKind::guide && past > 0.0 &&
                past < 0.5 * design.lock().body_length_mm;
    hidden += !made->released.u_free.isZero() && made->engaged.theta_frozen.back().isZero();
    CAPTURE(i, made->lock, made->released.insertion_mm, made->released.u_free.transpose(),
            design.lock_count(), design.station_mm(made->lock), design.lock().body_length_mm);
    CHECK(linked(design, made->released, made->engaged, made->lock, random));
    CHECK(linked(design, made->engaged, made->released, made->lock, random));
  }
  CHECK(switches > 2000);
  CHECK(half_out > 200);
  CHECK(hidden > 400);
}

TEST_CASE("a lock switches at any curvature until the proximal end of its body leaves the guide") {
  const Design design = notched(segment(CarriageKind::guide, {40.0}));
  // Station 40, body from 35: nothing flexible proximal of it is out up to an insertion of 80 - 35 = 45.
  for (const double d : {20.0, 39.0, 40.5, 42.0, 44.8}) {
    CAPTURE(d);
    CHECK(leads(design, straight_leaf({}), box_at(d), 0, true));
    CHECK(leads(design, straight_leaf({0}), box_at(d), 0, false));
  }
  for (const double d : {45.2, 50.0, 70.0}) {
    CAPTURE(d);
    CHECK_FALSE(leads(design, straight_leaf({0}), box_at(d), 0, false));
  }
}

TEST_CASE("a lock whose body touches that of an engaged one before it switches at any curvature") {
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design design = notched(segment(carriage, {40.0, 50.0}));
    CHECK(leads(design, straight_leaf({0}), box_at(75.0), 1, true));
    CHECK(leads(design, straight_leaf({0, 1}), box_at(75.0), 1, false));
  }
}
