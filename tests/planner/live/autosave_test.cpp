// SPDX-License-Identifier: GPL-3.0-or-later
// What is not saved is kept whole and read back, however long the sequences are.
#include "planner/live/autosave.h"

#include <chrono>
#include <random>
#include <string>
#include <thread>

#include <catch2/catch.hpp>

#include "planner/effort/shares.h"
#include "planner/live/hand.h"
#include "tests/support/temporary_folder.h"

namespace {

using namespace withy;

/// As many steps as a hand takes and half of them again, as driving on to the target may add; every lock
/// engaged.
Route longest_route(int locks, std::mt19937& random) {
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  Route route;
  for (std::size_t k = 0; k < shares::kHandSteps + shares::kHandSteps / 2; ++k) {
    RouteStep step{-1, false, start_state()};
    step.to.insertion_mm = 50.0 + any(random);
    step.to.u_free = {any(random), any(random)};
    for (int lock = 0; lock < locks; ++lock) {
      step.to.engaged.set(static_cast<std::size_t>(lock));
      step.to.theta_frozen.emplace_back(any(random), any(random));
    }
    route.steps.push_back(std::move(step));
  }
  return route;
}

/// What stands beside the scene, once it is this text of a scene; waits for that, a minute at most.
bool comes_to_hold(const Autosave& autosave, const std::string& text) {
  for (int turn = 0; turn < 6000; ++turn) {
    const auto left = autosave.left();
    if (left && left->has_value() && (*left)->text == text) return true;
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  return false;
}

}  // namespace

TEST_CASE("a change is written though nobody asks for it and no other follows, and the last of many is") {
  const withy_test::TemporaryFolder folder;
  Autosave autosave(folder.path() / "scene.toml");
  for (const std::string text : {"a", "b"}) {
    autosave.keep(KeptWork{"0123", text, {}});
    CHECK(comes_to_hold(autosave, text));
  }
  for (int k = 0; k <= 100; ++k) autosave.keep(KeptWork{"0123", std::to_string(k), {}});
  CHECK(comes_to_hold(autosave, "100"));
}

TEST_CASE("the longest sequences of every lock count come back as they were") {
  const unsigned seed = 11;
  CAPTURE(seed);
  std::mt19937 random(seed);
  const withy_test::TemporaryFolder folder;
  const auto scene = folder.path() / "scene.toml";
  KeptWork work{"0123", "title = \"a scene\"\n", {}};
  for (int locks = 0; locks <= kMaxLocks; ++locks) work.driven[locks] = longest_route(locks, random);
  {
    Autosave autosave(scene);
    autosave.keep(work);
    autosave.flush();
  }
  const auto left = Autosave(scene).left();
  REQUIRE(left);
  REQUIRE(left->has_value());
  CHECK((*left)->scene_sha256 == work.scene_sha256);
  CHECK((*left)->text == work.text);
  REQUIRE((*left)->driven.size() == work.driven.size());
  for (const auto& [locks, route] : work.driven) {
    const Route& back = (*left)->driven.at(locks);
    REQUIRE(back.steps.size() == route.steps.size());
    bool same = true;
    for (std::size_t k = 0; k < route.steps.size(); ++k) same = same && back.steps[k].to == route.steps[k].to;
    CHECK(same);
  }
}
