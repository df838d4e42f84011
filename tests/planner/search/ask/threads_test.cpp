// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of a question does not depend on how many threads work it out.
#include <algorithm>
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <tbb/global_control.h>
#include <tbb/task_arena.h>

#include "geometry/centreline/centreline.h"
#include "planner/effort/idle_threads.h"
#include "planner/search/ask/layout_remedies.h"
#include "planner/search/ask/plans_ahead.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/stand/standing.h"

using namespace withy;

namespace {

/// Calls `ask` with so many threads, whether there are as many cores or not.
template <class Ask>
auto on_threads(int threads, const Ask& ask) {
  const tbb::global_control as_many(tbb::global_control::max_allowed_parallelism,
                                    static_cast<std::size_t>(threads));
  return tbb::task_arena(threads).execute(ask);
}

PreparedScene prepared_scene(const std::string& name) {
  auto prepared = prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR) / ("scenes/" + name + "/scene.toml"));
  REQUIRE(prepared);
  return std::move(*prepared);
}

Answer answer_on(int threads, const PreparedScene& prepared, int locks) {
  const auto asked = make_problem(prepared, locks);
  REQUIRE(asked);
  SolveSettings settings;
  settings.remedies = true;
  settings.prefer = Preference::bench;
  settings.errors = usual_errors(prepared.scene);
  settings.with_locks = [&](int other) -> std::optional<SearchProblem> {
    auto problem = make_problem(prepared, other);
    return problem ? std::optional(std::move(*problem)) : std::nullopt;
  };
  settings.with_channel = in_larger_channel;
  settings.target_way = [&](const Eigen::Vector3d& point_E) {
    return way_to_target(compute_centreline(prepared.wall()), point_E);
  };
  return on_threads(threads, [&] { return solve(*asked, settings); });
}

void check_same(const Plan& a, const Plan& b) {
  REQUIRE(a.states.size() == b.states.size());
  for (std::size_t i = 0; i < a.states.size(); ++i) {
    CHECK(static_cast<const State&>(a.states[i]) == static_cast<const State&>(b.states[i]));
    CHECK(a.states[i].clearance_mm == b.states[i].clearance_mm);
  }
  REQUIRE(a.actions.size() == b.actions.size());
  for (std::size_t i = 0; i < a.actions.size(); ++i) {
    CHECK(a.actions[i].kind == b.actions[i].kind);
    CHECK(a.actions[i].lock == b.actions[i].lock);
    CHECK(a.actions[i].clearance_mm == b.actions[i].clearance_mm);
    CHECK(a.actions[i].field_reserve == b.actions[i].field_reserve);
  }
  CHECK(a.clearance_mm == b.clearance_mm);
  REQUIRE(a.standing.has_value() == b.standing.has_value());
  if (!a.standing) return;
  CHECK(a.standing->reserve == b.standing->reserve);
  CHECK(a.standing->limited_by == b.standing->limited_by);
  CHECK(a.standing->draws == b.standing->draws);
  CHECK(a.standing->fails.benches == b.standing->fails.benches);
  CHECK(a.standing->touches.benches == b.standing->touches.benches);
}

void check_same(const Answer& a, const Answer& b) {
  CHECK(a.verdict == b.verdict);
  CHECK(a.why == b.why);
  CHECK(a.remedies == b.remedies);
  REQUIRE(a.approach.has_value() == b.approach.has_value());
  if (a.approach) {
    CHECK(a.approach->distance_mm == b.approach->distance_mm);
    CHECK(static_cast<const State&>(a.approach->state) == static_cast<const State&>(b.approach->state));
    CHECK(a.approach->blocked_by == b.approach->blocked_by);
  }
  REQUIRE(a.depth.has_value() == b.depth.has_value());
  if (a.depth)
    CHECK(a.depth->sentence(Eigen::Vector3d::Zero()) == b.depth->sentence(Eigen::Vector3d::Zero()));
  REQUIRE(a.coverage.has_value() == b.coverage.has_value());
  if (a.coverage) {
    CHECK(a.coverage->cells_examined == b.coverage->cells_examined);
    CHECK(a.coverage->cells_excluded == b.coverage->cells_excluded);
    CHECK(a.coverage->cells_left == b.coverage->cells_left);
    CHECK(a.coverage->finest_cell_mm == b.coverage->finest_cell_mm);
  }
  REQUIRE(a.plan.has_value() == b.plan.has_value());
  if (a.plan) check_same(*a.plan, *b.plan);
}

}  // namespace

TEST_CASE("One thread says of a proof what two and four say: reason, remedies, depth and nearest state") {
  const PreparedScene prepared = prepared_scene("triple-bend");
  const Answer one = answer_on(1, prepared, 1);
  CHECK(one.verdict == Verdict::unreachable);
  REQUIRE_FALSE(one.remedies.empty());
  REQUIRE(one.approach);
  REQUIRE(one.depth);
  for (const int threads : {2, 4}) check_same(answer_on(threads, prepared, 1), one);
}

TEST_CASE("So it does of a proof with more locks and of one without") {
  const PreparedScene prepared = prepared_scene("fold-chamber");
  for (const int locks : {0, 2}) {
    const Answer one = answer_on(1, prepared, locks);
    CHECK(one.verdict == Verdict::unreachable);
    check_same(answer_on(2, prepared, locks), one);
  }
}

TEST_CASE("One thread finds the plan that two and four find, to the last digit, and says the same of it") {
  const PreparedScene narrow = prepared_scene("guide-narrow");
  const Answer by_one = answer_on(1, narrow, 0);
  CHECK(by_one.verdict == Verdict::reached);
  for (const int threads : {2, 4}) check_same(answer_on(threads, narrow, 0), by_one);
  const PreparedScene airway = prepared_scene("airway");
  const Answer one = answer_on(1, airway, 2);
  CHECK(one.verdict == Verdict::reached);
  REQUIRE(one.plan);
  REQUIRE(one.plan->standing);
  check_same(answer_on(2, airway, 2), one);
}

TEST_CASE("Questions asked ahead count the work of those that one thread asks") {
  const PreparedScene prepared = prepared_scene("triple-bend");
  const auto asked = make_problem(prepared, 1);
  REQUIRE(asked);
  const auto find = [&](int threads, std::int64_t most, std::int64_t& work) {
    return on_threads(threads, [&] { return find_layout_remedies(*asked, Effort::of_work(most), work); });
  };
  // Enough for all of them, and so little that it ends within one of them.
  for (const std::int64_t most : {std::int64_t{20000000}, std::int64_t{150000}}) {
    std::int64_t by_one = 0;
    const auto one = find(1, most, by_one);
    CHECK(by_one > 0);
    for (const int threads : {2, 4}) {
      std::int64_t work = 0;
      CHECK(find(threads, most, work) == one);
      CHECK(work == by_one);
    }
  }
}

TEST_CASE("The first yes of a list is the first in order, whatever is answered first") {
  for (const int threads : {1, 2, 4})
    for (std::size_t first = 0; first <= 20; ++first) {
      std::vector<std::atomic<int>> asked(20);
      const std::size_t found = on_threads(threads, [&] {
        return first_yes(asked.size(), [&](std::size_t i, const auto& ended) {
          ++asked[i];
          // Later ones are sooner done.
          for (volatile int wait = 0; wait < 1000 * static_cast<int>(20 - i) && !ended();) wait = wait + 1;
          return i >= first;
        });
      });
      CHECK(found == first);
      for (std::size_t i = 0; i < std::min(first + 1, asked.size()); ++i) CHECK(asked[i] == 1);
    }
}
