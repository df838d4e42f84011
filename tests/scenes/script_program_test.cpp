// SPDX-License-Identifier: GPL-3.0-or-later
// `withy script` and `withy replay` as a user runs them, from a plan file to a verdict on a script.
#include <algorithm>

#include <catch2/catch.hpp>

#include "tests/support/bench_plan.h"
#include "tests/support/run_program.h"

using withy_test::Bench;
using withy_test::BenchOptions;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::write_text;

namespace {

ProgramRun withy_in(const Bench& bench, const std::vector<std::string>& arguments) {
  return run_program(WITHY_PROGRAM, arguments, bench.folder());
}

/// A bench with its plan saved as plan.json.
struct Saved {
  explicit Saved(const BenchOptions& options = {}) : bench(options) {
    write_text(bench.folder() / "plan.json", bench.plan_text());
  }
  Bench bench;
};

std::string replaced(std::string text, const std::string& what, const std::string& by) {
  const std::size_t at = text.find(what);
  INFO("looking for " << what);
  REQUIRE(at != std::string::npos);
  return text.replace(at, what.size(), by);
}

int count(const std::string& text, const std::string& part) {
  int n = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++n;
  return n;
}

}  // namespace

TEST_CASE("A plan becomes a script in both forms, and both replay as good") {
  for (const BenchOptions& options : {BenchOptions{}, BenchOptions{.guide = true, .disk_spacing_mm = 10.0}}) {
    const Saved saved(options);
    const ProgramRun csv = withy_in(saved.bench, {"script", "plan.json", "-o", "out/script.csv"});
    CHECK(csv.err.empty());
    REQUIRE(csv.status == 0);
    REQUIRE(withy_in(saved.bench, {"script", "plan.json", "--as", "ngc", "-o", "out/script.ngc"}).status ==
            0);
    for (const std::string form : {"out/script.csv", "out/script.ngc"}) {
      const ProgramRun replay = withy_in(saved.bench, {"replay", form, "scene.toml", "--quiet"});
      CAPTURE(form, replay.err);
      CHECK(replay.status == 0);
      CHECK(replay.out.starts_with(
          "The script brings the tip within 0.300 mm of the target and back out: clearance at least "));
      CHECK(replay.err.empty());
    }
  }
}

TEST_CASE("Without a file the script goes to standard output, rows unless a program is asked for") {
  const Saved saved;
  REQUIRE(withy_in(saved.bench, {"script", "plan.json", "-o", "script.csv"}).status == 0);
  CHECK(withy_in(saved.bench, {"script", "plan.json"}).out == read_text(saved.bench.folder() / "script.csv"));
  CHECK(withy_in(saved.bench, {"script", "plan.json", "--as", "ngc"})
            .out.starts_with("%\n(Scene: bench box [test])\n"));
}

TEST_CASE("A file's ending chooses the form, and stops can be left out of a program") {
  const Saved saved;
  REQUIRE(withy_in(saved.bench, {"script", "plan.json", "-o", "a.ngc"}).status == 0);
  REQUIRE(withy_in(saved.bench, {"script", "plan.json", "--no-stops", "-o", "b.ngc"}).status == 0);
  CHECK(count(read_text(saved.bench.folder() / "a.ngc"), "\nM0\n") == 2);
  CHECK(count(read_text(saved.bench.folder() / "b.ngc"), "\nM0\n") == 0);
  CHECK(withy_in(saved.bench, {"replay", "b.ngc", "scene.toml", "--quiet"}).status == 0);
  const ProgramRun rows = withy_in(saved.bench, {"script", "plan.json", "--no-stops"});
  CHECK(rows.status == 2);
  CHECK(count(rows.err, "\n") == 1);
}

TEST_CASE("A script is refused when the scene or the mesh has changed since the plan, and says which") {
  const Saved saved;
  const std::string scene = read_text(saved.bench.scene_file());
  write_text(saved.bench.scene_file(), replaced(scene, "required_mm = 0.2", "required_mm = 0.1"));
  const ProgramRun changed = withy_in(saved.bench, {"script", "plan.json", "-o", "script.csv"});
  CHECK(changed.status == 2);
  CHECK(changed.out.empty());
  CHECK(changed.err.starts_with("plan.json:3:"));
  CHECK(count(changed.err, "the scene scene.toml has changed since this plan was made") == 1);
  write_text(saved.bench.scene_file(), scene);
  const auto mesh = saved.bench.folder() / "box.off";
  write_text(mesh, read_text(mesh) + "# later\n");
  const ProgramRun remeshed = withy_in(saved.bench, {"script", "plan.json", "-o", "script.csv"});
  CHECK(remeshed.status == 2);
  CHECK(count(remeshed.err, "the mesh box.off has changed since this plan was made") == 1);
  CHECK_FALSE(std::filesystem::exists(saved.bench.folder() / "script.csv"));
}

