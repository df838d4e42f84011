// SPDX-License-Identifier: GPL-3.0-or-later
// `withy fit` as a user runs it, on a table that the plain implementation measured.
#include <cmath>
#include <filesystem>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/plain_bench.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

namespace fs = std::filesystem;
using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::write_text;

/// The fold chamber's scene, and a bench whose every number is a little off it.
class MeasuredScene {
 public:
  MeasuredScene() {
    for (const auto& entry : fs::directory_iterator(fs::path(WITHY_SOURCE_DIR) / "scenes/fold-chamber"))
      fs::copy(entry.path(), folder() / entry.path().filename());
    robot_.scene = withy_plain::read_scene(scene().string());
    robot_.layout = robot_.scene.layouts.at(1);
    truth_.rigidity_Nmm2 = 431;
    truth_.friction = 0.17;
    truth_.slack_mm = {0.12, -0.05, 0.3, 0.02};
    truth_.shift_mm = {0.2, -0.1, 0.15};
    truth_.turn_rad = {0.004, -0.006, 0.01};
    truth_.pull_noise_mm = 0.005;
    truth_.tension_noise_N = 0.03;
    truth_.tip_noise_mm = 0.1;
    write_text(table(), withy_plain::bench_table(robot_, truth_, poses(), true, 11));
  }

  const fs::path& folder() const { return folder_.path(); }
  fs::path scene() const { return folder() / "scene.toml"; }
  fs::path table() const { return folder() / "table.csv"; }
  const withy_plain::BenchTruth& truth() const { return truth_; }

  ProgramRun run(const std::vector<std::string>& arguments) const {
    return withy_test::run_program(WITHY_PROGRAM, arguments, folder());
  }
  ProgramRun fit() const { return run({"fit", "scene.toml", "table.csv", "--quiet", "-o", "out/deeper"}); }

 private:
  static std::vector<withy_plain::BenchPose> poses() {
    std::vector<withy_plain::BenchPose> out;
    for (int k = 0; k < 16; ++k) {
      const double phi = 2 * M_PI * (k + 0.3) / 8;
      const double size = k < 8 ? 0.008 : 0.02;
      out.push_back({k % 2 == 0 ? 60.0 : 90.0, {false}, {size * std::cos(phi), size * std::sin(phi)}});
    }
    for (int k = 0; k < 6; ++k)  // the first freezes the lock's region
      out.push_back({80.0, {true}, {0.004 * k, 0.02 - 0.005 * k}});
    return out;
  }

  withy_test::TemporaryFolder folder_;
  withy_plain::Robot robot_;
  withy_plain::BenchTruth truth_;
};

/// The table with one field of one line replaced; lines and fields count from 1.
std::string with_field(const std::string& table, int line, int field, const std::string& by) {
  std::size_t at = 0;
  for (int k = 1; k < line; ++k) at = table.find('\n', at) + 1;
  for (int k = 1; k < field; ++k) at = table.find(',', at) + 1;
  return table.substr(0, at) + by + table.substr(table.find_first_of(",\r", at));
}

std::string field_of(const std::string& table, int line, int field) {
  std::size_t at = 0;
  for (int k = 1; k < line; ++k) at = table.find('\n', at) + 1;
  for (int k = 1; k < field; ++k) at = table.find(',', at) + 1;
  return table.substr(at, table.find_first_of(",\r", at) - at);
}

}  // namespace

TEST_CASE("A fit says what it found and how surely, and leaves a scene that stands with the values in it") {
  const MeasuredScene measured;
  const ProgramRun run = measured.fit();
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  CHECK(run.err.empty());
  const fs::path out = measured.folder() / "out/deeper";
  CHECK(run.out == read_text(out / "fit.txt"));

  const auto fit = nlohmann::json::parse(read_text(out / "fit.json"));
  CHECK(fit.at("not_told_apart").empty());
  CHECK(fit.at("residuals").size() == 22);
  CHECK(fit.at("residuals")[0].at("tip_mm").size() == 3);
  CHECK(fit.at("residuals")[21].at("pull_mm").size() == 4);
  const std::vector<double> truths = {431, 0.17, 0.12, -0.05, 0.3, 0.02, 0.2, -0.1, 0.15};
  for (std::size_t k = 0; k < truths.size(); ++k) {
    const auto& p = fit.at("parameters")[k];
    CAPTURE(p.at("name"));
    CHECK(std::abs(p.at("value").get<double>() - truths[k]) < 4 * p.at("standard_deviation").get<double>());
  }

  const ProgramRun check = measured.run({"check", "out/deeper/fitted-scene.toml", "--quiet"});
  CAPTURE(check.out, check.err);
  CHECK(check.status == 0);
  const auto fitted = withy_plain::read_scene((out / "fitted-scene.toml").string());
  CHECK(std::abs(fitted.rigidity_Nmm2 - fit.at("parameters")[0].at("value").get<double>()) < 1e-2);
  CHECK(std::abs(fitted.tendons->friction - fit.at("parameters")[1].at("value").get<double>()) < 1e-6);
  // The entry's origin went where the base was found: the shipped one is at zero along the axes.
  for (int k = 0; k < 3; ++k)
    CHECK(std::abs(fitted.X_SE.translation()(k) -
                   fit.at("parameters")[static_cast<std::size_t>(6 + k)].at("value").get<double>()) < 1e-6);
  CHECK(fitted.length_mm == 100.0);
  CHECK(measured.run({"plan", "out/deeper/fitted-scene.toml", "--locks", "1", "--quiet", "-o", "planned"})
            .status == 0);
}

