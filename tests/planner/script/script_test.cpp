// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include <catch2/catch.hpp>

#include "planner/files/cautions.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "planner/script/script_numbers.h"
#include "planner/segment/tendons.h"
#include "tests/support/plain_hunt.h"
#include "tests/support/plain_twin.h"

using Catch::Matchers::WithinAbs;
using withy::Script;
using withy::Waypoint;
using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

Script script_of(const Bench& bench) {
  auto script = withy::make_script(bench.scene(), bench.design(), bench.plan());
  REQUIRE(script);
  return *script;
}

std::vector<std::string> lines_of(const std::string& text, const std::string& end) {
  std::vector<std::string> lines;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t stop = text.find(end, at);
    REQUIRE(stop != std::string::npos);
    lines.push_back(text.substr(at, stop - at));
    at = stop + end.size();
  }
  return lines;
}

int count(const std::string& text, const std::string& part) {
  int n = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++n;
  return n;
}

const std::vector<BenchOptions> kBenches = {
    {},
    {.guide = true},
    {.disk_spacing_mm = 10.0},
    {.guide = true, .standing_motors = true, .disk_spacing_mm = 12.0},
    {.tendon_angles = "0.0, 120.0, 240.0", .axes = R"("X", "V", "W")"},
    {.field = false},
    {.latch = false},
    {.hunt_mm = 0.1},
    {.guide = true, .field = false, .hunt_mm = 0.05},
    {.coils = true},
    {.hunt_mm = 0.1, .coils = true}};

}  // namespace

TEST_CASE("Numbers in scripts read back as the very same double") {
  constexpr unsigned kSeed = 4711;
  CAPTURE(kSeed);
  std::mt19937_64 random(kSeed);
  std::uniform_real_distribution<double> value(-500.0, 500.0);
  for (int i = 0; i < 10000; ++i) {
    const double written = withy::on_script_step(value(random));
    REQUIRE(withy::parse_script_number(withy::script_number(written)) == written);
  }
}

TEST_CASE("Zero has no sign in a script, and no number has an exponent") {
  CHECK(withy::script_number(-1e-9) == "0.000000");
  CHECK(withy::script_number(-0.0) == "0.000000");
  CHECK(withy::script_number(1.5e-5) == "0.000015");
  CHECK(withy::script_number(-12345.5) == "-12345.500000");
  for (const std::string bad :
       {"", "-", "+", "1e3", "1.0f", " 1", "1 ", "nan", "inf", "-inf", "0x10", "1,5", "--1", "+-1"}) {
    CAPTURE(bad);
    CHECK_FALSE(withy::parse_script_number(bad));
  }
  CHECK(withy::parse_script_number("+.5") == 0.5);
  CHECK(withy::parse_script_number("-7.") == -7.0);
}

TEST_CASE("Every row's pulls are those of its state, as the plain implementation has them") {
  for (const BenchOptions& options : kBenches) {
    const Bench bench(options);
    const auto robot = withy_test::plain_robot(bench);
    const Script script = script_of(bench);
    // The last row of each action stands at a state of the plan.
    std::size_t next = 0;
    for (const Waypoint& row : script.waypoints) {
      const withy::State& state = bench.plan().states[next];
      const auto pulls = withy_plain::pulls(robot, withy_test::plain_state(bench.design(), state));
      if (std::abs(row.insertion_mm - state.insertion_mm) > 1e-6 || row.engaged != state.engaged) continue;
      bool same = true;
      for (std::size_t k = 0; k < pulls.size(); ++k)
        same = same && std::abs(row.pull_mm[k] - pulls[k]) < 1e-6;
      if (same && ++next == bench.plan().states.size()) break;
    }
    CAPTURE(options.guide, options.disk_spacing_mm);
    CHECK(next == bench.plan().states.size());
  }
}

