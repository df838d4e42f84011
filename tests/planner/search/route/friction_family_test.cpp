// SPDX-License-Identifier: GPL-3.0-or-later
// Friction locks: questions whose answers are known by closed forms or witnesses
// (tests/support/friction_family.h).
#include "tests/support/friction_family.h"

#include <catch2/catch.hpp>

#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;

namespace {

// A bound on the work, so that a search that gets worse fails and does not hang.
constexpr std::int64_t kMostWork = 4000000;

}  // namespace

TEST_CASE("Friction locks: what is known to be reached is, what is known not to be is proved") {
  for (const auto& question : withy_test::friction_family(true)) {
    CAPTURE(question.name, question.reason);
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(kMostWork);
    settings.relaxations = true;
    RouteSearch search(question.problem, settings);
    CHECK(search.run(question.problem.goal) ==
          (question.reached ? SearchOutcome::found : SearchOutcome::proved_none));
    if (question.witness) questions::check_allowed(search.judge(), *question.witness);
  }
}
