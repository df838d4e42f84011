// SPDX-License-Identifier: GPL-3.0-or-later
// A budget that is spent before an answer: status 4, one line that says how far it got, and no files. The
// same questions end without a budget, as the other tests of each command show.
#include <algorithm>
#include <chrono>
#include <csignal>
#include <string>
#include <thread>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/support/plain_bench.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;
using Catch::Matchers::Contains;
using Catch::Matchers::StartsWith;

namespace {

namespace fs = std::filesystem;

std::string scene_named(const std::string& name) {
  return (fs::path(WITHY_SOURCE_DIR) / "scenes" / name / "scene.toml").string();
}

/// A folder with a quick plan and its script in it.
class PlannedFolder : public TemporaryFolder {
 public:
  PlannedFolder() {
    REQUIRE(run({"plan", scene_named("fold-chamber"), "--locks", "1", "--prefer", "quick", "-q", "-o", "."})
                .status == 0);
  }
  ProgramRun run(const std::vector<std::string>& arguments) const {
    return run_program(WITHY_PROGRAM, arguments, path());
  }
};

/// What a command says whose budget is spent, and that it leaves nothing behind.
std::string cut_short(const TemporaryFolder& folder, std::vector<std::string> arguments,
                      const std::string& budget = "0.001") {
  const auto before = folder.listing();
  arguments.insert(arguments.end(), {"--budget", budget, "-q"});
  const ProgramRun run = run_program(WITHY_PROGRAM, arguments, folder.path());
  INFO(arguments.front() << ": " << run.out << run.err);
  CHECK(run.status == 4);
  CHECK(run.err.empty());
  CHECK(folder.listing() == before);
  CHECK(std::count(run.out.begin(), run.out.end(), '\n') == 1);
  CHECK_THAT(run.out, StartsWith("undecided: the budget of " + budget + " s is spent; done: "));
  CHECK_THAT(run.out, Contains("; not done: "));
  CHECK_THAT(run.out, Contains("; give a larger --budget"));
  for (const char* never : {"proved", "holds", "reached"}) CHECK_THAT(run.out, !Contains(never));
  return run.out;
}

/// Measurements that the plain implementation makes in a shipped scene.
std::string measured(const std::string& scene) {
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(scene);
  withy_plain::BenchTruth truth;
  truth.rigidity_Nmm2 = 431;
  truth.friction = 0.17;
  truth.slack_mm = {0.0, 0.0, 0.0, 0.0};
  truth.tip_noise_mm = 0.1;
  truth.tension_noise_N = 0.05;
  truth.pull_noise_mm = 0.01;
  std::vector<withy_plain::BenchPose> poses;
  for (int k = 0; k < 40; ++k)
    poses.push_back({60.0 + k % 3 * 10.0, {}, {0.01 * std::cos(0.7 * k), 0.01 * std::sin(0.7 * k)}});
  return withy_plain::bench_table(robot, truth, poses, true, 3);
}

/// Joined tubes whose mesher takes half a minute.
std::string fine_recipe() {
  std::string recipe = read_text(fs::path(scene_named("airway")).parent_path() / "recipe.toml");
  const std::string edge = "edge_length_mm = 1.6";
  REQUIRE(recipe.find(edge) != recipe.npos);
  return recipe.replace(recipe.find(edge), edge.size(), "edge_length_mm = 0.3");
}

}  // namespace

TEST_CASE("commands that follow a plan end with their budget") {
  const PlannedFolder folder;
  const std::string scene = scene_named("fold-chamber");
  CHECK_THAT(cut_short(folder, {"tolerance", "plan.json", scene, "--samples", "10000000", "-o", "out"}),
             Contains("benches"));
  CHECK_THAT(cut_short(folder, {"elastic", "plan.json", scene, "-o", "out"}),
             Contains("with ideal pulls 0 of "));
  CHECK_THAT(cut_short(folder, {"replay", "script.csv", scene}), Contains("the rows from there on"));
  for (const char* form : {"csv", "ngc"})
    CHECK_THAT(cut_short(folder, {"script", "plan.json", "--as", form, "-o", "again"}),
               Contains("the pulls that make up for the elastic body"));
  CHECK_THAT(cut_short(folder, {"script", "plan.json", "--ideal-pulls", "-o", "again"}),
             Contains("the replay of the rows from there on"));
  // What is drawn by then is said with how many there are of it.
  const std::string drawn =
      cut_short(folder, {"tolerance", "plan.json", scene, "--samples", "10000000", "-o", "out"}, "3");
  CHECK_THAT(drawn, Contains(" of 10000000 benches drawn") || Contains("done: nothing"));
}