TEST_CASE("Without tensions the fit names rigidity and friction as untold and leaves the scene's") {
  const MeasuredScene measured;
  std::string table = read_text(measured.table());
  // Renamed away: the columns are cut out line by line.
  std::string cut;
  std::size_t at = 0;
  while (at < table.size()) {
    const std::size_t end = table.find('\n', at) + 1;
    const std::string line = table.substr(at, end - at);
    at = end;
    std::size_t from = 0;
    for (int k = 0; k < 6; ++k) from = line.find(',', from) + 1;
    std::size_t to = from;
    for (int k = 0; k < 4; ++k) to = line.find(',', to) + 1;
    cut += line.substr(0, from) + line.substr(to);
  }
  write_text(measured.table(), cut);
  const ProgramRun run = measured.fit();
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  CHECK(run.out.find("flexural rigidity can't be told from these measurements") != std::string::npos);
  CHECK(run.out.find("friction coefficient can't be told from these measurements") != std::string::npos);
  const auto fitted = withy_plain::read_scene((measured.folder() / "out/deeper/fitted-scene.toml").string());
  CHECK(fitted.rigidity_Nmm2 == 400.0);
  CHECK(fitted.tendons->friction == 0.1);
}

TEST_CASE("Pulls that all have the other sign are pointed out") {
  const MeasuredScene measured;
  std::string table = read_text(measured.table());
  const auto lines = std::count(table.begin(), table.end(), '\n');
  for (int line = 2; line <= lines; ++line)
    for (int pull = 3; pull <= 6; ++pull) {
      const std::string value = field_of(table, line, pull);
      table = with_field(table, line, pull, value.starts_with('-') ? value.substr(1) : "-" + value);
    }
  write_text(measured.table(), table);
  const ProgramRun run = measured.fit();
  CAPTURE(run.out, run.err);
  CHECK(run.status == 0);
  CHECK(run.out.find("most likely the pulls have the other sign") != std::string::npos);
}

TEST_CASE("A table that can't be used is refused with its place, and nothing is written") {
  const MeasuredScene measured;
  const std::string good = read_text(measured.table());
  const auto refused = [&](const std::string& table, const std::string& start) {
    write_text(measured.table(), table);
    const ProgramRun run = measured.fit();
    CAPTURE(start, run.out, run.err);
    CHECK(run.status == 2);
    CHECK(run.err.starts_with(start));
    CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
    CHECK(run.out.empty());
    CHECK_FALSE(fs::exists(measured.folder() / "out"));
  };
  refused("", "table.csv:1:1: the table is empty");
  refused(good.substr(0, good.find('\n') + 1), "table.csv:1:1: the table has no rows");
  refused(with_field(good, 1, 3, "pull_1_cm"), "table.csv:1:21: the column \"pull_1_cm\" is unknown");
  refused(with_field(good, 1, 4, "pull_1_mm"), "table.csv:1:31: the column \"pull_1_mm\" stands twice");
  refused(with_field(good, 4, 1, "sixty"), "table.csv:4:1: \"sixty\" is no number");
  refused(with_field(good, 4, 2, "yes"), "table.csv:4:4: a lock can't be \"yes\"");
  refused(with_field(good, 4, 1, "nan"), "table.csv:4:1: \"nan\" is no number");
  refused(with_field(good, 5, 2, "0,0"), "table.csv:5:1: this row has 14 fields");
  refused(good.substr(0, good.find('\n', good.find('\n') + 1) + 1),
          "table.csv:1:1: 1 row can't tell 12 numbers and the noise, measure at least 3 poses");
}
