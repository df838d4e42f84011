// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 26: a field that is said never to switch a lock does so in no state that is drawn.
#include "planner/proof/relaxations/no_switch.h"

#include <cmath>
#include <numbers>
#include <random>

#include <catch2/catch.hpp>

using namespace withy;

namespace {

constexpr int kBoxes = 64;

Design segment(double field_mT, std::vector<double> stations, const std::vector<double>& clocks,
               CarriageKind carriage) {
  DesignParts parts;
  parts.segment = {60.0, 1.5, 2.0, 0.04, 900.0};
  parts.carriage = {carriage, 60.0};
  parts.lock = LockHardware{4.0, 1.8, 0.004, 0.0, 0.5 * std::numbers::pi, 0.01, 0.004, 1e6};
  parts.layout.station_mm = std::move(stations);
  parts.layout.clock_rad = clocks;
  parts.field = FieldHardware{};
  parts.field->strength_max_mT = field_mT;
  parts.field->coil_mT_per_A = {1.8, 1.8, 1.8};
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

}  // namespace

TEST_CASE("One lock never engages below the field that its torque takes, and does above it") {
  // Torque T over 90 degrees of a magnet m: T / (m cos 45 degrees) (scenes/MODEL.md, 17, by hand).
  const double needed_mT = 0.01 / (0.004 * std::cos(0.25 * std::numbers::pi));
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    const Design weak = segment(0.999 * needed_mT, {30.0}, {0.3}, carriage);
    const Design strong = segment(1.001 * needed_mT, {30.0}, {0.3}, carriage);
    CHECK(no_lock_ever_engages(Hardware(weak), kBoxes));
    CHECK_FALSE(no_lock_ever_engages(Hardware(strong), kBoxes));
  }
}

TEST_CASE("Where no lock is said to engage, no state drawn lets one") {
  const std::uint32_t seed = 2601;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  int never = 0;
  for (int i = 0; i < 60; ++i) {
    const Design design = segment(3.535 + 0.5 * uniform(random), {15.0 + 3.0 * uniform(random), 38.0},
                                  {std::numbers::pi * uniform(random), std::numbers::pi * uniform(random)},
                                  i % 2 == 0 ? CarriageKind::free : CarriageKind::guide);
    const Hardware hardware(design);
    if (!no_lock_ever_engages(hardware, kBoxes)) continue;
    ++never;
    for (int k = 0; k < 300; ++k) {
      State state = start_state();
      state.insertion_mm = 60.0 * std::abs(uniform(random));
      state.u_free = Eigen::Vector2d(uniform(random), uniform(random)) * 0.028;
      for (int lock = 0; lock < 2; ++lock) {
        CAPTURE(i, k, lock, state.u_free.transpose());
        REQUIRE_FALSE(hardware.may_switch(state, lock));
      }
    }
  }
  CHECK(never > 10);
}