TEST_CASE("benches that give are counted as far as the budget goes") {
  const PlannedFolder folder;
  // So many take days; what the report says is whole, and written.
  const ProgramRun run = folder.run({"tolerance", "plan.json", scene_named("fold-chamber"), "--samples", "2",
                                     "--elastic", "100000", "--budget", "8", "-q", "-o", "out"});
  INFO(run.out << run.err);
  CHECK(run.status == 4);
  CHECK(run.err.empty());
  CHECK_THAT(run.out, Contains("undecided: the budget of 8 s is spent; done: "));
  const bool report = run.out.find("done: the report") != run.out.npos;
  CHECK(report == folder.listing().contains("out/tolerance.json"));
}

TEST_CASE("commands about a scene end with their budget") {
  const TemporaryFolder folder;
  CHECK_THAT(cut_short(folder, {"switch", scene_named("double-bend"), "--locks", "3", "-o", "out"}),
             Contains("maps of the field"));
  CHECK_THAT(cut_short(folder, {"check", scene_named("airway"), "-o", "out"}), Contains("the middle line"));
  const std::string scene = scene_named("fold-chamber");
  write_text(folder.path() / "table.csv", measured(scene));
  CHECK_THAT(cut_short(folder, {"fit", scene, "table.csv", "--elastic", "-o", "out"}), Contains("the fit"));
  const fs::path mesh = fs::path(scene_named("airway")).parent_path() / "airway.stl";
  CHECK_THAT(cut_short(folder, {"scene", mesh.string(), "-o", "out"}), Contains("the triangles are read"));
}

TEST_CASE("a channel ends with its budget, wherever it has got to") {
  const TemporaryFolder folder;
  write_text(folder.path() / "joined.toml", fine_recipe());
  for (const char* budget : {"0.001", "0.5"})
    CHECK_THAT(cut_short(folder, {"channel", "joined.toml", "-o", "joined.stl"}, budget),
               Contains("not done: the mesh"));
}

TEST_CASE("an interruption ends long looks at once, with nothing written") {
  const PlannedFolder folder;
  write_text(folder.path() / "joined.toml", fine_recipe());
  const auto before = folder.listing();
  std::vector<std::string> sizes = {"switch", scene_named("double-bend"), "--locks", "3", "-o", "out",
                                    "--scale"};
  for (int k = 1; k <= 200; ++k) sizes.push_back(std::to_string(0.5 + 0.01 * k));
  struct LongLook {
    std::vector<std::string> arguments;
    std::string told;
  };
  const std::string scene = scene_named("fold-chamber");
  for (const LongLook& look :
       {LongLook{{"tolerance", "plan.json", scene, "--samples", "10000000", "-o", "out"}, "trying benches"},
        LongLook{sizes, "looking for fields"},
        LongLook{{"channel", "joined.toml", "-o", "joined.stl"}, "making the mesh"}}) {
    CAPTURE(look.arguments.front());
    RunningProgram running(WITHY_PROGRAM, look.arguments, folder.path());
    while (running.err_so_far().find(look.told) == std::string::npos && !running.has_ended())
      std::this_thread::sleep_for(std::chrono::milliseconds(50));
    running.send(SIGINT);
    const ProgramRun run = running.wait();
    CHECK(run.status == 130);
    CHECK(run.out.empty());
    CHECK(folder.listing() == before);
  }
}

TEST_CASE("an interruption ends the making of a script at once, with nothing written") {
  const PlannedFolder folder;
  // A plan of fourteen actions, whose pulls take seconds to make up for the elastic body.
  REQUIRE(folder
              .run({"plan", scene_named("double-bend"), "--locks", "3", "--prefer", "quick", "--budget",
                    "3000", "-q", "-o", "bent"})
              .status == 0);
  const auto before = folder.listing();
  const ProgramRun run =
      run_program(WITHY_PROGRAM, {"script", "bent/plan.json", "-o", "bent.csv"}, folder.path(), 0.7);
  CHECK(run.status == 130);
  CHECK(run.out.empty());
  CHECK(folder.listing() == before);
}