TEST_CASE("A switch is a row with the field on that dwells, then a row with the field off") {
  const Bench bench;
  const Script script = script_of(bench);
  int switches = 0;
  for (std::size_t i = 1; i < script.waypoints.size(); ++i) {
    const Waypoint& row = script.waypoints[i];
    if (row.engaged == script.waypoints[i - 1].engaged) continue;
    ++switches;
    const Waypoint& off = script.waypoints[i + 1];
    CHECK(row.dwell_s == 1.5);
    CHECK(row.field_S.norm() > 0.0);
    CHECK(row.pull_mm == script.waypoints[i - 1].pull_mm);
    CHECK(off.field_S.norm() == 0.0);
    CHECK(off.current_A == std::vector<double>{0.0, 0.0, 0.0});
    CHECK(off.engaged == row.engaged);
    // Coil k stands along row k of coil_axes: y, z, x; its constant divides the field's share along it.
    CHECK_THAT(row.current_A[0], WithinAbs(row.field_S.y() / 1.8, 2e-6));
    CHECK_THAT(row.current_A[1], WithinAbs(row.field_S.z() / 1.5, 2e-6));
    CHECK_THAT(row.current_A[2], WithinAbs(row.field_S.x() / 2.1, 2e-6));
  }
  CHECK(switches == 2);
}

TEST_CASE("A script starts and ends with every axis at zero, and says where the target is") {
  const Script script = script_of(Bench());
  for (const Waypoint* row : {&script.waypoints.front(), &script.waypoints.back()}) {
    CHECK(row->insertion_mm == 0.0);
    CHECK(row->pull_mm == std::vector<double>(4, 0.0));
    CHECK(row->engaged.none());
  }
  int targets = 0;
  for (const Waypoint& row : script.waypoints) targets += count(row.note, "at the target");
  CHECK(targets == 1);
}

TEST_CASE("The duration adds each move's slowest axis and the dwells") {
  withy::Actuation actuation;
  actuation.advance_mm_per_s = 2.0;
  actuation.tendon_mm_per_s = 0.5;
  Script script;
  Waypoint row;
  row.pull_mm = {0.0, 0.0};
  script.waypoints.push_back(row);
  row.insertion_mm = 10.0;
  row.pull_mm = {1.0, -1.5};
  script.waypoints.push_back(row);  // 5 s of advance against 3 s of tendon
  row.pull_mm = {1.0, 1.0};
  row.dwell_s = 1.25;
  script.waypoints.push_back(row);  // 2.5 mm at 0.5 mm/s
  CHECK_THAT(withy::duration_s(actuation, script), WithinAbs(5.0 + 5.0 + 1.25, 1e-12));
}

TEST_CASE("A scene without tendons has no script, and says so") {
  const Bench bench;
  withy::DesignParts parts = bench.design().parts();
  parts.tendons.reset();
  const auto bare = withy::Design::make(parts);
  REQUIRE(bare);
  const auto script = withy::make_script(bench.scene(), *bare, bench.plan());
  REQUIRE_FALSE(script);
  CHECK(script.error() == withy::ScriptFault::no_tendons);
}

// --- CSV ---

TEST_CASE("Rows go out as CSV and come back the same") {
  for (const BenchOptions& options : kBenches) {
    const Bench bench(options);
    const Script script = script_of(bench);
    const std::string text = withy::write_csv(script);
    const auto back = withy::read_csv(text, "script.csv");
    REQUIRE(back);
    CHECK(back->waypoints == script.waypoints);
    CHECK(back->scene_sha256 == bench.scene().sha256);
    CHECK(back->mesh_sha256 == bench.scene().mesh_sha256);
    CHECK(withy::write_csv(*back) == text);
  }
}

TEST_CASE("The CSV header names one column for each axis, coil and lock, and its lines end as the RFC says") {
  const auto lines = lines_of(withy::write_csv(script_of(Bench())), "\r\n");
  CHECK(lines.front() ==
        "step,action,insertion_mm,pull_1_mm,pull_2_mm,pull_3_mm,pull_4_mm,field_x_mT,field_y_mT,field_z_mT,"
        "current_1_A,current_2_A,current_3_A,lock_1,dwell_s,note");
  for (const std::string& line : lines) CHECK(line.find('\n') == std::string::npos);
}

TEST_CASE("Every caution stands in the CSV and in the program") {
  const Bench bench;
  const Script script = script_of(bench);
  for (const std::string_view caution : withy::kCautions) {
    CHECK(count(withy::write_csv(script), std::string(caution)) == 1);
    CHECK(count(withy::write_iso6983(script, bench.scene()), std::string(caution)) == 1);
  }
}

