// SPDX-License-Identifier: GPL-3.0-or-later
// Every loop of a question asks the effort: hard questions end with their work, and soon after they are told
// to stop.
//
// Bounds are in work and in questions asked, never in time. They are generous: a loop that does not ask does
// not end.
#include <atomic>
#include <cmath>
#include <limits>
#include <string>

#include <catch2/catch.hpp>

#include "planner/search/ask/solve.h"
#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

Design with(const Design& design, const std::function<void(DesignParts&)>& change) {
  DesignParts parts = design.parts();
  change(parts);
  auto changed = Design::make(std::move(parts));
  REQUIRE(changed);
  return *changed;
}

Design with_fine_notches(double pitch_mm) {
  return with(segment({CarriageKind::free, {30.0}, 0.5}), [&](DesignParts& parts) {
    parts.latch->notch_pitch_mm = pitch_mm;
    parts.latch->engage_window_mm = 0.1 * pitch_mm;
  });
}

Tube bent_tube() {
  return tube({{20.0, Eigen::Vector2d::Zero()}, {40.0, {0.02, 0.0}}, {30.0, {0.0, 0.02}}}, {{0.0, 2.5}});
}

}  // namespace

TEST_CASE("A search through notches of a thousandth of a millimetre and finer ends with its work") {
  const Tube channel = bent_tube();
  for (const double pitch : {1e-3, 1e-5}) {
    CAPTURE(pitch);
    const SearchProblem asked = question(with_fine_notches(pitch), channel, {25.0, 10.0, 60.0});
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(50000);
    RouteSearch search(asked, settings);
    CHECK(search.run(asked.goal) != SearchOutcome::proved_none);
    CHECK(search.work() < 2 * 50000 + 2 * shares::kDirectWork);
  }
}

TEST_CASE(
    "Every loop stops soon after it is told to, and says nothing that it would not say with more time") {
  const Tube channel = bent_tube();
  const Design coarse = segment({CarriageKind::guide, {20.0, 40.0}, 0.5});
  const Design friction = segment({CarriageKind::free, {30.0}, 0.0});
  for (const Design& design : {coarse, friction, with_fine_notches(1e-3), with_fine_notches(1e-5)}) {
    const SearchProblem question_asked = question(design, channel, {25.0, 10.0, 60.0});
    SolveSettings settings;
    settings.effort = Effort::of_work(300000);
    const Verdict whole = solve(question_asked, settings).verdict;
    for (const int after : {0, 10, 1000}) {
      CAPTURE(after, design.lock_count(), design.latch()->notch_pitch_mm);
      std::atomic<int> asked = 0;  // more than one thread asks
      settings.effort = Effort::of_work(300000).until_stop([&] { return ++asked > after; });
      const Verdict verdict = solve(question_asked, settings).verdict;
      CHECK((verdict == Verdict::undecided || verdict == whole));
      CHECK(asked < after + 500);
    }
  }
}

TEST_CASE("A plan at hand is given out when the look for a better one is cut short, and that is said") {
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  bool enough = false;
  SolveSettings settings;
  settings.effort = Effort().until_stop([&] { return enough; });
  settings.progress = [&](const std::string& what) { enough = what == "looking for a better route"; };
  const Answer answer = solve(asked, settings);
  CHECK(answer.verdict == Verdict::reached);
  CHECK(answer.plan.has_value());
  CHECK(answer.why.find("cut short") != std::string::npos);
}

TEST_CASE("A proof stands when the look for a reason is cut short, and no reason is denied") {
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, kRadius}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  bool enough = false;
  SolveSettings settings;
  settings.effort = Effort::of_work(4000000).until_stop([&] { return enough; });
  settings.progress = [&](const std::string& what) { enough = what == "looking for the reason"; };
  const Answer answer = solve(asked, settings);
  CHECK(answer.verdict == Verdict::unreachable);
  CHECK(answer.why.find("cut short") != std::string::npos);
  CHECK(answer.why.find("no single limit") == std::string::npos);
}

TEST_CASE("A clearance that is no number is never kept, and the search for it ends") {
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}});
  SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  asked.required_clearance_mm = std::nan("");
  State deep = start_state();
  deep.insertion_mm = 30.0;
  const MotionVerifier verifier(asked.design, *asked.distance);
  CHECK_FALSE(verifier.clears(start_state(), deep, asked.required_clearance_mm));
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(100000);
  CHECK(RouteSearch(asked, settings).run(asked.goal) != SearchOutcome::found);
}

TEST_CASE("A carriage far longer than the channel costs no more than one that is as long") {
  // Without an end to the shaft's samples this lays out 1e8 of them for each search.
  const Tube channel = tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}});
  const Design design = with(segment({}), [](DesignParts& parts) { parts.carriage.insertion_max_mm = 1e7; });
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(2000000);
  const SearchProblem asked = question(design, channel, {0.0, 0.0, 40.0});
  CHECK(RouteSearch(asked, settings).run(asked.goal) == SearchOutcome::found);
}
