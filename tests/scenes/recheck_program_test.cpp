// SPDX-License-Identifier: GPL-3.0-or-later
// `withy recheck`, end to end: plans and proofs as the program writes them, and what was tampered with.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

std::string scene(const char* name) {
  return (kScenes / name / "scene.toml").string();
}

ProgramRun withy_run(const TemporaryFolder& folder, std::vector<std::string> arguments) {
  arguments.emplace_back("--quiet");
  return run_program(WITHY_PROGRAM, arguments, folder.path());
}

/// The plan of a question that is reached, by its file.
nlohmann::json plan_of(const TemporaryFolder& folder, const char* name, const char* locks) {
  REQUIRE(withy_run(folder, {"plan", scene(name), "--locks", locks, "-o", "out"}).status == 0);
  return nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
}

}  // namespace

TEST_CASE("plans of shipped scenes hold, with both carriages") {
  const auto [name, locks] = GENERATE(std::pair("straight", "0"), std::pair("guide-narrow", "1"),
                                      std::pair("single-bend", "1"), std::pair("miniature", "2"));
  CAPTURE(name, locks);
  const TemporaryFolder folder;
  plan_of(folder, name, locks);
  const ProgramRun run = withy_run(folder, {"recheck", "out/plan.json", scene(name)});
  CAPTURE(run.out, run.err);
  CHECK(run.status == 0);
  CHECK(run.out.rfind("holds: ", 0) == 0);
}

TEST_CASE("a plan that was changed does not hold") {
  const TemporaryFolder folder;
  const nlohmann::json good = plan_of(folder, "single-bend", "1");
  const auto status_of = [&](const std::function<void(nlohmann::json&)>& change) {
    nlohmann::json bad = good;
    change(bad);
    write_text(folder.path() / "bad.json", bad.dump());
    const ProgramRun run = withy_run(folder, {"recheck", "bad.json", scene("single-bend")});
    CAPTURE(run.out, run.err);
    return run.status;
  };
  std::size_t bent = 0;  // a state with a lock engaged
  while (!good["states"][bent]["locked"][0].get<bool>()) ++bent;
  CHECK(status_of([](auto&) {}) == 0);
  CHECK(status_of([&](auto& p) { p["states"][bent]["insertion_mm"] = 1.0; }) == 5);
  CHECK(status_of([&](auto& p) { p["states"][bent]["regions"][0]["curvature_per_mm"][0] = 0.0123; }) == 5);
  CHECK(status_of([&](auto& p) { p["states"][bent]["regions"][1]["curvature_per_mm"][0] = 0.09; }) == 5);
  CHECK(status_of([](auto& p) { p["actions"].erase(1); }) == 5);
  CHECK(status_of([](auto& p) { p["actions"].erase(p["actions"].size() - 1); }) == 5);
  CHECK(status_of([](auto& p) { p["scene"]["sha256"] = "0"; }) == 5);
  CHECK(status_of([](auto& p) {
          for (auto& action : p["actions"])
            if (action.contains("field_mT"))
              for (auto& b : action["field_mT"]) b = 0.0;
        }) == 5);
  std::size_t locks = 0;  // an action that engages a lock, with a hunt
  while (good["actions"][locks]["kind"] != "lock") ++locks;
  REQUIRE(good["actions"][locks]["hunt"]["made"]);
  const auto status_of_lock = [&](const std::function<void(nlohmann::json&)>& change) {
    return status_of([&](auto& p) { change(p["actions"][locks]); });
  };
  const auto add = [](nlohmann::json& x, double by) { x = x.template get<double>() + by; };
  CHECK(status_of_lock([&](auto& a) { add(a["field_reserve"], 0.01); }) == 5);
  CHECK(status_of_lock([&](auto& a) { add(a["current_A"][0], 0.1); }) == 5);
  CHECK(status_of_lock([](auto& a) { a["current_A"].erase(0); }) == 5);
  CHECK(status_of_lock([](auto& a) { a["hunt"] = nullptr; }) == 5);
  CHECK(status_of_lock([](auto& a) { a["hunt"]["made"] = false; }) == 5);
  CHECK(status_of_lock([](auto& a) { a["hunt"]["turns"] = 3; }) == 5);
  CHECK(status_of_lock([](auto& a) { a["hunt"]["corners_per_turn"] = 4; }) == 5);
  CHECK(status_of_lock([&](auto& a) { add(a["hunt"]["radius_mm"], -0.05); }) == 5);
  CHECK(status_of([&](auto& p) { add(p["states"][bent]["pull_mm"][1], 1e-3); }) == 5);
  CHECK(status_of([&](auto& p) { add(p["states"][bent]["tension_N"][1], 1e-3); }) == 5);
  CHECK(status_of([&](auto& p) { add(p["states"][bent]["lock_moment_Nmm"][0], -1e-2); }) == 5);
  CHECK(status_of([&](auto& p) { add(p["states"][bent]["tip_mm"][0], 1e-3); }) == 5);
  CHECK(status_of([](auto& p) { p["summary"]["clearance_mm"] = 7.0; }) == 4);
  CHECK(status_of([](auto& p) { p.erase("states"); }) == 2);
  CHECK(status_of([](auto& p) { p["locks"] = 1.9; }) == 2);
  CHECK(status_of([](auto& p) { p["actions"][0]["from"] = 0.7; }) == 2);
  CHECK(status_of([](auto& p) { p["actions"][0]["to"] = -1; }) == 2);
}