TEST_CASE("A CSV that was edited wrongly is refused where the fault stands") {
  const std::string header =
      "step,action,insertion_mm,pull_1_mm,pull_2_mm,field_x_mT,field_y_mT,field_z_mT,lock_1,dwell_s,note\n";
  const std::string start = "0,start,0,0,0,0,0,0,0,0,\n";
  const auto refusal = [&](const std::string& text) {
    const auto script = withy::read_csv(text, "s.csv");
    return script ? std::string() : script.error().message();
  };
  CHECK(refusal(header + start).empty());
  CHECK(refusal("").starts_with("s.csv:1:1: the script is empty"));
  CHECK(refusal(header).starts_with("s.csv:1:1: the script has no rows"));
  CHECK(
      refusal(header + start + "1,bend,1.0,x,0,0,0,0,0,0,\n").starts_with("s.csv:3:12: \"x\" is no number"));
  CHECK(refusal(header + start + "1,bend,1.0,1e2,0,0,0,0,0,0,\n")
            .starts_with("s.csv:3:12: \"1e2\" is no number"));
  CHECK(refusal(header + start + "2,bend,1,0,0,0,0,0,0,0,\n")
            .starts_with("s.csv:3:1: step \"2\" is out of order"));
  CHECK(
      refusal(header + start + "1,bend,1,0,0,0,0,0,2,0,\n").starts_with("s.csv:3:20: a lock can't be \"2\""));
  CHECK(refusal(header + start + "1,bend,1,0,0,0,0,0,0,-1,\n").starts_with("s.csv:3:22: -1 is out of range"));
  CHECK(refusal(header + start + "1,bend,1,0,0\n").starts_with("s.csv:3:1: this row has 5 fields, give 11"));
  CHECK(refusal("step,action,depth_mm\n0,start,0\n")
            .starts_with("s.csv:1:13: the column \"depth_mm\" stands where insertion_mm"));
  CHECK(refusal("step,action,insertion_mm,pull_1_mm\n")
            .starts_with("s.csv:1:26: the column field_x_mT is missing"));
}

// --- ISO 6983 ---

TEST_CASE("Rows go out as an ISO 6983 program and come back the same, with and without stops") {
  for (const BenchOptions& options : kBenches) {
    const Bench bench(options);
    const Script script = script_of(bench);
    for (const bool stops : {true, false}) {
      const std::string text = withy::write_iso6983(script, bench.scene(), {.stops = stops});
      const auto back = withy::read_iso6983(text, "script.ngc", *bench.scene().actuation);
      INFO(text);
      REQUIRE(back);
      REQUIRE(back->waypoints.size() == script.waypoints.size());
      for (std::size_t i = 0; i < script.waypoints.size(); ++i) {
        Waypoint expected = script.waypoints[i];
        if (i == 0) expected.note.clear();  // a program has no block for its start
        CAPTURE(i, expected.note, back->waypoints[i].note);
        CHECK(back->waypoints[i] == expected);
      }
      CHECK(back->scene_sha256 == bench.scene().sha256);
      CHECK(back->mesh_sha256 == bench.scene().mesh_sha256);
    }
  }
}

TEST_CASE("A program is plain ASCII, stops once before each switch, and never nests a comment") {
  Bench bench;
  const Script script = script_of(bench);
  const std::string text = withy::write_iso6983(script, bench.scene());
  for (const char c : text) REQUIRE((c == '\n' || (c >= 0x20 && c < 0x7f)));
  CHECK(count(text, "\nM0\n") == 2);
  CHECK(count(withy::write_iso6983(script, bench.scene(), {.stops = false}), "M0") == 0);
  const auto lines = lines_of(text, "\n");
  CHECK(lines.front() == "%");
  CHECK(lines[lines.size() - 2] == "M2");
  CHECK(lines.back() == "%");
  for (const std::string& line : lines) {
    CAPTURE(line);
    CHECK(count(line, "(") == count(line, ")"));
    CHECK(count(line, "(") <= 1);
    CHECK(line.size() < 255);  // the longest line that an RS274 interpreter takes (NISTIR 6556, section 3.1:
                               // 256 with its end)
  }
}

TEST_CASE("A title of any letters is turned into ASCII without parentheses") {
  Bench bench;
  withy::Scene scene = bench.scene();
  scene.title = "Prüfstand (S-Bogen)\tNr. 1";
  const std::string text = withy::write_iso6983(script_of(bench), scene);
  CHECK(count(text, "(Scene: Pr?fstand [S-Bogen] Nr. 1)\n") == 1);
}

