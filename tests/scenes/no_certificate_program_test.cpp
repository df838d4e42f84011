// SPDX-License-Identifier: GPL-3.0-or-later
// What plan, compare and place say where an answer has no certificate, and which answers have one.
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using Catch::Contains;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

const fs::path kScenes = fs::path(WITHY_SOURCE_DIR) / "scenes";
constexpr const char* kPlaceNear = "\n[[via]]\npoint_mm = [0.0, 0.0, 10.0]\ntolerance_mm = 1.0\n";
/// Where the tip would have to point across a tube that it fills most of.
constexpr const char* kPlaceAcross =
    "\n[[via]]\npoint_mm = [0.0, 0.0, 30.0]\ntolerance_mm = 0.5\n"
    "direction = [1.0, 0.0, 0.0]\ndirection_tolerance_deg = 5.0\n";

/// A shipped scene in a folder of its own, with more text behind it.
void copy_scene(const std::string& name, const TemporaryFolder& folder, const std::string& more) {
  fs::copy_file(kScenes / name / (name + ".stl"), folder.path() / (name + ".stl"));
  write_text(folder.path() / "scene.toml", read_text(kScenes / name / "scene.toml") + more);
}

ProgramRun withy_run(const TemporaryFolder& folder, std::vector<std::string> arguments) {
  arguments.emplace_back("--quiet");
  return run_program(WITHY_PROGRAM, arguments, folder.path());
}

}  // namespace

TEST_CASE("a no from a given state says so, and has nothing to recheck") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, "");
  std::string text = read_text(folder.path() / "scene.toml");
  const auto at = text.find("insertion_max_mm = 160.0");
  REQUIRE(at != std::string::npos);
  write_text(folder.path() / "scene.toml", text.replace(at, 24, "insertion_max_mm = 20.0"));
  write_text(folder.path() / "state.json",
             R"({"format": "withy-state", "version": 1, "insertion_mm": 10.0, "locked": [],
                 "regions": [{"from_mm": 0, "to_mm": 100, "curvature_per_mm": [0, 0]}]})");
  const ProgramRun run = withy_run(
      folder, {"plan", "scene.toml", "--locks", "0", "--from", "state.json", "--recheck", "-o", "out"});
  CAPTURE(run.out, run.err);
  CHECK(run.status == 3);
  CHECK_THAT(run.out, Contains("brings the tip from the state that was given within") &&
                          Contains("\nnothing to recheck: a proof from a given state has no certificate\n"));
  const auto plan = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"));
  CHECK(!plan.contains("rechecked"));
  // From the usual start there is a certificate, and the sentence names no state.
  const ProgramRun usual = withy_run(folder, {"plan", "scene.toml", "--locks", "0", "--recheck"});
  CHECK(usual.status == 3);
  CHECK_THAT(usual.out, Contains("recheck holds: ") && !Contains("the state that was given"));
}

TEST_CASE("a target that can't be reached has a certificate, places to pass or not") {
  const TemporaryFolder folder;
  copy_scene("triple-bend", folder, kPlaceNear);
  const ProgramRun plan =
      withy_run(folder, {"plan", "scene.toml", "--locks", "1", "--recheck", "--proof", "no.proof"});
  CAPTURE(plan.out, plan.err);
  CHECK(plan.status == 3);
  CHECK_THAT(plan.out, Contains("recheck holds: ") && !Contains("nothing to recheck"));
  CHECK(withy_run(folder, {"recheck", "no.proof", "scene.toml"}).status == 0);
}

TEST_CASE("the certificate of a place to pass that can't be reached names it, and is of no other place") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, kPlaceAcross);
  const ProgramRun plan =
      withy_run(folder, {"plan", "scene.toml", "--locks", "0", "--recheck", "--proof", "no.proof"});
  CAPTURE(plan.out, plan.err);
  CHECK(plan.status == 3);
  const std::string of_place =
      "brings the tip to place 1 of those to pass, within 0.5 mm of (0, 0, 30), pointing";
  CHECK_THAT(plan.out, Contains("recheck holds: ") && Contains(of_place));
  const ProgramRun recheck = withy_run(folder, {"recheck", "no.proof", "scene.toml"});
  CHECK(recheck.status == 0);
  CHECK_THAT(recheck.out, Contains(of_place));
  std::string text = read_text(folder.path() / "no.proof");
  const auto refused = [&](const std::string& from, const std::string& to, const std::string& why) {
    CAPTURE(from, to);
    std::string changed = text;
    REQUIRE(changed.find(from) != std::string::npos);
    write_text(folder.path() / "changed.proof", changed.replace(changed.find(from), from.size(), to));
    const ProgramRun run = withy_run(folder, {"recheck", "changed.proof", "scene.toml"});
    CHECK(run.status == 5);
    CHECK_THAT(run.out + run.err, Contains(why));
  };
  refused("\"via\":1,", "", "its target is not the scene's");
  refused("\"via\":1,", "\"via\":2,", "the scene has no place to pass 2");
  const ProgramRun compare = withy_run(folder, {"compare", "scene.toml", "--locks", "0", "--recheck"});
  CHECK_THAT(compare.out, Contains("recheck, 0 locks: holds: ") && Contains(of_place));
}

TEST_CASE("a plan without a proof beside it says what is not proved") {
  const TemporaryFolder folder;
  const ProgramRun plan = withy_run(
      folder, {"plan", (kScenes / "straight/scene.toml").string(), "--locks", "0", "--proof", "no.proof"});
  CHECK(plan.status == 0);
  CHECK_THAT(plan.err, Contains("no proof was written: the plan switches no lock"));
  CHECK_THAT(plan.err, !Contains("from before"));

  // Another answer's proof stays, and is said to be none of this one's.
  write_text(folder.path() / "no.proof", "of yesterday");
  const ProgramRun again = withy_run(
      folder, {"plan", (kScenes / "straight/scene.toml").string(), "--locks", "0", "--proof", "no.proof"});
  CHECK(again.status == 0);
  CHECK_THAT(again.err, Contains("; no.proof is from before, and no part of this answer"));
  CHECK(read_text(folder.path() / "no.proof") == "of yesterday");
}

TEST_CASE("place names the place to pass that decided, and writes certificates of it") {
  const TemporaryFolder folder;
  copy_scene("straight", folder, kPlaceAcross);
  const ProgramRun run = withy_run(
      folder, {"place", "scene.toml", "--locks", "1", "--step", "40", "--clock-step", "180", "--proof", "p"});
  CAPTURE(run.out, run.err);
  CHECK(run.status == 3);
  CHECK_THAT(run.out,
             Contains("proved; the place to pass 1 decided it at 2 combinations of stations") &&
                 Contains("2 proofs of layouts that don't reach; to check the first: withy recheck"));
  for (const auto& file : fs::directory_iterator(folder.path() / "p"))
    CHECK(withy_run(folder, {"recheck", file.path().string(), "scene.toml"}).status == 0);
}
