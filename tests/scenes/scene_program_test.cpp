// SPDX-License-Identifier: GPL-3.0-or-later
// The built program from a mesh, a printed block's or a volume's file to a scene that `withy check` takes.
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <regex>

#include <catch2/catch.hpp>
#include <fmt/core.h>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace fs = std::filesystem;

namespace {

using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

const std::set<std::string> kAnswer = {"out", "out/channel.obj", "out/picture.png", "out/report.txt",
                                       "out/scene.toml"};

std::string tube_recipe(const std::string& ends) {
  return "title = \"bent\"\nends = \"" + ends + "\"\nfar_ends = \"" + ends +
         "\"\nedge_length_mm = 1.5\n[[tube]]\nname = \"t\"\npieces = [ { length_mm = 30 }, { length_mm = 30, "
         "bend_deg = 50 } ]\nradius = [ { station_mm = 0, radius_mm = 6 }, { station_mm = 60, radius_mm = 5 "
         "} ]\n";
}

void make_mesh(const TemporaryFolder& folder, const std::string& ends) {
  write_text(folder.path() / "tube.toml", tube_recipe(ends));
  REQUIRE(run_program(WITHY_PROGRAM, {"channel", "tube.toml", "-o", "tube.stl"}, folder.path()).status == 0);
}

ProgramRun run(const TemporaryFolder& folder, const std::vector<std::string>& arguments) {
  ProgramRun out = run_program(WITHY_PROGRAM, arguments, folder.path());
  return out;
}

/// Everything new in the folder since `before`.
std::set<std::string> made(const TemporaryFolder& folder, const std::set<std::string>& before) {
  std::set<std::string> names = folder.listing();
  for (const std::string& name : before) names.erase(name);
  return names;
}

void check_takes(const TemporaryFolder& folder) {
  const ProgramRun check = run(folder, {"check", "out/scene.toml", "--quiet"});
  INFO(check.out << check.err);
  CHECK(check.status == 0);
  CHECK(check.out.find("stops a plan") == std::string::npos);
}

}  // namespace

// A tube of 60 mm whose far end is closed by a flat wall: from the entry to a tip's room before that wall the
// closed form of the room is the radius.
TEST_CASE("the wall at the end of a wide blind tube is no narrow place on the way to it") {
  const TemporaryFolder folder;
  write_text(
      folder.path() / "tube.toml",
      "title = \"blind\"\nends = \"open\"\nfar_ends = \"capped\"\nedge_length_mm = 2.5\n[[tube]]\nname = "
      "\"t\"\npieces = [ { length_mm = 60 } ]\nradius = [ { station_mm = 0, radius_mm = 12 } ]\n");
  const ProgramRun tube = run(folder, {"channel", "tube.toml", "-o", "tube.stl"});
  INFO(tube.err);
  REQUIRE(tube.status == 0);
  const ProgramRun scene = run(folder, {"scene", "tube.stl", "-o", "out", "--quiet"});
  INFO(scene.out << scene.err);
  REQUIRE(scene.status == 0);
  CHECK(scene.out.find("of its usual size") == std::string::npos);
  CHECK(read_text(folder.path() / "out/scene.toml").find("radius_mm = 1.5") != std::string::npos);
  check_takes(folder);
}

TEST_CASE("places where a lumen comes back in front of the entry are none, and are told by that") {
  const TemporaryFolder folder;
  // The bend has a radius of 60 / pi mm; the far limb ends 20 mm in front of the entry's plane.
  write_text(folder.path() / "tube.toml",
             "title = \"back\"\nends = \"open\"\nfar_ends = \"open\"\nedge_length_mm = 1.5\n[[tube]]\nname = "
             "\"t\"\npieces = [ { length_mm = 20 }, { length_mm = 60, bend_deg = 180 }, { length_mm = 40 } "
             "]\nradius = [ { station_mm = 0, radius_mm = 6 }, { station_mm = 120, radius_mm = 5 } ]\n");
  REQUIRE(run(folder, {"channel", "tube.toml", "-o", "tube.stl"}).status == 0);
  for (const char* target : {"opening:2", "deepest", "branch:1@95%"}) {
    const ProgramRun scene = run(
        folder, {"scene", "tube.stl", "-o", "out", "--entry", "opening:1", "--target", target, "--quiet"});
    INFO(target << ": " << scene.out << scene.err);
    REQUIRE(scene.status == 0);
    CHECK(scene.out.find("beyond it the line lies in front of the entry plane, where no wall is held") !=
          std::string::npos);
    CHECK(scene.out.find("the tip does not have") == std::string::npos);
    check_takes(folder);
  }
  const fs::path file = folder.path() / "out/scene.toml";
  write_text(file,
             std::regex_replace(read_text(file), std::regex("(\\[target\\][^\\[]*\\n)point_mm[^\\n]*\\n"),
                                "$1point_mm = [38.197, 0, -10]\n"));  // on the far limb's axis
  const ProgramRun check = run(folder, {"check", "out/scene.toml", "--quiet"});
  INFO(check.out << check.err);
  CHECK(check.status == 2);
  CHECK(check.err.find("the target lies 10.000 mm in front of the entry plane, where the lumen comes back") !=
        std::string::npos);
}