TEST_CASE("The feed is the path that an interpreter sees over the time that the slowest axis takes") {
  withy::Actuation actuation;
  actuation.advance_mm_per_s = 2.0;
  actuation.tendon_mm_per_s = 0.5;
  Waypoint from;
  from.pull_mm = {0.0, 0.0};
  Waypoint to = from;
  // Closed forms: a tendon's 3 mm take 6 s, Z's 8 mm take 4 s.
  to.insertion_mm = 8.0;
  to.pull_mm = {3.0, 0.0};
  actuation.advance_axis = "Z";
  actuation.tendon_axes = {"A", "U"};
  CHECK_THAT(withy::feed_mm_per_min(actuation, from, to),
             WithinAbs(8.0 / 6.0 * 60.0, 1.1e-6));  // Z alone is the path
  actuation.tendon_axes = {"X", "U"};
  CHECK_THAT(withy::feed_mm_per_min(actuation, from, to),
             WithinAbs(std::hypot(8.0, 3.0) / 6.0 * 60.0, 1.1e-6));
  actuation.advance_axis = "A";
  actuation.tendon_axes = {"B", "U"};
  CHECK_THAT(withy::feed_mm_per_min(actuation, from, to),
             WithinAbs(std::hypot(8.0, 3.0) / 6.0 * 60.0, 1.1e-6));
  to.pull_mm = {3.0, 1.0};  // U comes before A and B
  CHECK_THAT(withy::feed_mm_per_min(actuation, from, to), WithinAbs(1.0 / 6.0 * 60.0, 1.1e-6));
}

TEST_CASE("A feed is never faster than the rates allow") {
  const Bench bench({.guide = true, .disk_spacing_mm = 10.0});
  const withy::Actuation& actuation = *bench.scene().actuation;
  const Script script = script_of(bench);
  for (std::size_t i = 1; i < script.waypoints.size(); ++i) {
    const Waypoint& a = script.waypoints[i - 1];
    const Waypoint& b = script.waypoints[i];
    if (a.insertion_mm == b.insertion_mm && a.pull_mm == b.pull_mm) continue;
    // Letters Z A B C U: Z where it moves, else U where it moves, else A B C.
    const double dz = std::abs(b.insertion_mm - a.insertion_mm);
    const double du = std::abs(b.pull_mm[3] - a.pull_mm[3]);
    const double abc =
        std::sqrt(std::pow(b.pull_mm[0] - a.pull_mm[0], 2) + std::pow(b.pull_mm[1] - a.pull_mm[1], 2) +
                  std::pow(b.pull_mm[2] - a.pull_mm[2], 2));
    const double path = dz > 0.0 ? dz : du > 0.0 ? du : abc;
    const double seconds = path / withy::feed_mm_per_min(actuation, a, b) * 60.0;
    CAPTURE(i);
    CHECK(dz / seconds <= 2.0 * (1.0 + 1e-9));
    for (std::size_t k = 0; k < 4; ++k)
      CHECK(std::abs(b.pull_mm[k] - a.pull_mm[k]) / seconds <= 1.0 * (1.0 + 1e-9));
  }
}

