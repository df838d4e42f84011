// SPDX-License-Identifier: GPL-3.0-or-later
// Programs against an interpreter that is not ours: LinuxCNC's (Debian package linuxcnc-uspace), by its
// command `rs274` (axes X Y Z A B C, four decimals) and by its Python module `gcode` (all nine axes, full
// precision). What it would have a machine do must be what the script's rows say: every axis position, every
// feed, every dwell, every stop.
#include <algorithm>
#include <filesystem>
#include <sstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "planner/script/script_iso6983.h"
#include "tests/support/bench_plan.h"
#include "tests/support/interpreter.h"
#include "tests/support/run_program.h"

using withy::Script;
using withy_test::Bench;
using withy_test::BenchOptions;
using withy_test::disagreement;
using withy_test::interpret_nine_axes;
using withy_test::Interpreted;
using withy_test::kAxisLetters;
using withy_test::meant_by;
using withy_test::Move;
using withy_test::ProgramRun;
using withy_test::run_program;
using withy_test::write_text;

namespace {

constexpr const char* kInterpreter = "/usr/bin/rs274";
void require_interpreter() {
  INFO("The interpreter is missing: install the Debian package linuxcnc-uspace (tools/run-tests does).");
  REQUIRE(std::filesystem::exists(kInterpreter));
}

Script script_of(const Bench& bench) {
  const auto script = withy::make_script(bench.scene(), bench.design(), bench.plan());
  REQUIRE(script);
  return *script;
}

/// By the command: what it sees, and what it stops for.
struct SixAxes {
  Interpreted seen;
  int stops = 0;
  int ends = 0;
};

/// The numbers in parentheses behind a word of rs274's output.
std::vector<double> arguments_of(const std::string& line) {
  std::string inside = line.substr(line.find('(') + 1);
  std::replace(inside.begin(), inside.end(), ',', ' ');
  std::istringstream words(inside);
  std::vector<double> numbers;
  for (double value = 0.0; words >> value;) numbers.push_back(value);
  return numbers;
}

SixAxes interpret_six_axes(const Bench& bench, const std::string& program) {
  write_text(bench.folder() / "program.ngc", program);
  const ProgramRun run =
      run_program(kInterpreter, {"-g", (bench.folder() / "program.ngc").string()}, bench.folder());
  INFO(run.out + run.err);
  REQUIRE(run.status == 0);
  SixAxes out;
  double feed = 0.0;
  std::istringstream lines(run.out);
  for (std::string line; std::getline(lines, line);) {
    const auto has = [&](const char* word) { return line.find(word) != std::string::npos; };
    if (has(" SET_FEED_RATE(")) feed = arguments_of(line).at(0);
    if (has(" STRAIGHT_FEED(")) {
      Move move;
      move.feed = feed;
      const auto numbers = arguments_of(line);
      REQUIRE(numbers.size() == 6);
      std::copy(numbers.begin(), numbers.end(), move.axes.begin());
      out.seen.moves.push_back(move);
    }
    if (has(" DWELL(")) out.seen.dwells.push_back(arguments_of(line).at(0));
    out.stops += has(" PROGRAM_STOP(");
    out.ends += has(" PROGRAM_END(");
    CHECK_FALSE(has(" STRAIGHT_TRAVERSE("));
  }
  return out;
}

// Eight tendons and the insertion take all nine letters.
const BenchOptions kNineAxes = {.disk_spacing_mm = 10.0,
                                .tendon_angles = "0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0",
                                .axes = R"("A", "B", "C", "U", "V", "W", "X", "Y")"};

}  // namespace

TEST_CASE("An interpreter of nine axes does what the rows say: every position, feed and dwell") {
  require_interpreter();
  for (const BenchOptions& options :
       {kNineAxes, BenchOptions{},
        BenchOptions{.guide = true, .standing_motors = true, .disk_spacing_mm = 15.0},
        BenchOptions{.tendon_angles = "0.0, 120.0, 240.0", .axes = R"("U", "V", "W")"},
        BenchOptions{.tendon_angles = "0.0, 120.0, 240.0", .axes = R"("X", "C", "W")"},
        BenchOptions{.hunt_mm = 0.1}, BenchOptions{.hunt_mm = 0.1, .coils = true}}) {
    const Bench bench(options);
    CAPTURE(options.axes, options.guide);
    const Script script = script_of(bench);
    for (const bool stops : {true, false}) {
      const auto program = bench.folder() / "program.ngc";
      write_text(program, withy::write_iso6983(script, bench.scene(), {.stops = stops}));
      // Inches and back cost a few ulp.
      CHECK(disagreement(interpret_nine_axes(program), meant_by(script, *bench.scene().actuation), 1e-9) ==
            "");
    }
  }
}

TEST_CASE("All nine axis letters move in the nine-axis program") {
  const Bench bench(kNineAxes);
  const auto moves = meant_by(script_of(bench), *bench.scene().actuation).moves;
  for (std::size_t k = 0; k < kAxisLetters.size(); ++k) {
    CAPTURE(kAxisLetters[k]);
    CHECK(std::any_of(moves.begin(), moves.end(), [&](const Move& move) { return move.axes[k] != 0.0; }));
  }
}

TEST_CASE("The interpreter's own command runs a six-axis program to its end and stops before each switch") {
  require_interpreter();
  const Bench bench({.axes = R"("A", "B", "C", "X")"});
  const Script script = script_of(bench);
  for (const bool stops : {true, false}) {
    const SixAxes run =
        interpret_six_axes(bench, withy::write_iso6983(script, bench.scene(), {.stops = stops}));
    // It prints four decimals.
    CHECK(disagreement(run.seen, meant_by(script, *bench.scene().actuation), 0.5e-4 + 1e-9) == "");
    CHECK(run.stops == (stops ? 2 : 0));
    CHECK(run.ends == 1);
  }
}

TEST_CASE("The interpreter's own command stops before a hunt too, and walks its sweep") {
  require_interpreter();
  const Bench bench({.axes = R"("A", "B", "C", "X")", .hunt_mm = 0.1});
  const Script script = script_of(bench);
  const SixAxes run = interpret_six_axes(bench, withy::write_iso6983(script, bench.scene(), {.stops = true}));
  CHECK(disagreement(run.seen, meant_by(script, *bench.scene().actuation), 0.5e-4 + 1e-9) == "");
  CHECK(run.stops == 3);
}

TEST_CASE("The interpreter refuses what our reader refuses") {
  require_interpreter();
  const Bench bench({.axes = R"("A", "B", "C", "X")"});
  const std::string program = withy::write_iso6983(script_of(bench), bench.scene());
  const auto both_refuse = [&](const std::string& part, const std::string& by) {
    std::string spoiled = program;
    const std::size_t at = spoiled.find(part);
    REQUIRE(at != std::string::npos);
    spoiled.replace(at, part.size(), by);
    CAPTURE(part, by);
    CHECK_FALSE(withy::read_iso6983(spoiled, "program.ngc", *bench.scene().actuation));
    write_text(bench.folder() / "program.ngc", spoiled);
    CHECK(
        run_program(kInterpreter, {"-g", (bench.folder() / "program.ngc").string()}, bench.folder()).status !=
        0);
  };
  both_refuse("G1 Z60.000000", "G1 Z");
  both_refuse("G1 Z60.000000", "G1 Z60.0.0");
  both_refuse(" F120.000000", "");  // a move before any feed
  both_refuse("G4 P1.500000", "G4");
  both_refuse("(Dwells are in seconds)", "(Dwells are in seconds");
  both_refuse("\nM0\n", "\nM999\n");
}
