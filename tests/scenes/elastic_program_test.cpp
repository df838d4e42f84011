// SPDX-License-Identifier: GPL-3.0-or-later
// `withy elastic`, and scripts and replays with the elastic body, as a user meets them.
#include <regex>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

using namespace withy_test;
using Catch::Matchers::Contains;
using Catch::Matchers::StartsWith;

const std::string kScenes = std::string(WITHY_SOURCE_DIR) + "/scenes/";

}  // namespace

TEST_CASE("ignoring elasticity touches the wall, heeding it does not") {
  // guide-narrow is the scene for that: see its README.
  const std::string scene = kScenes + "guide-narrow/scene.toml";
  TemporaryFolder folder;
  const ProgramRun planned = run_program(
      WITHY_PROGRAM, {"plan", scene, "-q", "-o", "out", "--budget", "3000", "--prefer", "clearance"},
      folder.path());
  REQUIRE(planned.status == 0);
  CHECK_THAT(planned.out, Contains("; the elastic body, with compensated pulls, comes within"));
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  CHECK(plan["elastic"]["holds"].get<bool>());
  CHECK(plan["elastic"]["ideal_pulls"]["clearance_mm"].get<double>() < 0.0);
  const ProgramRun run =
      run_program(WITHY_PROGRAM, {"elastic", "out/plan.json", scene, "-q", "-o", "out"}, folder.path());
  REQUIRE(run.status == 0);
  CHECK(run.err.empty());
  CHECK_THAT(run.out, StartsWith("With the ideal pulls the elastic body"));
  CHECK_THAT(run.out, Contains("matters most: "));
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/elastic.json"));
  CHECK(json["format"] == "withy-elastic");
  CHECK(json["ideal_pulls"]["clearance_mm"].get<double>() < 0.0);
  CHECK_FALSE(json["holds"]["ideal_pulls"].get<bool>());
  CHECK(json["compensated_pulls"]["clearance_mm"].get<double>() >
        json["clearance"]["required_mm"].get<double>());
  CHECK(json["holds"]["compensated_pulls"].get<bool>());
  CHECK(json["look"]["halving_error_mm"].get<double>() < 0.01);
  // Tendons, friction and weight: without locks no backbone is held, and the segment is not said to give
  // along.
  CHECK(json["effects"].size() == 3);
}

TEST_CASE("a route that the elastic body does not keep is aimed anew, and kept in a closer look too") {
  const std::string scene = kScenes + "fold-chamber/scene.toml";
  TemporaryFolder folder;
  const ProgramRun planned = run_program(
      WITHY_PROGRAM, {"plan", scene, "--locks", "1", "-q", "-o", "out", "--budget", "3000"}, folder.path());
  REQUIRE(planned.status == 0);
  CHECK_THAT(planned.out, Contains("the scripts carry compensated pulls\n"));
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  CHECK(plan["elastic"]["holds"].get<bool>());
  CHECK(plan["elastic"]["plans"].get<int>() > 1);
  const ProgramRun run =
      run_program(WITHY_PROGRAM, {"elastic", "out/plan.json", scene, "-q", "-o", "out"}, folder.path());
  REQUIRE(run.status == 0);
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/elastic.json"));
  CHECK(json["holds"]["compensated_pulls"].get<bool>());
}