TEST_CASE("a plan that says it begins elsewhere is not excused from the places to pass") {
  const TemporaryFolder folder;
  for (const char* name : {"scene.toml", "single-bend.stl"})
    write_text(folder.path() / name, read_text(kScenes / "single-bend" / name));
  std::string text = read_text(folder.path() / "scene.toml");
  text.insert(text.find("[target]"), "[[via]]\npoint_mm = [0.0, 0.0, 30.0]\ntolerance_mm = 3.0\n\n");
  write_text(folder.path() / "scene.toml", text);
  REQUIRE(withy_run(folder, {"plan", "scene.toml", "--locks", "1", "-o", "out"}).status == 0);
  REQUIRE(withy_run(folder, {"recheck", "out/plan.json", "scene.toml"}).status == 0);
  nlohmann::json plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  plan["from_elsewhere"] = true;
  write_text(folder.path() / "out/plan.json", plan.dump());
  const ProgramRun run = withy_run(folder, {"recheck", "out/plan.json", "scene.toml"});
  CAPTURE(run.out, run.err);
  CHECK(run.status == 5);
  CHECK(run.out.find("places to pass") != std::string::npos);
  CHECK(withy_run(folder, {"script", "out/plan.json", "-o", "again.csv"}).status == 5);
}

TEST_CASE("a proof is written, holds, packed or not, and not for another scene") {
  const TemporaryFolder folder;
  for (const char* file : {"no.proof", "no.proof.gz"}) {
    CAPTURE(file);
    REQUIRE(withy_run(folder, {"plan", scene("triple-bend"), "--locks", "1", "--proof", file}).status == 3);
    const ProgramRun run = withy_run(folder, {"recheck", file, scene("triple-bend")});
    CHECK(run.status == 0);
    CHECK(run.out.rfind("holds: no sequence of actions", 0) == 0);
    CHECK(run.out.find(", pointing within 8 degrees of (") != std::string::npos);
    CHECK(withy_run(folder, {"recheck", file, scene("single-bend")}).status == 5);
  }
  CHECK(withy_run(folder, {"recheck", "no.proof", scene("triple-bend"), "--budget", "600"}).status == 0);
  CHECK(withy_run(folder, {"recheck", "no.proof", scene("triple-bend"), "--budget", "0"}).status == 2);
  write_text(folder.path() / "cut.proof", read_text(folder.path() / "no.proof").substr(0, 100));
  CHECK(withy_run(folder, {"recheck", "cut.proof", scene("triple-bend")}).status == 2);
  CHECK(withy_run(folder, {"recheck", "nowhere.proof", scene("triple-bend")}).status == 2);
  CHECK(withy_run(folder, {"recheck", ".", scene("triple-bend")}).status == 2);
}