TEST_CASE("a mesh becomes a scene that check takes, entry and target by name") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  const auto before = folder.listing();
  const ProgramRun made_scene = run(folder, {"scene", "tube.stl", "-o", "out", "--entry", "opening:2",
                                             "--target", "branch:1@80%", "--quiet"});
  INFO(made_scene.out << made_scene.err);
  REQUIRE(made_scene.status == 0);
  CHECK(made(folder, before) == kAnswer);
  // The recipe's far end is the narrower one: radius 5, at the end of the bend.
  CHECK(std::regex_search(made_scene.out, std::regex("opening +2, entry: .*radius (4.9|5.0)")));
  CHECK(made_scene.out.find("handles      0") != std::string::npos);
  CHECK(read_text(folder.path() / "out/report.txt").find("opening") != std::string::npos);
  check_takes(folder);

  // The same places by name in the scene itself, printed back as the numbers that stood there.
  const std::string written = read_text(folder.path() / "out/scene.toml");
  std::smatch point;
  REQUIRE(std::regex_search(
      written, point,
      std::regex("\\[target\\][^\\n]*\\npoint_mm = \\[([-0-9.]+), ([-0-9.]+), ([-0-9.]+)\\]")));
  std::string text = written;
  text = std::regex_replace(text,
                            std::regex("(\\[entry\\][^\\n]*\\n)point_mm[^\\n]*\\naxis[^\\n]*\\nx_axis[^\\n]*"
                                       "\\nopening_radius_mm[^\\n]*\\n"),
                            "$1at = \"opening:2\"\n");
  text = std::regex_replace(text, std::regex("(\\[target\\][^\\[]*\\n)point_mm[^\\n]*\\n"),
                            "$1at = \"branch:1@80%\"\n");
  write_text(folder.path() / "out/named.toml", text);
  const ProgramRun named = run(folder, {"check", "out/named.toml", "-o", "seen", "--quiet"});
  INFO(named.out << named.err);
  REQUIRE(named.status == 0);
  std::smatch told;
  REQUIRE(std::regex_search(
      named.out, told,
      std::regex("\\[target\\] at is point_mm = \\[([-0-9.e]+), ([-0-9.e]+), ([-0-9.e]+)\\]")));
  for (std::size_t k = 1; k <= 3; ++k) CHECK(std::abs(std::stod(told[k]) - std::stod(point[k])) < 1e-3);
  CHECK(named.out.find("[entry] at is point_mm") != std::string::npos);
  CHECK(std::filesystem::exists(folder.path() / "seen/picture.png"));
  CHECK(read_text(folder.path() / "seen/report.txt") == named.out);
}

TEST_CASE("a closed lumen in a body is not told to be given as a body") {
  const TemporaryFolder folder;
  std::string obj;  // one box in another
  for (const double half : {20.0, 6.0})
    for (int k = 0; k < 8; ++k)
      obj += fmt::format("v {} {} {}\n", k & 1 ? half : -half, k & 2 ? half : -half, k & 4 ? half : -half);
  for (const int first : {1, 9})
    for (const auto& [a, b, c, d] : std::vector<std::array<int, 4>>{
             {0, 2, 3, 1}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 6, 7, 3}, {0, 4, 6, 2}, {1, 3, 7, 5}})
      obj += fmt::format("f {} {} {} {}\n", first + a, first + b, first + c, first + d);
  write_text(folder.path() / "boxes.obj", obj);
  const ProgramRun hollow = run(folder, {"scene", "boxes.obj", "-o", "out", "--body", "--quiet"});
  CAPTURE(hollow.err);
  CHECK(hollow.status == 2);
  CHECK(hollow.err.find("the lumen in the body is closed: there is no opening to go in by, open an end") !=
        std::string::npos);
  CHECK(hollow.err.find("give --body") == std::string::npos);
  const ProgramRun solid = run(folder, {"scene", "boxes.obj", "-o", "out", "--quiet"});
  CAPTURE(solid.err);
  CHECK(solid.status == 2);
  CHECK(solid.err.find("or give --body if the mesh is a solid block") != std::string::npos);
}

