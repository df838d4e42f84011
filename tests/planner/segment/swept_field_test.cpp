// SPDX-License-Identifier: GPL-3.0-or-later
// Given currents over boxes and ways: what is said to serve them all is held against the plain implementation
// at states drawn from them.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/segment/hardware_bounds.h"
#include "tests/support/field_benches.h"

namespace {

using namespace withy;
using namespace withy_test;

/// The switch of a lock with currents that some pose near `state` asks for, more or less strongly.
struct Drive {
  int lock = 0;
  Currents current_A;
};

std::optional<Drive> random_drive(RandomStates& random, const Design& design, const State& state, int trial) {
  Drive drive;
  drive.lock = trial / 8 % 2;
  const auto choice = choose_field(design, state, drive.lock);
  if (!choice) return std::nullopt;
  drive.current_A = choice->currents.current_A * random.between(0.8, 1.2);
  return drive;
}

/// Reserve of 1 and the field limit, by the plain implementation; `by`: what either may be missed by.
bool serves(const Design& design, const State& state, const LockSet& engaged, const Drive& drive, double by) {
  const auto robot = plain_robot(design);
  auto plain = plain_state(design, state);
  // The magnets lie as `engaged` says, the body as the state does.
  for (int i = 0; i < design.lock_count(); ++i)
    plain.locked[static_cast<std::size_t>(i)] = engaged.test(static_cast<std::size_t>(i));
  const Eigen::VectorXd I = drive.current_A;
  return withy_plain::reserve(robot, plain, drive.lock, I, 60) >= 1 - by &&
         withy_plain::strongest(robot, plain, I) <= design.field()->strength_max_mT * (1 + by);
}

StateBox box_of(const State& from, const State& to) {
  StateBox box = StateBox::around(from);
  box.u_lo = from.u_free.cwiseMin(to.u_free);
  box.u_hi = from.u_free.cwiseMax(to.u_free);
  return box;
}

}  // namespace

TEST_CASE("currents said to serve a box serve every state drawn from it") {
  RandomStates random(67);
  INFO("seed 67");
  static const std::vector<Design> all = benches();
  int said = 0;
  int wide = 0;
  for (int trial = 0; trial < 3000; ++trial) {
    const Design& design = all[static_cast<std::size_t>(trial) % all.size()];
    const State about = random.state(design);
    const auto drive =
        keeps_curvature(design, about) ? random_drive(random, design, about, trial) : std::nullopt;
    if (!drive) continue;
    const double size = std::pow(10.0, random.between(-2, 0.5));
    const StateBox box = random.box(about, size);
    if (!currents_serve_box(design, box, about.engaged, drive->lock, drive->current_A)) continue;
    ++said;
    wide += size > 0.3;
    for (int i = 0; i < 4; ++i) {
      const State q = random.in(box, about);
      if (keeps_curvature(design, q) && !serves(design, q, about.engaged, *drive, 1e-6))
        FAIL_CHECK("trial " << trial << ", sample " << i);
    }
  }
  CAPTURE(said, wide);
  CHECK(said > 400);
  CHECK(wide > 50);
}

TEST_CASE("over a way currents are said to serve where every state drawn from it has a thousandth to spare") {
  RandomStates random(68);
  INFO("seed 68");
  static const std::vector<Design> all = benches();
  int served = 0;
  int not_served = 0;
  for (int trial = 0; trial < 1500; ++trial) {
    const Design& design = all[static_cast<std::size_t>(trial) % all.size()];
    const State from = random.state(design);
    State to = from;
    to.u_free += random.vector(0.004);
    const auto drive = keeps_curvature(design, from) && keeps_curvature(design, to)
                           ? random_drive(random, design, from, trial)
                           : std::nullopt;
    if (!drive) continue;
    const bool said = currents_serve_way(design, from, to, from.engaged, drive->lock, drive->current_A);
    bool all_serve = true;
    bool all_spare = true;
    for (int k = 0; k <= 12; ++k) {
      State q = from;
      q.u_free += k / 12.0 * (to.u_free - from.u_free);
      all_serve = all_serve && serves(design, q, from.engaged, *drive, 1e-6);
      all_spare = all_spare && serves(design, q, from.engaged, *drive, -2e-3);
    }
    if (said && !all_serve) FAIL_CHECK("trial " << trial << ": does not serve");
    if (!said && all_spare) FAIL_CHECK("trial " << trial << ": serves and is not said to");
    ++(said ? served : not_served);
  }
  CAPTURE(served, not_served);
  CHECK(served > 150);
  CHECK(not_served > 150);
}

TEST_CASE("a latch that may have dropped in is still driven: the body frozen, its magnet at the old stop") {
  const Design design = design_of(parts_with({33, 67}, {0, 330}));
  State before;
  before.insertion_mm = 40.0;
  before.u_free = {0.005, 0.002};
  const auto choice = choose_field(design, before, 0);
  REQUIRE(choice);
  State latched = before;
  latched.engaged.set(0);
  latched.theta_frozen.push_back(design.flexible_length(0.0, 33.0) * before.u_free);
  State aside = latched;
  aside.u_free += Eigen::Vector2d(0.001, 0.0);
  const Currents& I = choice->currents.current_A;
  CHECK(currents_serve_box(design, box_of(latched, aside), before.engaged, 0, I));
  // With its magnet at the new stop the field would have to turn it back.
  CHECK_FALSE(currents_serve_box(design, box_of(latched, aside), latched.engaged, 0, I));
}
