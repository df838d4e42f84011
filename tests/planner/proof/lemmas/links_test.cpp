// SPDX-License-Identifier: GPL-3.0-or-later
// Lock switches that lead out of boxes of states, where the lock has no exposed flexible length proximal to
// it in its region: it then switches at any curvature (the model's rule for such locks).
#include "planner/proof/lemmas/links.h"

#include <algorithm>

#include <catch2/catch.hpp>

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

}  // namespace

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