TEST_CASE("names of places that are none are refused with what there is") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  REQUIRE(run(folder, {"scene", "tube.stl", "-o", "out", "--quiet"}).status == 0);
  const std::string text = read_text(folder.path() / "out/scene.toml");
  const auto refused = [&](const std::string& table, const std::string& at, const std::string& words) {
    const std::regex numbers(table == "entry" ? "(\\[entry\\][^\\n]*\\n)point_mm[^\\n]*\\naxis[^\\n]*\\nx_"
                                                "axis[^\\n]*\\nopening_radius_mm[^\\n]*\\n"
                                              : "(\\[target\\][^\\[]*\\n)point_mm[^\\n]*\\n");
    write_text(folder.path() / "out/named.toml",
               std::regex_replace(text, numbers, "$1at = \"" + at + "\"\n"));
    const ProgramRun check = run(folder, {"check", "out/named.toml", "--quiet"});
    CAPTURE(at, check.err);
    CHECK(check.status == 2);
    CHECK(check.err.find(words) != std::string::npos);
  };
  refused("entry", "opening:3", "the mesh has 2 openings, give \"opening:N\" with N from 1 to 2");
  refused("entry", "widest", "\"widest\" names no opening");
  refused("target", "branch:4@10%", "the lumen has one branch, give \"branch:1@10%\"");
  refused("target", "opening:9", "the channel has 2 openings, give \"opening:2\"");
  refused("target", "somewhere", "give \"opening:2\", \"branch:3@80%\", \"widest\" or \"deepest\"");
  refused("target", "opening:1", "opening 1 is the entry");
  // A place that a tip meets before it goes in is one, with a word on it.
  const ProgramRun entry =
      run(folder, {"scene", "tube.stl", "-o", "out", "--target", "branch:1@0%", "--quiet"});
  CHECK(entry.status == 0);
  CHECK(entry.out.find("it lies on the entry plane") != std::string::npos);
  refused("target", "", "\"\" names no place, give \"opening:2\"");
  refused("entry", "", "\"\" names no place, give \"opening:1\"");
  // A place has one spelling.
  for (const char* other :
       {"opening:01", "opening:+1", "opening: 1", " opening:1", "Opening:1", "opening:1 "})
    refused("entry", other, fmt::format("\"{}\" names no opening, give \"opening:1\"", other));
  for (const char* other : {"branch:1@80.0%", "branch:1@80.0%%", "branch:1@080%", "branch:01@80%",
                            "branch:1@8e1%", "branch:1@80", "branch:1 @ 80 %", "branch:1@+80%"})
    refused("target", other, fmt::format("\"{}\" names no place, give \"branch:1@80%\"", other));
  for (const char* beyond : {"branch:1@101%", "branch:1@-5%", "branch:1@inf%"})
    refused("target", beyond,
            fmt::format("\"{}\" names no place, give \"branch:1@P%\" with P from 0 to 100", beyond));
  refused("target", "branch:1@-0%", "give \"branch:1@0%\"");
  refused("target", "branch:1@1e-7%", "give \"branch:1@0.0000001%\"");
  refused("target", "branch:1@0.5.0%", "give \"opening:2\", \"branch:3@80%\"");
  refused("entry", "Widest",
          "\"Widest\" names no opening, give \"opening:1\" for the one with the longest rim");
  const auto option = [&](const char* name, const char* given, const char* words) {
    const ProgramRun scene = run(folder, {"scene", "tube.stl", "-o", "other", name, given, "--quiet"});
    CAPTURE(given, scene.err);
    CHECK(scene.status == 2);
    CHECK(scene.err.find(words) != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(folder.path() / "other"));
  };
  option("--entry", "opening:01", "give \"opening:1\"");
  option("--target", "branch:1@80.0%%", "give \"branch:1@80%\"");
  CHECK(run(folder, {"scene", "tube.stl", "-o", "out", "--target", "branch:1@12.5%", "--quiet"}).status == 0);
}