TEST_CASE("a proof for more clearance proves nothing of less") {
  const TemporaryFolder folder;
  const std::string straight = scene("straight");
  REQUIRE(withy_run(folder, {"plan", straight, "--locks", "0", "--clearance", "50", "--proof", "wide.proof",
                             "--recheck"})
              .status == 3);
  CHECK(withy_run(folder, {"recheck", "wide.proof", straight}).status == 5);
  CHECK(withy_run(folder, {"recheck", "wide.proof", straight, "--clearance", "49"}).status == 5);
  CHECK(withy_run(folder, {"recheck", "wide.proof", straight, "--clearance", "50"}).status == 0);
}

TEST_CASE("a plan keeps what recheck said of it") {
  const TemporaryFolder folder;
  REQUIRE(withy_run(folder, {"plan", scene("straight"), "--locks", "0", "--recheck", "-o", "out"}).status ==
          0);
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  CHECK(plan["rechecked"]["verdict"] == "holds");
  CHECK(plan["rechecked"]["sentence"].get<std::string>().rfind("holds: ", 0) == 0);
  const auto script = run_program(WITHY_PROGRAM, {"script", "out/plan.json", "-o", "out.csv"}, folder.path());
  CHECK(script.status == 0);
}

TEST_CASE("a plan is held to its scene's limits, whatever it says that it was held against") {
  const TemporaryFolder folder;
  REQUIRE(withy_run(folder, {"plan", scene("straight"), "--locks", "0", "-o", "out"}).status == 0);
  auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  plan["checked"] = nlohmann::json::array();
  plan["not_checked"] = {"clearance", "latch", "tendons", "field"};
  write_text(folder.path() / "modest.json", plan.dump());
  const ProgramRun modest = withy_run(folder, {"recheck", "modest.json", scene("straight")});
  CHECK(modest.status == 0);
  CHECK(modest.out.find("not checked") == std::string::npos);
  plan["summary"]["clearance_mm"] = 1000.0;
  write_text(folder.path() / "wide.json", plan.dump());
  CHECK(withy_run(folder, {"recheck", "wide.json", scene("straight")}).status == 4);
  plan["summary"]["clearance_mm"] = nullptr;
  for (auto& state : plan["states"])
    for (auto& tension : state["tension_N"]) tension = 0.0;
  write_text(folder.path() / "slack.json", plan.dump());
  CHECK(withy_run(folder, {"recheck", "slack.json", scene("straight")}).status == 5);
}

TEST_CASE("plan, compare and reach recheck at once") {
  const TemporaryFolder folder;
  const ProgramRun plan = withy_run(folder, {"plan", scene("triple-bend"), "--locks", "0", "--recheck"});
  CHECK(plan.status == 3);
  CHECK(plan.out.find("recheck holds: ") != std::string::npos);
  const ProgramRun compare =
      withy_run(folder, {"compare", scene("straight"), "--locks", "0", "1", "--recheck"});
  CHECK(compare.status == 0);
  CHECK(compare.out.find("recheck, 1 lock in the scene's layout: holds: ") != std::string::npos);
  write_text(folder.path() / "targets.csv", "x_mm,y_mm,z_mm\n5,0,90\n20,0,70\n");
  const ProgramRun reach = withy_run(folder, {"reach", scene("single-bend"), "--targets", "targets.csv",
                                              "--locks", "0", "--recheck", "--proof", "reach.proof"});
  CAPTURE(reach.out, reach.err);
  CHECK(reach.status == 0);
  CHECK(reach.out.find("recheck, 0 locks: holds: ") != std::string::npos);
  CHECK(withy_run(folder, {"recheck", "reach.proof", scene("single-bend")}).status == 0);
}