TEST_CASE("A program needs an [actuation] table, rows don't") {
  const Saved saved({.actuation = false});
  CHECK(withy_in(saved.bench, {"script", "plan.json", "-o", "script.csv"}).status == 0);
  const ProgramRun program = withy_in(saved.bench, {"script", "plan.json", "-o", "script.ngc"});
  CHECK(program.status == 2);
  CHECK(count(program.err, "the scene has no [actuation]") == 1);
  CHECK(count(program.err, "\n") == 1);
}

TEST_CASE("A hand-edited script that would touch the wall is caught with its line number") {
  const Saved saved({.half_width_mm = 46.0});
  for (const std::string form : {"script.csv", "script.ngc"}) {
    REQUIRE(withy_in(saved.bench, {"script", "plan.json", "-o", form}).status == 0);
    REQUIRE(withy_in(saved.bench, {"replay", form, "scene.toml", "--quiet"}).status == 0);
    // The first bend, drawn a quarter of a millimetre further on both sides.
    std::string text = read_text(saved.bench.folder() / form);
    const std::size_t at = text.find("1.370019");
    REQUIRE(at != std::string::npos);
    const auto line = 1 + std::count(text.begin(), text.begin() + static_cast<std::ptrdiff_t>(at), '\n');
    text = replaced(replaced(text, "1.370019", "1.620019"), "-1.370019", "-1.620019");
    write_text(saved.bench.folder() / form, text);
    const ProgramRun replay = withy_in(saved.bench, {"replay", form, "scene.toml", "--quiet"});
    CAPTURE(form, replay.out);
    CHECK(replay.status == 5);
    CHECK(replay.out.empty());
    CHECK(replay.err == form + ":" + std::to_string(line) +
                            ":1: on the way here the body touches the wall, keep 0.2 mm clear\n");
  }
}

TEST_CASE(
    "A replay says when the scene is not the one the script was made for, and judges it in the one it is "
    "given") {
  const Saved saved;
  REQUIRE(withy_in(saved.bench, {"script", "plan.json", "-o", "script.csv"}).status == 0);
  write_text(saved.bench.scene_file(), read_text(saved.bench.scene_file()) + "# later\n");
  const ProgramRun replay = withy_in(saved.bench, {"replay", "script.csv", "scene.toml", "--quiet"});
  CHECK(replay.status == 0);
  CHECK(count(replay.out, "the scene is not, byte for byte, the one the script was made for") == 1);
}

TEST_CASE("Files that are no plan or no script are refused with one line") {
  const Saved saved;
  write_text(saved.bench.folder() / "broken.json", "{\"format\": \"withy-plan\",\n \"version\": }\n");
  write_text(saved.bench.folder() / "script.txt", "step\n");
  write_text(saved.bench.folder() / "script.csv", "step,action\n");
  const auto refused = [&](const std::vector<std::string>& arguments, const std::string& start) {
    const ProgramRun run = withy_in(saved.bench, arguments);
    CAPTURE(run.err);
    CHECK(run.status == 2);
    CHECK(run.err.starts_with(start));
    CHECK(count(run.err, "\n") == 1);
    CHECK(run.out.empty());
  };
  refused({"script", "absent.json"}, "absent.json:1:1: ");
  refused({"script", "broken.json"}, "broken.json:2:13: this is no JSON");
  refused({"replay", "script.txt", "scene.toml", "--quiet"},
          "script.txt:1:1: a script's name ends with .csv or .ngc");
  refused({"replay", "script.csv", "scene.toml", "--quiet"},
          "script.csv:1:6: the column insertion_mm is missing");
  refused({"replay", "script.csv", "absent.toml", "--quiet"}, "absent.toml:1:1: ");
}