TEST_CASE("a target by name is where its name says, or says how far from there and why") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  struct Drawn {
    std::array<double, 3> target{};
    std::string out, toml;
  };
  const std::string number = "([-0-9.]+)";
  const std::string triple = "\\(" + number + ", " + number + ", " + number + "\\) mm";
  const auto numbers = [](const std::smatch& found, std::size_t from) {
    return std::array<double, 3>{std::stod(found[from]), std::stod(found[from + 1]),
                                 std::stod(found[from + 2])};
  };
  const auto apart = [](const std::array<double, 3>& a, const std::array<double, 3>& b) {
    return std::hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
  };
  const auto drawn = [&](const std::string& target) {
    const ProgramRun scene = run(folder, {"scene", "tube.stl", "-o", "out", "--target", target, "--quiet"});
    INFO(scene.out << scene.err);
    REQUIRE(scene.status == 0);
    Drawn found{{}, scene.out, read_text(folder.path() / "out/scene.toml")};
    std::smatch point;
    REQUIRE(std::regex_search(
        found.toml, point,
        std::regex("\\[target\\][^\\[]*\npoint_mm = \\[" + number + ", " + number + ", " + number + "\\]")));
    found.target = numbers(point, 1);
    // The same by name in the scene, and check says the same of it.
    std::smatch note;
    REQUIRE(std::regex_search(found.out, note, std::regex("target +(" + target + " [^\n]*)")));
    CHECK(found.toml.find("# " + note[1].str()) != std::string::npos);
    CHECK(found.toml.find("at = \"" + target + "\" instead of point_mm says the same") != std::string::npos);
    write_text(folder.path() / "out/named.toml",
               std::regex_replace(found.toml, std::regex("(\\[target\\][^\\[]*\n)point_mm[^\n]*\n"),
                                  "$1at = \"" + target + "\"\n"));
    const ProgramRun named = run(folder, {"check", "out/named.toml", "--quiet"});
    INFO(named.out << named.err);
    CHECK(named.status == 0);
    std::smatch told;
    REQUIRE(std::regex_search(
        named.out, told,
        std::regex("\\[target\\] at is point_mm = \\[([-0-9.e]+), ([-0-9.e]+), ([-0-9.e]+)\\]")));
    CHECK(apart(numbers(told, 1), found.target) < 1e-3);
    CHECK(named.out.find(note[1].str()) != std::string::npos);
    return found;
  };
  // The far end is closed: a tip of 1.5 mm with 0.2 mm of clearance stops 1.7 mm before its cap.
  const Drawn opening = drawn("opening:2");
  std::smatch said;
  REQUIRE(std::regex_search(opening.out, said,
                            std::regex("opening:2 has its centre at " + triple + "; the target lies " +
                                       number + " mm inside of it, [^\n]*the 1\\.70 mm of room")));
  CHECK(std::abs(apart(numbers(said, 1), opening.target) - std::stod(said[4])) < 0.02);
  CHECK(std::stod(said[4]) > 1.69);
  CHECK(std::stod(said[4]) < 1.75);
  // So does the branch that leads there, and what lies deepest.
  const Drawn end = drawn("branch:1@100%");
  CHECK(apart(end.target, opening.target) < 1e-3);
  CHECK(end.out.find(" mm before it, at 97.") != std::string::npos);
  const Drawn deepest = drawn("deepest");
  CHECK(apart(deepest.target, opening.target) < 1e-3);
  CHECK(std::regex_search(deepest.out, std::regex("that branch ends 1\\.7[0-9] mm farther on")));
  // The widest place is one, wherever it is told.
  const Drawn widest = drawn("widest");
  std::smatch report;
  REQUIRE(std::regex_search(
      widest.out, report,
      std::regex("widest +radius " + number + " mm at " + triple + ", on branch 1 at " + number + " mm")));
  CHECK(apart(numbers(report, 2), widest.target) < 0.01);
  CHECK(widest.out.find("widest has a radius of " + report[1].str() + " mm, on branch 1 at " +
                        report[5].str() + " mm, (" + report[2].str() + ", " + report[3].str() + ", " +
                        report[4].str() + ") mm") != std::string::npos);
}

TEST_CASE("a closed mesh is refused with a cut that opens it") {
  const TemporaryFolder folder;
  make_mesh(folder, "capped");
  const auto before = folder.listing();
  const ProgramRun closed = run(folder, {"scene", "tube.stl", "-o", "out", "--quiet"});
  CHECK(closed.status == 2);
  CHECK(folder.listing() == before);
  std::smatch cut;
  REQUIRE(std::regex_search(
      closed.err, cut,
      std::regex("--cut ([-0-9.]+) ([-0-9.]+) ([-0-9.]+) ([-0-9.]+) ([-0-9.]+) ([-0-9.]+)")));
  const ProgramRun opened = run(folder, {"scene", "tube.stl", "-o", "out", "--quiet", "--cut", cut[1], cut[2],
                                         cut[3], cut[4], cut[5], cut[6]});
  INFO(opened.out << opened.err);
  CHECK(opened.status == 0);
  check_takes(folder);
}