TEST_CASE("scripts bring the elastic body where it was meant to be, the ideal pulls do not") {
  const std::string scene = kScenes + "single-bend/scene.toml";
  TemporaryFolder folder;
  const ProgramRun planned = run_program(
      WITHY_PROGRAM, {"plan", scene, "--locks", "1", "-q", "-o", "out", "--budget", "3000"}, folder.path());
  REQUIRE(planned.status == 0);
  const auto replayed = [&](const std::string& script, bool elastic) {
    std::vector<std::string> arguments = {"replay", script, scene, "-q"};
    if (elastic) arguments.emplace_back("--elastic");
    return run_program(WITHY_PROGRAM, arguments, folder.path());
  };
  CHECK_THAT(planned.out, Contains("the scripts carry compensated pulls\n"));
  CHECK_THAT(planned.out, Contains("elastic slide off the notches of lock 1 (action "));
  for (const char* script : {"out/script.csv", "out/script.ngc"}) {
    const ProgramRun held = replayed(script, false);
    CHECK(held.status == 0);
    CHECK_THAT(held.out, StartsWith("The script brings the elastic body's tip within"));
    CHECK_THAT(held.out, Contains(" compensated\n"));
  }
  CHECK(run_program(WITHY_PROGRAM, {"script", "out/plan.json"}, folder.path()).out ==
        read_text(folder.path() / "out/script.csv"));
  REQUIRE(run_program(WITHY_PROGRAM, {"script", "out/plan.json", "--ideal-pulls", "-o", "ideal.csv"},
                      folder.path())
              .status == 0);
  CHECK(replayed("ideal.csv", false).status == 0);
  CHECK_THAT(replayed("ideal.csv", false).out, StartsWith("The script brings the tip within"));
  CHECK(replayed("ideal.csv", true).status == 5);

  // Without its currents no lock switches: a compensated script is held against that too.
  std::string dead = read_text(folder.path() / "out/script.csv");
  const std::regex lock_row("(\\r\\n[0-9]+,lock,[^,]*(,-?[0-9.]+){4})((,-?[0-9.]+){6})");
  dead = std::regex_replace(dead, lock_row, "$1,0,0,0,0,0,0");
  withy_test::write_text(folder.path() / "dead.csv", dead);
  const ProgramRun refused = replayed("dead.csv", false);
  CHECK(refused.status == 5);
  CHECK_THAT(refused.err + refused.out, Contains("the field turns lock"));

  // A way in alone is none back out, a start elsewhere none from the start, and the axes are the scene's.
  const std::string whole = read_text(folder.path() / "out/script.csv");
  const auto says = [&](const std::string& name, const std::string& text, const std::string& problem) {
    withy_test::write_text(folder.path() / name, text);
    const ProgramRun run = replayed(name, false);
    CAPTURE(name, run.out, run.err);
    CHECK(run.status == 5);
    CHECK_THAT(run.err + run.out, Contains(problem));
  };
  const std::size_t target_row = whole.find(", at the target");
  REQUIRE(target_row != std::string::npos);
  says("in.csv", whole.substr(0, whole.find('\n', target_row) + 1),
       "the script ends here, short of the start");
  // The tendons are left as they were found.
  const std::size_t last_row = whole.rfind("\r\n", whole.size() - 3) + 2;
  says("drawn.csv",
       whole.substr(0, last_row) + std::regex_replace(whole.substr(last_row),
                                                      std::regex("^([0-9]+,[a-z]+,0\\.0+,)-?[0-9.]+"),
                                                      "$010.100000"),
       "the script ends here, short of the start");
  says("deep.csv", std::regex_replace(whole, std::regex("\r\n0,start,0\\.0"), "\r\n0,start,9.0"),
       "the script does not start with every axis at zero");
  const std::regex fourth("(\r\n[0-9]+,[a-z]+(,-?[0-9.]+){4}),-?[0-9.]+");
  const std::regex fourth_title("pull_4_mm,");
  says("three.csv", std::regex_replace(std::regex_replace(whole, fourth, "$1"), fourth_title, ""),
       "the script draws 3 tendons");
  const std::regex way_out("(\r\n[0-9]+,(?:advance|steer)(?:,-?[0-9.]+){5}),0.000000,0.000000,0.000000");
  says("live.csv", std::regex_replace(whole, way_out, "$1,1.000000,0.000000,0.000000"),
       "the axes move with the field on");
  CHECK(
      run_program(WITHY_PROGRAM, {"replay", "out/script.csv", scene, "-q", "--out"}, folder.path()).status ==
      2);
}

