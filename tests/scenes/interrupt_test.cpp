// SPDX-License-Identifier: GPL-3.0-or-later
// What Ctrl-C leaves: nothing of what was not finished, and finished rows in a file that says it is not the
// whole.
#include <algorithm>
#include <chrono>
#include <csignal>
#include <sstream>
#include <thread>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/sanitized.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

/// Runs the program and interrupts it once it has told twice what it searches, which it does every few
/// seconds; the questions below take far longer.
ProgramRun interrupted(const std::vector<std::string>& arguments, const TemporaryFolder& folder) {
  RunningProgram running(WITHY_PROGRAM, arguments, folder.path());
  const auto told = [&] {
    int lines = 0;
    std::istringstream err(running.err_so_far());
    for (std::string line; std::getline(err, line);)
      lines += line.find("reading") == line.npos && line.find("laying out") == line.npos ? 1 : 0;
    return lines;
  };
  while (told() < 2 && !running.has_ended()) std::this_thread::sleep_for(std::chrono::milliseconds(50));
  running.send(SIGINT);
  return running.wait();
}

std::string scene_named(const std::string& name) {
  return (kScenes / name / "scene.toml").string();
}

}  // namespace

TEST_CASE("an interrupted plan leaves at once, with status 130 and nothing written") {
  TemporaryFolder folder;
  const auto before = folder.listing();
  // A stock planner of which nothing is known to find a way here, and a minute to look for one.
  const ProgramRun run = interrupted(
      {"plan", scene_named("double-bend"), "--locks", "2", "--planner", "rrt", "-o", "out"}, folder);
  CHECK(run.status == 130);
  CHECK(run.out.empty());
  CHECK(folder.listing() == before);
}

TEST_CASE("an interrupted place keeps the designs it has found in a file marked partial") {
  TemporaryFolder folder;
  const ProgramRun run =
      interrupted({"place", scene_named("single-bend"), "--locks", "2", "--step", "2", "-o", "out"}, folder);
  CHECK(run.status == 130);
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/place.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/place.partial.json"));
  CHECK(json["partial"] == true);
  CHECK(json["format"] == "withy-place");
}

TEST_CASE("an interrupted reach keeps what is decided in files marked partial") {
  TemporaryFolder folder;
  const ProgramRun run = interrupted(
      {"reach", scene_named("airway"), "--targets", "lumen:2", "--locks", "0", "1", "2", "-o", "out"},
      folder);
  CHECK(run.status == 130);
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/reach.partial.csv", "out/reach.partial.html",
                                                    "out/reach.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/reach.partial.json"));
  CHECK(json["partial"] == true);
  REQUIRE_FALSE(json["counts"].empty());
  CHECK(read_text(folder.path() / "out/reach.partial.html").find("Partial: the run was interrupted") !=
        std::string::npos);
}

TEST_CASE("a compare whose budget is spent marks its file partial, and its status says undecided") {
  TemporaryFolder folder;
  // A millisecond decides nothing where a wide search comes first.
  const ProgramRun run = run_program(
      WITHY_PROGRAM,
      {"compare", scene_named("double-bend"), "--locks", "0", "2", "--budget", "0.001", "-o", "out", "-q"},
      folder.path());
  CHECK(run.status == 4);
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/compare.json"));
  CHECK(json["partial"] == true);
  REQUIRE(json["counts"].size() == 2);
  CHECK(json["counts"][1]["verdict"] == "undecided");
}

TEST_CASE("an interrupted compare keeps the lock counts that are answered") {
  TemporaryFolder folder;
  // The first count is answered in milliseconds, the second has a wide search before it.
  const ProgramRun run = interrupted(
      {"compare", scene_named("double-bend"), "--locks", "0", "2", "1", "3", "-o", "out"}, folder);
  CHECK(run.status == 130);
  REQUIRE(folder.listing() == std::set<std::string>{"out", "out/compare.partial.json"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/compare.partial.json"));
  CHECK(json["partial"] == true);
  REQUIRE_FALSE(json["counts"].empty());
  CHECK(json["counts"][0]["verdict"] == "unreachable");
}

TEST_CASE("a live bench that is interrupted while it opens leaves no lock file beside the scene") {
  TemporaryFolder folder;
  std::filesystem::copy(kScenes / "airway", folder.path(), std::filesystem::copy_options::recursive);
  const auto before = folder.listing();
  const auto lock_file = folder.path() / ".scene.toml.live.lock";
  RunningProgram running(WITHY_PROGRAM, {"live", "scene.toml", "-q"}, folder.path());
  // It holds the lock once it has written its number there.
  const auto held = [&] {
    std::error_code none;
    return std::filesystem::exists(lock_file, none) && std::filesystem::file_size(lock_file, none) > 0;
  };
  while (!held() && !running.has_ended()) std::this_thread::sleep_for(std::chrono::milliseconds(1));
  REQUIRE_FALSE(running.has_ended());
  running.send(SIGINT);
  CHECK(running.wait().status == 130);
  CHECK(folder.listing() == before);
}

TEST_CASE("a live bench that can have no threads says so in one line", "[threads]") {
  if (kSanitized) return;  // sanitizers take address space by themselves
  TemporaryFolder folder;
  std::filesystem::copy(kScenes / "single-bend", folder.path(), std::filesystem::copy_options::recursive);
  const auto before = folder.listing();
  // Fewer kilobytes than its connections' stacks have.
  for (const char* most_kB : {"300000", "400000"}) {
    const ProgramRun run =
        run_program("/bin/sh",
                    {"-c", "ulimit -v " + std::string(most_kB) + " && exec \"$0\" live \"$1\" -q",
                     WITHY_PROGRAM, "scene.toml"},
                    folder.path());
    CAPTURE(most_kB, run.err);
    CHECK(run.status == 1);
    CHECK(run.err.starts_with("withy: "));
    CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
    CHECK(folder.listing() == before);
  }
}