TEST_CASE("the hardware fits through the narrowest place on the way to the target") {
  const TemporaryFolder folder;
  // Straight along z, radius 6, with a waist of radius 1.6 at z = 30. 20 mm in is before it, 50 mm behind it.
  write_text(
      folder.path() / "waist.toml",
      "title = \"waist\"\nends = \"open\"\nfar_ends = \"capped\"\nedge_length_mm = 1.0\n[[tube]]\nname = "
      "\"t\"\npieces = [ { length_mm = 60 } ]\nradius = [ { station_mm = 22, radius_mm = 6 }, { station_mm "
      "= 30, radius_mm = 1.6 }, { station_mm = 38, radius_mm = 6 } ]\n");
  REQUIRE(run(folder, {"channel", "waist.toml", "-o", "waist.stl"}).status == 0);
  const auto scale_for = [&](const std::string& target) {
    const ProgramRun drawn = run(folder, {"scene", "waist.stl", "-o", "out", "--target", target, "--quiet"});
    INFO(drawn.err);
    REQUIRE(drawn.status == 0);
    std::smatch radius;
    const std::string toml = read_text(folder.path() / "out/scene.toml");
    REQUIRE(std::regex_search(toml, radius, std::regex("\\[segment\\][^\\[]*\nradius_mm = ([0-9.]+)")));
    return std::pair(std::stod(radius[1]) / 1.5, toml);
  };
  CHECK(scale_for("branch:1@30%").first == 1.0);
  const auto [scale, toml] = scale_for("branch:1@80%");
  // Nine tenths of 1.6 mm less the clearance of 0.2, over the lock's 1.8; chords of the waist's polygon are
  // nearer.
  CHECK(scale <= 0.70);
  CHECK(scale >= 0.65);
  CHECK(std::regex_search(toml,
                          std::regex("mm of room at its narrowest, at \\(-?0\\.[01][0-9], -?0\\.[01][0-9], "
                                     "(29|30)\\.")));
  const ProgramRun plan =
      run(folder, {"plan", "out/scene.toml", "--locks", "0", "--prefer", "quick", "--quiet"});
  INFO(plan.out << plan.err);
  CHECK(plan.status == 0);
}

TEST_CASE("openings keep their numbers whichever is the entry, and the report says what was cut off them") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  // Half of the narrower end goes, 5 mm of it. Then its rim is the longer one, until it is cut flat.
  const std::string stl = read_text(folder.path() / "tube.stl");
  std::string bytes = stl.substr(0, 84);
  std::uint32_t count = 0;
  const auto value = [&](std::size_t at) {
    float x = 0.0F;
    std::memcpy(&x, stl.data() + at, 4);
    return static_cast<double>(x);
  };
  for (std::size_t at = 84; at + 50 <= stl.size(); at += 50) {
    double along = 0.0;  // the middle's height over the far end's plane: the tube ends bent by 50 degrees
    double aside = 0.0;
    for (std::size_t k = 0; k < 3; ++k) {
      const double bend = 50.0 * M_PI / 180.0;
      const double radius = 30.0 / bend;
      const double x = value(at + 12 + 12 * k) - radius * (1.0 - std::cos(bend));
      const double z = value(at + 20 + 12 * k) - 30.0 - radius * std::sin(bend);
      along += (std::sin(bend) * x + std::cos(bend) * z) / 3.0;
      aside += value(at + 16 + 12 * k) / 3.0;
    }
    if (along > -5.0 && aside > 0.0) continue;
    bytes += stl.substr(at, 50);
    ++count;
  }
  std::memcpy(bytes.data() + 80, &count, 4);
  write_text(folder.path() / "half.stl", bytes);
  std::array<std::string, 2> openings;
  for (const int entry : {1, 2}) {
    const ProgramRun drawn = run(
        folder, {"scene", "half.stl", "-o", "out", "--entry", "opening:" + std::to_string(entry), "--quiet"});
    INFO(drawn.out << drawn.err);
    REQUIRE(drawn.status == 0);
    std::smatch line;
    const std::string text = drawn.out;
    CHECK(std::regex_search(text, line, std::regex("Cut up to ([0-9.]+) mm off opening 2, now at")));
    CHECK(text.find("what was cut off uneven ends, up to " + line[1].str() + " mm, is left out of this") !=
          std::string::npos);
    for (const int n : {1, 2}) {
      std::smatch opening;
      REQUIRE(std::regex_search(
          text, opening,
          std::regex("opening +" + std::to_string(n) + ", [a-z, ]+: (centre [^m]+ mm, radius [0-9.]+)")));
      openings[static_cast<std::size_t>(entry - 1)] += opening[1].str() + "; ";
    }
    CHECK(text.find("opening      " + std::to_string(entry) + ", entry") != std::string::npos);
    check_takes(folder);
  }
  CHECK(openings[0] == openings[1]);
}