TEST_CASE("benches whose segment gives are drawn alike for one seed") {
  const std::string scene = kScenes + "straight/scene.toml";
  TemporaryFolder folder;
  REQUIRE(run_program(WITHY_PROGRAM, {"plan", scene, "-q", "-o", "out", "--budget", "3000"}, folder.path())
              .status == 0);
  const std::vector<std::string> arguments = {"tolerance", "out/plan.json", scene, "-q", "--samples",
                                              "10",        "--elastic",     "10"};
  const ProgramRun run = run_program(WITHY_PROGRAM, arguments, folder.path());
  REQUIRE(run.status == 0);
  CHECK_THAT(run.out, Contains("Of 10 benches whose segment gives, played compensated pulls, "));
  // All but the look for what would help, which the clock ends.
  const auto drawn = [](const std::string& out) {
    const auto from = out.find("sizes: ");
    const auto to = out.find("Of 10 benches");
    REQUIRE((from < to && to != out.npos));
    return out.substr(0, from) + out.substr(to);
  };
  CHECK(drawn(run_program(WITHY_PROGRAM, arguments, folder.path()).out) == drawn(run.out));
}

TEST_CASE("a scene that says nothing of elasticity is refused with one line") {
  TemporaryFolder folder;
  std::string text = read_text(kScenes + "straight/scene.toml");
  text.resize(text.find("[elastic]"));
  withy_test::write_text(folder.path() / "scene.toml", text);
  withy_test::write_text(folder.path() / "straight.stl", read_text(kScenes + "straight/straight.stl"));
  REQUIRE(run_program(WITHY_PROGRAM, {"plan", "scene.toml", "-q", "-o", "out"}, folder.path()).status == 0);
  const std::string line =
      "scene.toml:1:1: the scene has no [elastic], so nothing is known of how it gives, add the table\n";
  for (const std::vector<std::string>& arguments :
       {std::vector<std::string>{"elastic", "out/plan.json", "scene.toml", "-q", "-o", "new"},
        {"replay", "out/script.csv", "scene.toml", "--elastic", "-q"},
        {"tolerance", "out/plan.json", "scene.toml", "--samples", "10", "--elastic", "10", "-q"}}) {
    const ProgramRun run = run_program(WITHY_PROGRAM, arguments, folder.path());
    CHECK(run.status == 2);
    CHECK(run.err == line);
    CHECK(run.out.empty());
  }
  CHECK_FALSE(std::filesystem::exists(folder.path() / "new/elastic.json"));
}

TEST_CASE("a plan from a given state has its script, and the elastic body is not followed along it") {
  const std::string scene = kScenes + "single-bend/scene.toml";
  TemporaryFolder folder;
  withy_test::write_text(folder.path() / "state.json",
                         R"({"format": "withy-state", "version": 1, "insertion_mm": 40.0, "locked": [true],
                             "regions": [{"from_mm": 0, "to_mm": 50, "curvature_per_mm": [0, 0]},
                                         {"from_mm": 50, "to_mm": 100, "curvature_per_mm": [0, 0]}]})");
  REQUIRE(
      run_program(WITHY_PROGRAM, {"plan", scene, "--from", "state.json", "-q", "-o", "out"}, folder.path())
          .status == 0);
  const ProgramRun script = run_program(WITHY_PROGRAM, {"script", "out/plan.json"}, folder.path());
  CAPTURE(script.err);
  CHECK(script.status == 0);
  CHECK(script.out == read_text(folder.path() / "out/script.csv"));
  for (const std::vector<std::string>& arguments :
       {std::vector<std::string>{"elastic", "out/plan.json", scene, "-q", "-o", "new"},
        {"replay", "out/script.csv", scene, "--from", "state.json", "--elastic", "-q"},
        {"replay", "out/script.csv", scene, "--out", "--elastic", "-q"},
        {"tolerance", "out/plan.json", scene, "--samples", "10", "--elastic", "10", "-q"}}) {
    const ProgramRun run = run_program(WITHY_PROGRAM, arguments, folder.path());
    CHECK(run.status == 2);
    CHECK_THAT(run.err, Contains("the elastic body is only "));
    CHECK(run.out.empty());
  }
  CHECK_FALSE(std::filesystem::exists(folder.path() / "new"));
}