TEST_CASE("A program that was edited wrongly is refused where the fault stands") {
  withy::Actuation actuation;
  actuation.advance_axis = "Z";
  actuation.tendon_axes = {"A", "B"};
  const auto refusal = [&](const std::string& body, const std::string& end = "M2\n%\n") {
    const auto script =
        withy::read_iso6983("%\n(LOCKS 1)\n(COILS 3)\nG21 G90 G94\n" + body + end, "s.ngc", actuation);
    return script ? std::string() : script.error().message();
  };
  CHECK(refusal("G1 Z1.0 A0.5 B-0.5 F60\nZ2.0\nG4 P1.5\n").empty());
  CHECK(refusal("g1 z1.0 f60\nN10 Z2\n").empty());
  CHECK(refusal("G1 Z1.0 Q2 F60\n").starts_with("s.ngc:5:9: the unit has no axis Q"));
  CHECK(refusal("G1 Z1.0 X2 F60\n")
            .starts_with("s.ngc:5:9: the unit has no axis X, use the scene's letters Z A B"));
  CHECK(refusal("G0 Z1.0\n").starts_with("s.ngc:5:1: G0 is not used in these programs"));
  CHECK(refusal("G20\n").starts_with("s.ngc:5:1: G20 is not used"));
  CHECK(refusal("G91\n").starts_with("s.ngc:5:1: G91 is not used"));
  CHECK(refusal("M3\n").starts_with("s.ngc:5:1: M3 is not used"));
  CHECK(refusal("G1 Z F60\n").starts_with("s.ngc:5:4: no number follows the letter Z"));
  CHECK(refusal("G1 Z1e2 F60\n").starts_with("s.ngc:5:6: the unit has no axis E"));
  CHECK(refusal("G1 Z1.0 F0\n").starts_with("s.ngc:5:9: the feed is not above 0"));
  CHECK(refusal("G1 Z1.0\n").starts_with("s.ngc:5:4: an axis moves before any F"));
  CHECK(refusal("Z1.0 F60\n").starts_with("s.ngc:5:1: an axis moves before any G1"));
  CHECK(refusal("G4\n").starts_with("s.ngc:5:1: G4 has no P"));
  CHECK(refusal("G4 P-1\n").starts_with("s.ngc:5:4: the dwell is -1 s"));
  CHECK(refusal("G4 P1 Z2\n").starts_with("s.ngc:5:7: a dwell and a move in one line"));
  CHECK(refusal("P1\n").starts_with("s.ngc:5:1: a P word without G4"));
  CHECK(refusal("(a (b) c)\n").starts_with("s.ngc:5:4: a comment stands inside a comment"));
  CHECK(refusal("(a\n").starts_with("s.ngc:5:1: this comment is never closed"));
  CHECK(refusal("; note\n").starts_with("s.ngc:5:1: \";\" opens no word"));
  CHECK(refusal("(SWITCH LOCK 2 ENGAGE FIELD_MT 1 2 3 CURRENT_A 1 2 3)\n")
            .starts_with("s.ngc:5:14: \"2\" doesn't belong here, name a lock from 1 to 1"));
  CHECK(refusal("(SWITCH LOCK 1 ENGAGE FIELD_MT 1 2 3)\n")
            .starts_with("s.ngc:5:2: \"SWITCH\" doesn't belong here"));
  CHECK(refusal("(SWITCH LOCK 1 TURN FIELD_MT 1 2 3 CURRENT_A 1 2 3)\n")
            .starts_with("s.ngc:5:16: \"TURN\" doesn't belong here"));
  CHECK(refusal("(SWITCH LOCK 1 ENGAGE FIELD_MT 1 2 x CURRENT_A 1 2 3)\n")
            .starts_with("s.ngc:5:36: \"x\" doesn't belong here"));
  CHECK(refusal("(FIELD ON)\n").starts_with("s.ngc:5:8: \"ON\" doesn't belong here"));
  CHECK(refusal("(LOCKS 99)\n").starts_with("s.ngc:5:8: \"99\" doesn't belong here"));
  CHECK(refusal("G1 Z1 F60\n", "").starts_with("s.ngc:5:1: the program never ends"));
  CHECK(refusal("G1 Z1 F60\n", "M2\n").starts_with("s.ngc:6:1: the program's last % is missing"));
  CHECK(refusal("G1 Z1 F60\n", "M2\nG1 Z2\n%\n").starts_with("s.ngc:7:1: a word follows the program's end"));
  CHECK(refusal("%\n").starts_with("s.ngc:5:1: a % stands inside the program"));
  CHECK(refusal("", "M2\n%\nM0\n").starts_with("s.ngc:7:1: text follows the program's end"));
}

TEST_CASE("A program moves only after it has said that it is in millimetres, absolute and per minute") {
  withy::Actuation actuation;
  actuation.advance_axis = "Z";
  actuation.tendon_axes = {"A", "B"};
  for (const std::string codes : {"G90 G94", "G21 G94", "G21 G90"}) {
    const auto script = withy::read_iso6983("(LOCKS 0)\n" + codes + "\nG1 Z1 F60\nM2\n", "s.ngc", actuation);
    CAPTURE(codes);
    REQUIRE_FALSE(script);
    CHECK(script.error().message().starts_with("s.ngc:3:4: an axis moves before G21 G90 G94"));
  }
  CHECK(withy::read_iso6983("(LOCKS 0)\nG21 G90 G94\nG1 Z1 F60\nM2\n", "s.ngc", actuation));
  CHECK_FALSE(withy::read_iso6983("G21 G90 G94\nG1 Z1 F60\nM2\n", "s.ngc", actuation));
}