TEST_CASE("what is refused names the options that would do") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  const auto before = folder.listing();
  const auto refused = [&](std::vector<std::string> more, const std::vector<std::string>& words) {
    std::vector<std::string> arguments = {"scene", "tube.stl", "-o", "out", "--quiet"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    const ProgramRun said = run(folder, arguments);
    CAPTURE(said.err);
    CHECK(said.status == 2);
    CHECK(folder.listing() == before);
    for (const std::string& word : words) CHECK(said.err.find(word) != std::string::npos);
  };
  // A mesh in metres: all its openings are holes of a few micrometres.
  refused({"--scale", "0.001"},
          {"2 holes with a radius of up to 0.0059", "--unit or --scale", "--close-below 0.005"});
  refused(
      {"--close-below", "5.5", "--entry", "opening:2"},
      {"--entry opening:2 is none of the 1 opening;", "1 hole with a radius of up to", "--close-below 4."});
  // One of a giant, by the unit.
  refused({"--unit", "m"}, {"no scene holds such a lumen: entry.opening_radius_mm is 600",
                            "where it takes a number from 0.2 to 1000 mm", "give --unit or --scale"});
  refused({"--cut", "95", "0", "15", "0", "0", "1"},
          {"mm outside the lumen", "the nearest place in it is (10.6"});
  // In the plane of the tube's own end.
  refused({"--cut", "0", "0", "0", "0", "0", "1"},
          {"its plane lies in an end of the lumen", "turn the direction of --cut about"});
  refused({"--wrap", "0.001"}, {"would have about", "million faces", "give --wrap 0.0"});
  refused({"--wrap", "20"},
          {"the mesh had 2 boundary loops, and the wrap closed all of them", "by --cut ",
           "or keep the longest one, with a radius of", "by --wrap 11 and --close-below 5.4"});
  refused({"--crop", "-9", "-9", "10", "9", "9", "10"}, {"--crop: the box has no thickness along Z"});
  refused({"--body", "--wrap", "1"}, {"--body and --wrap are both given"});
  refused({"--crop", "50", "50", "50", "60", "60", "60"}, {"--crop box", "which reaches from (-5.98"});
  refused({"--crop", "-3", "-3", "10", "30", "30", "20"},
          {"goes round an edge of the --crop box", "move or widen --crop", "--cut X Y Z NX NY NZ"});
  // The box lays the tube open to its own end.
  refused({"--crop", "-3", "-30", "-30", "30", "30", "60"},
          {"lies along a face of the --crop box for a part only", "move or widen --crop",
           "--cut X Y Z NX NY NZ"});
}

TEST_CASE("what is no mesh, no volume or no scene is told by its name, with what to give") {
  const TemporaryFolder folder;
  write_text(folder.path() / "part.step", "ISO-10303-21;\n");
  write_text(folder.path() / "tube.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n");
  write_text(folder.path() / "tube.stl", "v 0 0 0\n");
  const auto refused = [&](const std::vector<std::string>& arguments) {
    const ProgramRun out = run(folder, arguments);
    CHECK(out.status == 2);
    CHECK(out.out.empty());
    return out.err;
  };
  CHECK(
      refused({"scene", "part.step", "-o", "out"}) ==
      "part.step:1:1: \".step\" is the ending of no mesh and no volume that withy reads, give a mesh (.stl, "
      ".obj, .ply, .off), a volume (.nrrd, .nhdr, .nii, .nii.gz, .mha, .mhd) or a folder of DICOM slices\n");
  CHECK(refused({"check", "tube.obj"}) ==
        "tube.obj:1:1: this is a mesh, not a scene, make a scene of it by withy scene MESH -o DIR, and give "
        "DIR/scene.toml\n");
  CHECK(
      refused({"scene", "tube.stl", "-o", "out", "--quiet"}) ==
      "tube.stl:1:1: \"v\" has no place between facets, start the file with solid, or give it the ending of "
      "its own format, .obj, .ply or .off\n");
  CHECK_FALSE(std::filesystem::exists(folder.path() / "out"));
}

TEST_CASE("a torn end of the mesh's own is cut flat, whether or not there is a box round it") {
  const TemporaryFolder folder;
  // A square tube along z whose near end is torn: its corners stand at 0 and 6 mm in turn.
  std::string off = "OFF\n12 16 0\n";
  const std::array<std::array<int, 2>, 4> square = {{{-5, -5}, {5, -5}, {5, 5}, {-5, 5}}};
  for (const int z : {0, 40, 60})
    for (int k = 0; k < 4; ++k) {
      const auto& [x, y] = square[static_cast<std::size_t>(k)];
      off += fmt::format("{} {} {}\n", x, y, z == 0 ? 6 * (k % 2) : z);
    }
  for (int a = 0; a < 8; ++a) {
    const int b = a % 4 == 3 ? a - 3 : a + 1;
    off += fmt::format("3 {0} {1} {2}\n3 {0} {2} {3}\n", a, b, b + 4, a + 4);
  }
  write_text(folder.path() / "torn.off", off);
  for (const bool boxed : {false, true}) {
    std::vector<std::string> arguments = {"scene", "torn.off", "-o", "out", "--quiet"};
    if (boxed)
      for (const char* corner : {"--crop", "-9", "-9", "-9", "9", "9", "55"}) arguments.push_back(corner);
    const ProgramRun said = run(folder, arguments);
    CAPTURE(boxed, said.out, said.err);
    CHECK(said.status == 0);
    CHECK(said.out.find("Cut up to 6.") != std::string::npos);
    CHECK(said.out.find("--crop") == std::string::npos);
  }
}

