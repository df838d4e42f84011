// SPDX-License-Identifier: GPL-3.0-or-later
// `withy reach` as a user runs it: its answers beside those of `withy plan`, its files, and what it refuses.
#include <map>
#include <random>
#include <regex>
#include <sstream>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

const fs::path kScenes = fs::path(WITHY_SOURCE_DIR) / "scenes";

/// The shipped scene with another target and the mesh named by its whole path.
std::string with_target(const std::string& scene, const std::vector<std::string>& p) {
  const std::string text = read_text(kScenes / scene / "scene.toml");
  std::ostringstream target;
  target << "[target]\npoint_mm = [" << p[0] << ", " << p[1] << ", " << p[2] << "]\ntolerance_mm = 2.0\n\n";
  const std::string out =
      std::regex_replace(text, std::regex(R"(\[target\][^\[]*\[[^\]]*\][^\[]*)"), target.str());
  return std::regex_replace(out, std::regex("mesh = \""), "mesh = \"" + (kScenes / scene).string() + "/");
}

std::vector<std::vector<std::string>> rows_of(const std::string& csv) {
  std::vector<std::vector<std::string>> rows;
  std::istringstream lines(csv);
  for (std::string line; std::getline(lines, line);) {
    if (!line.empty() && line.back() == '\r') line.pop_back();
    std::istringstream cells(line);
    rows.emplace_back();
    for (std::string cell; std::getline(cells, cell, ',');) rows.back().push_back(cell);
  }
  return rows;
}

/// Reaches all over the lumen, then plans to `count` of the targets picked at random.
void check_against_plan(const std::string& scene, const std::vector<int>& locks, unsigned seed, int spacing,
                        int count) {
  const std::map<int, std::string> verdict_of = {{0, "reached"}, {3, "unreachable"}, {4, "undecided"}};
  CAPTURE(scene, seed);
  const TemporaryFolder folder;
  std::vector<std::string> arguments = {"reach",       (kScenes / scene / "scene.toml").string(),
                                        "--targets",   "lumen:" + std::to_string(spacing),
                                        "--tolerance", "2",
                                        "--quiet",     "-o",
                                        "out",         "--locks"};
  for (const int n : locks) arguments.push_back(std::to_string(n));
  const ProgramRun run = run_program(WITHY_PROGRAM, arguments, folder.path());
  CAPTURE(run.err);
  REQUIRE(run.status == 0);
  const auto rows = rows_of(read_text(folder.path() / "out/reach.csv"));
  REQUIRE(rows.size() > 2);
  std::mt19937 random(seed);
  std::uniform_int_distribution<std::size_t> any(1, rows.size() - 1);
  int decided = 0;
  for (int i = 0; i < count; ++i) {
    const auto& row = rows[any(random)];
    write_text(folder.path() / "one.toml", with_target(scene, row));
    for (std::size_t k = 0; k < locks.size(); ++k) {
      const ProgramRun plan =
          run_program(WITHY_PROGRAM,
                      {"plan", "one.toml", "--locks", std::to_string(locks[k]), "--budget", "5", "--quiet"},
                      folder.path());
      CAPTURE(row[0], row[1], row[2], locks[k], row[3 + k], plan.out, plan.err);
      REQUIRE(verdict_of.count(plan.status) == 1);
      const std::string& asked = verdict_of.at(plan.status);
      decided += row[3 + k] != "undecided" && asked != "undecided";
      CHECK((row[3 + k] == asked || row[3 + k] == "undecided" || asked == "undecided"));
    }
  }
  CHECK(decided > 0);
}

}  // namespace

TEST_CASE("reach and plan never contradict one another over random targets of shipped scenes") {
  check_against_plan("single-bend", {0, 1}, 21, 6, 6);
  check_against_plan("guide-narrow", {0}, 22, 3, 4);
  check_against_plan("airway", {0, 1}, 23, 10, 3);
}