TEST_CASE("A hunt is rows with the field on, from the planned pulls to the planned pulls, then the switch") {
  const Bench bench({.hunt_mm = 0.1});
  const Script script = script_of(bench);
  const auto& rows = script.waypoints;
  const auto is_hunt = [](const Waypoint& w) { return w.action == withy::kHuntAction; };
  const auto first = std::find_if(rows.begin(), rows.end(), is_hunt);
  REQUIRE(first != rows.end());
  const auto end = std::find_if_not(first, rows.end(), is_hunt);
  REQUIRE(end != rows.end());
  CHECK(std::none_of(end, rows.end(), is_hunt));  // on the way out the lock is released
  // Window 0.02 mm: 0.1 / (0.02 sqrt 2) = 3.5, so four turns and the rim; the centre first, twice, and last.
  const auto& hunt = *bench.plan().actions[static_cast<std::size_t>(2)].hunt;
  REQUIRE(hunt.made());
  CHECK(hunt.turns == 5);
  CHECK(end - first == hunt.turns * hunt.corners_per_turn + 2);
  CHECK(first->pull_mm == (first - 1)->pull_mm);
  CHECK((end - 1)->pull_mm == first->pull_mm);
  CHECK(first->dwell_s == 1.5);
  for (auto row = first; row != end; ++row) {
    CHECK(row->field_S == end->field_S);
    CHECK(row->current_A == end->current_A);
    CHECK(row->insertion_mm == first->insertion_mm);
    CHECK(row->engaged.none());
  }
  // Each row stands at a corner of the track, as the plain implementation has it from the plan's own figures.
  const auto robot = withy_test::plain_robot(bench);
  withy_plain::ListedHunt listed;
  listed.shape = "spiral";
  listed.radius_mm = hunt.radius_mm;
  listed.spacing_mm = hunt.spacing_mm;
  listed.turns = hunt.turns;
  listed.corners_per_turn = hunt.corners_per_turn;
  const auto corners = withy_plain::hunt_corners(robot.scene, listed);
  const auto planned = withy_test::plain_state(bench.design(), bench.plan().states[2]);
  REQUIRE(end - first == static_cast<std::ptrdiff_t>(corners.size()));
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const auto pulls = withy_plain::pulls(robot, withy_plain::swept(robot, planned, 0, corners[i]));
    for (std::size_t k = 0; k < pulls.size(); ++k)
      CHECK(std::abs((first + static_cast<std::ptrdiff_t>(i))->pull_mm[k] - pulls[k]) < 1e-6);
  }
  CHECK(end->action == "lock");
  CHECK(end->engaged.count() == 1);
  CHECK(end->pull_mm == first->pull_mm);
  CHECK((end + 1)->field_S.isZero(0.0));
  const std::string program = withy::write_iso6983(script, bench.scene());
  CHECK(count(program, "(HUNT LOCK 1 FIELD_MT ") == 1);
  CHECK(count(program, "\nM0\n") == 3);
  CHECK(count(withy::write_iso6983(script, bench.scene(), {.stops = false}), "\nM0\n") == 0);
}

TEST_CASE("A hunt that is not made leaves the script as it was without one") {
  const Bench without({.coils = true});
  const Bench bench({.hunt_mm = 0.1, .coils = true});
  withy::Plan plan = bench.plan();
  for (auto& action : plan.actions)
    if (action.hunt) action.hunt->objection = "makes the body touch the wall";
  const auto script = withy::make_script(bench.scene(), bench.design(), plan);
  REQUIRE(script);
  CHECK(script->waypoints == script_of(without).waypoints);
}