TEST_CASE("a mesh of quadrilaterals becomes a scene, and is refused as a scene's mesh with the way to one") {
  const TemporaryFolder folder;
  std::string
      text;  // a square tube of 8 x 8 mm along z, open at both ends, its walls 5 mm high quadrilaterals
  for (int ring = 0; ring <= 8; ++ring)
    text += "v -4 -4 " + std::to_string(5 * ring) + "\nv 4 -4 " + std::to_string(5 * ring) + "\nv 4 4 " +
            std::to_string(5 * ring) + "\nv -4 4 " + std::to_string(5 * ring) + "\n";
  for (int ring = 0; ring < 8; ++ring)
    for (int k = 0; k < 4; ++k) {
      const auto v = [&](int up, int side) {
        return " " + std::to_string(4 * (ring + up) + (k + side) % 4 + 1);
      };
      text += "f" + v(0, 0) + v(0, 1) + v(1, 1) + v(1, 0) + "\n";
    }
  write_text(folder.path() / "square.obj", text);
  const ProgramRun drawn = run(folder, {"scene", "square.obj", "-o", "out", "--quiet"});
  INFO(drawn.out << drawn.err);
  REQUIRE(drawn.status == 0);
  CHECK(drawn.out.find("Split 32 faces with more than three corners into triangles.") != std::string::npos);
  CHECK(drawn.out.find("farther than 0.000 mm") != std::string::npos);
  check_takes(folder);
  write_text(folder.path() / "out/channel.obj", text);
  const ProgramRun refused = run(folder, {"check", "out/scene.toml", "--quiet"});
  CHECK(refused.status == 2);
  CHECK(refused.err.find("face 1 has 4 corners, split the faces into triangles by withy scene MESH -o DIR") !=
        std::string::npos);
}

TEST_CASE("a volume becomes a scene in one command") {
  const TemporaryFolder folder;
  std::ofstream out(folder.path() / "tube.nrrd", std::ios::binary);
  out << "NRRD0004\ntype: short\ndimension: 3\nspace: left-posterior-superior\nsizes: 40 40 50\nspace "
         "directions: "
         "(0.8,0,0) (0,0.8,0) (0,0,1.2)\nkinds: domain domain domain\nendian: little\nencoding: raw\nspace "
         "origin: "
         "(-10,5,100)\n\n";
  for (int z = 0; z < 50; ++z)
    for (int y = 0; y < 40; ++y)
      for (int x = 0; x < 40; ++x) {
        const double r = std::hypot(x - 18.3 - 0.05 * z, y - 19.6);  // in voxels: 6.4 mm are 8
        const auto hu = static_cast<std::int16_t>(r < 7.5 ? -1000 : r > 8.5 ? 40 : -1000 + 1040 * (r - 7.5));
        out.write(reinterpret_cast<const char*>(&hu), 2);
      }
  out.close();
  const ProgramRun neither = run(folder, {"scene", "tube.nrrd", "-o", "out", "--quiet"});
  CHECK(neither.status == 2);
  CHECK(neither.err.find("--label N (a segmentation) or --range LO HI (values)") != std::string::npos);
  const ProgramRun unit =
      run(folder, {"scene", "tube.nrrd", "-o", "out", "--range", "-1100", "-480", "--unit", "cm", "--quiet"});
  CHECK(unit.status == 2);
  CHECK(unit.err.find("--unit is for meshes") != std::string::npos);
  const ProgramRun scene = run(
      folder, {"scene", "tube.nrrd", "-o", "out", "--range", "-1100", "-480", "--smooth", "0.2", "--quiet"});
  INFO(scene.out << scene.err);
  REQUIRE(scene.status == 0);
  // Half way between air and tissue lies 8 voxels from the middle.
  CHECK(std::regex_search(scene.out, std::regex("widest +radius (6.[1-6])")));
  CHECK(std::regex_search(scene.out, std::regex("Smoothed the wall: it moved by at most 0\\.[012]")));
  check_takes(folder);
  // A point outside the volume means the nearest piece, and that is said.
  const ProgramRun near = run(folder, {"scene", "tube.nrrd", "-o", "out", "--range", "-1100", "-480",
                                       "--keep-at", "-500", "20", "130", "--quiet"});
  INFO(near.out << near.err);
  CHECK(near.status == 0);
  CHECK(near.out.find("No piece of the region holds the point of --keep-at: took the nearest, ") !=
        std::string::npos);
}

