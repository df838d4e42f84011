// SPDX-License-Identifier: GPL-3.0-or-later
// Which limit stands in the way, where plain geometry says so.
#include "planner/search/ask/reasons.h"

#include <catch2/catch.hpp>

#include "planner/search/ask/solve.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

std::optional<Relaxation> reason_for(const SearchProblem& asked) {
  const auto reason = find_reason(asked, Effort::of_work(20000000), {});
  return reason ? std::optional(reason->relaxed) : std::nullopt;
}

}  // namespace

TEST_CASE("One limit stands in the way, and that one is named") {
  SECTION("insertion: the target lies 20 mm past its end, half as much again is 50 mm") {
    const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
    CHECK(reason_for(question(segment({}), channel, {0.0, 0.0, 120.0})) == Relaxation::insertion);
  }
  SECTION("clearance: the lumen is wider than the body and narrower than the body and its clearance") {
    const Tube channel =
        tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 5.0}, {30.0, 5.0}, {35.0, 1.65}, {90.0, 1.65}}, 0.3);
    CHECK(channel.facets_inside_mm < 0.05);
    CHECK(reason_for(question(segment({}), channel, {0.0, 0.0, 50.0})) == Relaxation::clearance);
  }
  SECTION("thickness: the lumen is narrower than the body and wider than a wire") {
    const Tube channel =
        tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 5.0}, {30.0, 5.0}, {35.0, 1.2}, {90.0, 1.2}}, 0.3);
    CHECK(reason_for(question(segment({}), channel, {0.0, 0.0, 50.0})) == Relaxation::thickness);
  }
  SECTION("walls: the target lies past the closed end, where no wire gets to and no limit but the wall is") {
    const Tube channel = tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, 5.0}});
    CHECK(reason_for(question(segment({}), channel, {0.0, 0.0, 60.0})) == Relaxation::walls);
  }
}