TEST_CASE("A hunt that names another lock than the one that switches is refused") {
  const Bench bench({.hunt_mm = 0.1});
  std::string program = withy::write_iso6983(script_of(bench), bench.scene());
  const auto spoil = [&](const std::string& part, const std::string& by) {
    std::string spoiled = program;
    spoiled.replace(spoiled.find(part), part.size(), by);
    const auto read = withy::read_iso6983(spoiled, "s.ngc", *bench.scene().actuation);
    REQUIRE_FALSE(read);
    return read.error().problem + ", " + read.error().remedy;
  };
  CHECK(spoil("(HUNT LOCK 1", "(HUNT LOCK 2") == "\"2\" doesn't belong here, name a lock from 1 to 1");
  CHECK(spoil("(HUNT LOCK 1 FIELD_MT", "(HUNT LOCK 1 FIELD") ==
        "\"HUNT\" doesn't belong here, write HUNT LOCK i, with coils FIELD_MT x y z CURRENT_A and one for "
        "each coil");
}

TEST_CASE("Where the scene letters the coils, their currents are commands and there is no stop") {
  const Bench bench({.coils = true});
  const Script script = script_of(bench);
  REQUIRE(script.coils == 4);
  const std::string program = withy::write_iso6983(script, bench.scene());
  CHECK(count(program, "\nM0\n") == 0);
  CHECK(count(program, "CURRENT_A") == 0);
  CHECK(count(program, "(COILS 4)\n") == 1);
  const auto lines = lines_of(program, "\n");
  int switches = 0;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    if (!lines[i].starts_with("(SWITCH LOCK 1")) continue;
    ++switches;
    CHECK(lines[i + 1].starts_with("G1 X"));
    CHECK(lines[i + 2] == "G4 P1.500000");
    CHECK(lines[i + 3].starts_with("(ACTION"));
    CHECK(lines[i + 4] == "(FIELD OFF)");
    CHECK(lines[i + 5].starts_with("G1 X0.000000 Y0.000000 V0.000000 W0.000000 F"));
  }
  CHECK(switches == 2);
  // A path of sqrt(x^2 + y^2) mm, which is what an interpreter sees of X Y V W, in the settling time of 1.5
  // s.
  for (std::size_t i = 1; i < script.waypoints.size(); ++i) {
    const Waypoint& on = script.waypoints[i];
    if (on.engaged == script.waypoints[i - 1].engaged) continue;
    const double feed = withy::feed_mm_per_min(*bench.scene().actuation, script.waypoints[i - 1], on);
    CHECK_THAT(feed, WithinAbs(std::hypot(on.current_A[0], on.current_A[1]) / 1.5 * 60.0, 2e-6));
  }
  const auto read = withy::read_iso6983(program, "script.ngc", *bench.scene().actuation);
  REQUIRE(read);
  auto meant = script.waypoints;
  meant.front().note.clear();  // the program has no block for the start
  CHECK(read->waypoints == meant);
}

TEST_CASE("Coil currents beside a move, or of a coil the program has not, are refused") {
  const Bench bench({.coils = true});
  const std::string head = "%\n(LOCKS 1)\n(COILS 4)\nG21 G90 G94\n";
  const auto refusal = [&](const std::string& text) {
    const auto read = withy::read_iso6983(text, "s.ngc", *bench.scene().actuation);
    REQUIRE_FALSE(read);
    return read.error().message();
  };
  CHECK(refusal(head + "G1 Z1 X0.5 F60\nM2\n%\n").starts_with("s.ngc:5:7: coil currents beside a move"));
  CHECK(refusal("%\n(LOCKS 1)\n(COILS 3)\nG21 G90 G94\nG1 X1 F60\nM2\n%\n")
            .starts_with("s.ngc:5:4: a coil's current, but the program says (COILS 3)"));
}

namespace {

/// A design with other limits.
withy::Design with_limits(const withy::Design& design,
                          const std::function<void(withy::DesignParts&)>& change) {
  withy::DesignParts parts = design.parts();
  change(parts);
  auto made = withy::Design::make(std::move(parts));
  REQUIRE(made);
  return *made;
}

}  // namespace

TEST_CASE("A number on its limit is rounded inwards, and no other is") {
  CHECK(withy::on_script_step_within(79.9999996, 79.9999996) == 79.999999);
  CHECK(withy::on_script_step_within(-79.9999996, 79.9999996) == -79.999999);
  CHECK(withy::on_script_step_within(79.9999996, 80.0) == 80.0);
  CHECK(withy::on_script_step_within(80.0, 80.0) == 80.0);
  CHECK(withy::on_script_step_within(1.0000004, 1.0000004) == 1.0);
  // What is beyond its limit is not made to keep it.
  CHECK(withy::on_script_step_within(81.0, 80.0) == 81.0);
}