TEST_CASE("a target outside is answered with the nearest place inside where the tip fits") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  // Entry at the wider end, on the origin, radius 6: from (9, 0, 15) the nearest place with 1.7 mm of room is
  // near (4.05, 0, 15), where the tapering wall, 5.75 mm from the middle there, is that far away.
  REQUIRE(run(folder, {"scene", "tube.stl", "-o", "out", "--quiet"}).status == 0);
  const std::string text = std::regex_replace(read_text(folder.path() / "out/scene.toml"),
                                              std::regex("(\\[target\\][^\\[]*\\n)point_mm[^\\n]*\\n"),
                                              "$1point_mm = [9.0, 0.0, 15.0]\n");
  write_text(folder.path() / "out/far.toml", text);
  const ProgramRun check = run(folder, {"check", "out/far.toml", "--quiet"});
  CHECK(check.status == 2);
  std::smatch place;
  INFO(check.err);
  REQUIRE(std::regex_search(
      check.err, place,
      std::regex("the nearest where the tip fits is \\[([-0-9.]+), ([-0-9.]+), ([-0-9.]+)\\]")));
  CHECK(std::stod(place[1]) == Approx(4.05).margin(0.25));
  CHECK(std::stod(place[2]) == Approx(0.0).margin(0.8));
  CHECK(std::stod(place[3]) == Approx(15.0).margin(0.8));
  // However far it is.
  write_text(folder.path() / "out/far.toml",
             std::regex_replace(text, std::regex("point_mm = \\[9.0, 0.0, 15.0\\]"),
                                "point_mm = [900.0, 0.0, 15.0]"));
  const ProgramRun far = run(folder, {"check", "out/far.toml", "--quiet"});
  CHECK(far.status == 2);
  INFO(far.err);
  CHECK(far.err.find("the nearest where the tip fits is [") != std::string::npos);
  // Half-way from the last place before the cap of the other end, which is closed, to that end: a tolerance
  // wider than the tip lets it pass.
  const std::string written = read_text(folder.path() / "out/scene.toml");
  const std::string number = "([-0-9.]+)";
  std::smatch end, last;
  REQUIRE(std::regex_search(
      written, end, std::regex("farther on, at \\(" + number + ", " + number + ", " + number + "\\) mm")));
  REQUIRE(std::regex_search(
      written, last,
      std::regex("\npoint_mm = \\[" + number + ", " + number + ", " + number + "\\]\ntolerance")));
  const auto between = [&](std::size_t k) { return 0.5 * (std::stod(end[k]) + std::stod(last[k])); };
  write_text(
      folder.path() / "out/cap.toml",
      std::regex_replace(
          std::regex_replace(text, std::regex("point_mm = \\[9.0, 0.0, 15.0\\]"),
                             fmt::format("point_mm = [{}, {}, {}]", between(1), between(2), between(3))),
          std::regex("(\\[target\\][^\\[]*[^\\]]*\\]\ntolerance_mm = )[0-9.]+"), "$013"));
  const ProgramRun cap = run(folder, {"check", "out/cap.toml", "--quiet"});
  INFO(cap.out << cap.err);
  CHECK(cap.status == 0);
  CHECK(cap.out.find("the tip can't stand at the point itself") != std::string::npos);
}

TEST_CASE("a scene that was edited stays when another is written to its folder") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  const std::vector<std::string> arguments = {"scene", "tube.stl", "-o", "out", "--quiet"};
  REQUIRE(run(folder, arguments).status == 0);
  const std::string first = read_text(folder.path() / "out/scene.toml");
  REQUIRE(run(folder, arguments).status == 0);
  CHECK_FALSE(folder.listing().contains("out/scene.1.toml"));
  write_text(folder.path() / "out/scene.toml", first + "# edited\n");
  for (int again = 0; again < 2; ++again) {
    const ProgramRun kept = run(folder, arguments);
    REQUIRE(kept.status == 0);
    CHECK((kept.out.find("kept         out/scene.1.toml") != std::string::npos) == (again == 0));
    CHECK(read_text(folder.path() / "out/scene.1.toml") == first + "# edited\n");
    CHECK(read_text(folder.path() / "out/scene.toml") == first);
  }
  write_text(folder.path() / "out/scene.toml", first + "# edited again\n");
  REQUIRE(run(folder, arguments).status == 0);
  CHECK(read_text(folder.path() / "out/scene.1.toml") == first + "# edited\n");
  CHECK(read_text(folder.path() / "out/scene.2.toml") == first + "# edited again\n");
}

TEST_CASE("a mesh whose name has a line end becomes a scene") {
  const TemporaryFolder folder;
  make_mesh(folder, "open");
  std::filesystem::rename(folder.path() / "tube.stl", folder.path() / "tu\nbe.stl");
  const ProgramRun made_scene = run(folder, {"scene", "tu\nbe.stl", "-o", "out", "--quiet"});
  INFO(made_scene.out << made_scene.err);
  REQUIRE(made_scene.status == 0);
  check_takes(folder);
}
