// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of a question does not depend on how many threads work it out.
#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <tbb/task_arena.h>

#include "geometry/centreline/centreline.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"

using namespace withy;

namespace {

Answer answer_on(int threads, const PreparedScene& prepared, int locks) {
  const auto asked = make_problem(prepared, locks);
  REQUIRE(asked);
  SolveSettings settings;
  settings.remedies = true;
  settings.with_locks = [&](int other) -> std::optional<SearchProblem> {
    auto problem = make_problem(prepared, other);
    return problem ? std::optional(std::move(*problem)) : std::nullopt;
  };
  settings.with_channel = in_larger_channel;
  settings.target_way = [&](const Eigen::Vector3d& point_E) {
    return way_to_target(compute_centreline(prepared.wall()), point_E);
  };
  return tbb::task_arena(threads).execute([&] { return solve(*asked, settings); });
}

}  // namespace

TEST_CASE("One thread says of a proof what four say: reason, remedies, depth and nearest state") {
  const auto prepared =
      prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/triple-bend/scene.toml");
  REQUIRE(prepared);
  const Answer one = answer_on(1, *prepared, 1);
  const Answer four = answer_on(4, *prepared, 1);
  CHECK(one.verdict == Verdict::unreachable);
  CHECK(four.verdict == one.verdict);
  CHECK(four.why == one.why);
  REQUIRE_FALSE(one.remedies.empty());
  CHECK(four.remedies == one.remedies);
  REQUIRE(one.approach);
  REQUIRE(four.approach);
  CHECK(four.approach->distance_mm == one.approach->distance_mm);
  CHECK(four.approach->state == one.approach->state);
  CHECK(four.approach->blocked_by == one.approach->blocked_by);
  REQUIRE(one.depth);
  REQUIRE(four.depth);
  CHECK(four.depth->sentence(Eigen::Vector3d::Zero()) == one.depth->sentence(Eigen::Vector3d::Zero()));
  REQUIRE(one.coverage);
  REQUIRE(four.coverage);
  CHECK(four.coverage->cells_examined == one.coverage->cells_examined);
}