TEST_CASE("No insertion, pull, field or current of a script is beyond a limit that its plan just keeps") {
  constexpr unsigned kSeed = 20;
  CAPTURE(kSeed);
  std::mt19937_64 random(kSeed);
  std::uniform_real_distribution<double> share(0.9, 1.1);
  for (const bool coils : {false, true}) {
    const Bench bench({.coils = coils});
    for (int run = 0; run < 100; ++run) {
      withy::Plan plan = bench.plan();
      const double scale = share(random);
      double insertion_mm = 0.0, pull_mm = 0.0, field_mT = 0.0, current_A = 0.0;
      for (withy::PlannedState& state : plan.states) {
        state.insertion_mm *= scale;
        insertion_mm = std::max(insertion_mm, state.insertion_mm);
        for (const double pull : withy::tendon_pulls(bench.design(), withy::regions_of(bench.design(), state),
                                                     state.insertion_mm))
          pull_mm = std::max(pull_mm, std::abs(pull));
      }
      for (withy::PlannedAction& action : plan.actions) {
        if (!action.field_S) continue;
        *action.field_S *= scale;
        for (double& current : action.current_A) current *= scale;
        field_mT = std::max(field_mT, action.field_S->norm());
        for (const double current : action.current_A) current_A = std::max(current_A, std::abs(current));
      }
      const withy::Design design = with_limits(bench.design(), [&](withy::DesignParts& parts) {
        parts.carriage.insertion_max_mm = insertion_mm;
        parts.tendons->stroke_max_mm = pull_mm;
        // With coils that have places another lock may get more than the one that switches.
        parts.field->strength_max_mT = coils ? 10.0 * field_mT : field_mT;
        for (withy::Coil& coil : parts.field->coils) coil.current_max_A = current_A;
      });
      const auto script = withy::make_script(bench.scene(), design, plan);
      REQUIRE(script);
      double most_A = 0.0;
      for (const Waypoint& row : script->waypoints) {
        REQUIRE(row.insertion_mm <= insertion_mm);
        for (const double pull : row.pull_mm) REQUIRE(std::abs(pull) <= pull_mm);
        REQUIRE(row.field_S.norm() <= design.field()->strength_max_mT);
        for (const double current : row.current_A) most_A = std::max(most_A, std::abs(current));
        if (coils) continue;
        // B = c I along each axis of three coils without places.
        double square = 0.0;
        for (std::size_t k = 0; k < row.current_A.size(); ++k)
          square +=
              std::pow(row.current_A[k] * design.field()->coil_mT_per_A(static_cast<Eigen::Index>(k)), 2);
        REQUIRE(std::sqrt(square) <= field_mT);
      }
      if (coils) REQUIRE(most_A <= current_A);
      // Not made weaker than a few steps.
      REQUIRE(most_A > 0.0);
      REQUIRE(most_A >= current_A - 20.0 * withy::kScriptStep);
    }
  }
}

TEST_CASE("A compensated script ends with every axis at zero, whatever was made up for where the plan ends") {
  const Bench bench;
  const auto tendons = static_cast<Eigen::Index>(bench.design().tendons()->angle_rad.size());
  withy::PullCorrections corrections;
  corrections.at_state.assign(bench.plan().states.size(), Eigen::VectorXd::Constant(tendons, 0.1));
  corrections.at_state.front().setZero();
  const auto script = withy::make_script(bench.scene(), bench.design(), bench.plan(), corrections);
  REQUIRE(script);
  const Waypoint& last = script->waypoints.back();
  CHECK(last.insertion_mm == 0.0);
  CHECK(last.engaged.none());
  for (const double pull : last.pull_mm) CHECK(pull == 0.0);
  // The rows before it are those of the plan, made up for.
  const Waypoint& drawn_back = script->waypoints[script->waypoints.size() - 2];
  CHECK(drawn_back.insertion_mm == 0.0);
  for (const double pull : drawn_back.pull_mm) CHECK(pull == 0.1);

  corrections.at_state.back().setZero();
  const auto without = withy::make_script(bench.scene(), bench.design(), bench.plan(), corrections);
  REQUIRE(without);
  CHECK(without->waypoints.size() + 1 == script->waypoints.size());
}
