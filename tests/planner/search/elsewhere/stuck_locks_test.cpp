// SPDX-License-Identifier: GPL-3.0-or-later
// A look for a way past a stuck lock that is ended early says that it was, and nothing that a longer look
// takes back.
#include "planner/search/elsewhere/stuck_locks.h"

#include <memory>
#include <optional>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "planner/plan/plan.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "tests/support/temporary_folder.h"

using namespace withy;

namespace {

/// An effort that ends when it is asked for the time after so many.
Effort ended_after(int times) {
  auto left = std::make_shared<int>(times);
  return Effort().until_stop([left] { return (*left)-- <= 0; });
}

struct Planned {
  Planned() {
    auto read = prepare_scene(WITHY_SOURCE_DIR "/scenes/miniature/scene.toml");
    REQUIRE(read);
    prepared.emplace(std::move(*read));
    auto made = make_problem(*prepared, 1);
    REQUIRE(made);
    problem.emplace(std::move(*made));
    SolveSettings settings;
    settings.prefer = Preference::quick;
    answer = solve(*problem, settings);
    REQUIRE(answer.plan);
  }
  std::optional<PreparedScene> prepared;
  std::optional<SearchProblem> problem;
  Answer answer;
};

}  // namespace

TEST_CASE("A look for ways past stuck locks that is cut short anywhere says no more than the whole one") {
  const Planned planned;
  const Plan& plan = *planned.answer.plan;
  const auto whole = find_ways_past_stuck_locks(*planned.problem, plan, Effort());
  REQUIRE_FALSE(whole.empty());
  int not_known = 0, cut_where_one_leads_out = 0;
  for (int times = 0; times < 4096; times = times < 8 ? times + 1 : 2 * times) {
    const auto cut = find_ways_past_stuck_locks(*planned.problem, plan, ended_after(times));
    REQUIRE(cut.size() == whole.size());
    for (std::size_t i = 0; i < cut.size(); ++i) {
      CAPTURE(times, i, cut[i].blocked_by, whole[i].blocked_by);
      if (cut[i].out) {
        CHECK(cut[i].looked_to_end);
        CHECK(cut[i].states.back().insertion_mm == 0.0);
      } else if (cut[i].looked_to_end) {
        CHECK_FALSE(whole[i].out);
        CHECK(cut[i].blocked_by == whole[i].blocked_by);
      } else {
        CHECK(cut[i].blocked_by.starts_with("not looked at to the end"));
        ++not_known;
        cut_where_one_leads_out += whole[i].out ? 1 : 0;
      }
    }
  }
  CHECK(not_known > 0);
  CHECK(cut_where_one_leads_out > 0);
}

TEST_CASE("A plan file says of a look that was cut short that its answer is not known, and is read back") {
  Planned planned;
  Plan& plan = *planned.answer.plan;
  plan.stuck_locks = find_ways_past_stuck_locks(*planned.problem, plan, ended_after(0));
  const std::string text = write_plan({planned.prepared->scene, planned.problem->design, planned.answer,
                                       "scene.toml", planned.problem->required_clearance_mm, std::nullopt});
  int not_known = 0;
  const nlohmann::json written = nlohmann::json::parse(text);
  for (const auto& stuck : written["stuck_locks"]) {
    if (stuck["looked_to_end"] == true) {
      CHECK(stuck["out"].is_boolean());
      continue;
    }
    ++not_known;
    CHECK(stuck["out"].is_null());
    CHECK(stuck["blocked_by"].get<std::string>().starts_with("not looked at to the end"));
  }
  CHECK(not_known > 0);
  const withy_test::TemporaryFolder folder;
  withy_test::write_text(folder.path() / "plan.json", text);
  const auto read = read_plan(folder.path() / "plan.json");
  INFO((read ? std::string() : read.error().message()));
  CHECK(read.has_value());
}