TEST_CASE("reach writes table, CSV, JSON and page, and they tell the same") {
  const TemporaryFolder folder;
  const ProgramRun run = run_program(WITHY_PROGRAM,
                                     {"reach", (kScenes / "straight/scene.toml").string(), "--targets",
                                      "lumen:5", "--locks", "0", "1", "--quiet", "-o", "out"},
                                     folder.path());
  REQUIRE(run.status == 0);
  CHECK(run.err.empty());
  CHECK(folder.listing() ==
        std::set<std::string>{"out", "out/reach.csv", "out/reach.html", "out/reach.json"});
  const auto rows = rows_of(read_text(folder.path() / "out/reach.csv"));
  CHECK(rows.front() == std::vector<std::string>{"x_mm", "y_mm", "z_mm", "locks_0", "locks_1"});
  const auto json = nlohmann::json::parse(read_text(folder.path() / "out/reach.json"));
  REQUIRE(json["targets"] == rows.size() - 1);
  for (std::size_t k = 0; k < 2; ++k) {
    std::map<std::string, int> counted;
    for (std::size_t i = 1; i < rows.size(); ++i) {
      ++counted[rows[i][3 + k]];
      CHECK(json["points"][i - 1]["verdicts"][k] == rows[i][3 + k]);
    }
    for (const char* verdict : {"reached", "unreachable", "undecided"})
      CHECK(json["counts"][k][verdict] == counted[verdict]);
    // The tube is 5 mm wide about its axis and insertion ends behind its far end: all of a lattice of 5 mm
    // that a tip fits to lies on the axis, and a straight segment gets there.
    CHECK(counted["reached"] == static_cast<int>(rows.size()) - 1);
  }
  const std::string page = read_text(folder.path() / "out/reach.html");
  CHECK(page.find("never in a person or an animal") != std::string::npos);
  CHECK(page.find("http:") == std::string::npos);
  CHECK(page.find("https:") == std::string::npos);  // nothing to fetch
  CHECK(page.find("<script") == std::string::npos);
  // The page's totals are those of the table that is printed, "share stood" with them.
  std::smatch printed;
  REQUIRE(std::regex_search(run.out, printed, std::regex("\\n +0 .*?([0-9.]+) %  +([0-9.]+ %|-) *\\n")));
  CHECK(page.find("<th class=\"n\">share stood") != std::string::npos);
  CHECK(page.find("<td class=\"n\">" + printed[1].str() + " %<td class=\"n\">" + printed[2].str() +
                  "</tr>") != std::string::npos);
  // Each target has a row, which a mark of the pictures leads to, with the command that plans it.
  const std::regex command("<code>withy live \\S+ --target (\\S+) (\\S+) (\\S+)</code>");
  std::size_t row = 0;
  for (std::sregex_iterator at(page.begin(), page.end(), command), end; at != end; ++at) {
    REQUIRE(++row < rows.size());
    CHECK(page.find("<tr id=\"target-" + std::to_string(row) + "\">") != std::string::npos);
    CHECK(page.find("href=\"#target-" + std::to_string(row) + "\"") != std::string::npos);
    for (std::size_t axis = 0; axis < 3; ++axis)
      CHECK(std::stod((*at)[axis + 1]) == Approx(std::stod(rows[row][axis])).margin(1e-3));
  }
  CHECK(row == rows.size() - 1);
}

TEST_CASE("the same question gets the same files from reach, but for the seconds") {
  const TemporaryFolder folder;
  for (const char* out : {"a", "b"})
    REQUIRE(run_program(WITHY_PROGRAM,
                        {"reach", (kScenes / "single-bend/scene.toml").string(), "--targets", "lumen:7",
                         "--work", "200000", "--quiet", "-o", out},
                        folder.path())
                .status == 0);
  CHECK(read_text(folder.path() / "a/reach.csv") == read_text(folder.path() / "b/reach.csv"));
  CHECK(read_text(folder.path() / "a/reach.html") == read_text(folder.path() / "b/reach.html"));
}

TEST_CASE("reach refuses targets it can't read with one line that says where, and writes nothing") {
  struct Broken {
    const char* text;
    const char* line;
  };
  const Broken kBroken[] = {
      {"", "t.csv:1:1: the file is empty, start the file with the header x_mm,y_mm,z_mm"},
      {"x_mm,y_mm\n1,2\n",
       "t.csv:1:6: no column z_mm after this one, start the file with the header x_mm,y_mm,z_mm"},
      {"x_mm,z_mm,y_mm\n1,2,3\n",
       "t.csv:1:6: unknown column \"z_mm\", start the file with the header x_mm,y_mm,z_mm"},
      {"x_mm,y_mm,z_mm\r\n", "t.csv:2:1: no target after the header, give one target a line, x_mm,y_mm,z_mm"},
      {"x_mm,y_mm,z_mm\r\n1,2,3\r\n4,5\r\n", "t.csv:3:1: 2 fields where three belong, give x_mm,y_mm,z_mm"},
      {"x_mm,y_mm,z_mm\n1,2,3\n4,\"5\",six\n", "t.csv:3:7: \"six\" is no number, give z_mm in mm"},
      {"x_mm,y_mm,z_mm\n1,inf,3\n", "t.csv:2:3: \"inf\" is no number, give y_mm in mm"},
      {"x_mm,y_mm,z_mm\n1,\"2,3\n", "t.csv:2:3: this quote is never closed, close it before the file ends"},
  };
  for (const Broken& broken : kBroken) {
    const TemporaryFolder folder;
    write_text(folder.path() / "t.csv", broken.text);
    const ProgramRun run = run_program(
        WITHY_PROGRAM,
        {"reach", (kScenes / "straight/scene.toml").string(), "--targets", "t.csv", "--quiet", "-o", "out"},
        folder.path());
    CAPTURE(broken.text);
    CHECK(run.status == 2);
    CHECK(run.err == std::string(broken.line) + "\n");
    CHECK(folder.listing() == std::set<std::string>{"t.csv"});
  }
}
