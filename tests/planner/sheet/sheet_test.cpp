// SPDX-License-Identifier: GPL-3.0-or-later
// The build sheet against the path of each backbone on the plain implementation's bent body, against ISO
// 5455, and against what poppler reads out of the PDF.
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "planner/files/csv.h"
#include "planner/sheet/build_sheet.h"
#include "planner/sheet/sheet_drawing.h"
#include "planner/sheet/sheet_table.h"
#include "tests/support/plain_body.h"
#include "tests/support/plain_scene.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

using namespace withy;

std::string scene_file(const std::string& name) {
  return std::string(WITHY_SOURCE_DIR) + "/scenes/" + name + "/scene.toml";
}

/// A shipped scene read twice, and its sheet.
struct Sheet {
  Sheet(const std::string& name, int locks)
      : scene(*read_scene(scene_file(name))),
        design(*scene.design(locks)),
        sheet(*make_build_sheet(scene, design, "scene.toml")) {
    robot.scene = withy_plain::read_scene(scene_file(name));
    if (locks > 0) {
      const auto given = robot.scene.layouts.find(locks);
      if (given != robot.scene.layouts.end()) robot.layout = given->second;
    }
  }
  Scene scene;
  Design design;
  BuildSheet sheet;
  withy_plain::Robot robot;
};

/// Length of backbone k from the base to station s on a bent body, as a polyline through the places at radius
/// r_b in each cross-section.
double path_mm(const withy_plain::Robot& robot, const withy_plain::State& state, std::size_t k, double s_mm) {
  const withy_plain::Body body(robot, state);
  const double r = robot.scene.latch->radius_mm, angle = robot.scene.latch->angle_rad[k];
  const Eigen::Vector3d aside(r * std::cos(angle), r * std::sin(angle), 0.0);
  constexpr int kPieces = 4000;
  double length = 0.0;
  Eigen::Vector3d before = body.pose_E(0.0) * aside;
  for (int i = 1; i <= kPieces; ++i) {
    const Eigen::Vector3d now = body.pose_E(s_mm * i / kPieces) * aside;
    length += (now - before).norm();
    before = now;
  }
  return length;
}

/// Out of the entry as far as the carriage goes, all of it bent alike.
withy_plain::State bent(const withy_plain::Robot& robot, const Eigen::Vector2d& u) {
  withy_plain::State state;
  state.insertion_mm = robot.scene.length_mm;
  state.locked.assign(robot.layout.station_mm.size(), false);
  state.regions = {{0.0, robot.scene.length_mm, u}};
  return state;
}

/// The same sheet with other parts of the design; only what stands in it by value may be looked at.
Result<BuildSheet> sheet_of(const Scene& scene, const DesignParts& parts) {
  const auto design = Design::make(parts);
  REQUIRE(design);
  return make_build_sheet(scene, *design, "scene.toml");
}

std::vector<CsvRecord> records(const std::string& text) {
  return *parse_csv(text, "sheet");
}

}  // namespace

TEST_CASE("sheet: whatever the bend, the place of a backbone at a lock is its path's length from the base") {
  const std::uint32_t seed = 20;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> part(-1.0, 1.0);
  for (const auto& [name, locks] : {std::pair("double-bend", 2), {"triple-bend", 3}, {"guide-narrow", 1}}) {
    const Sheet given(name, locks);
    const Segment& segment = given.design.segment();
    for (int trial = 0; trial < 5; ++trial) {
      Eigen::Vector2d u = Eigen::Vector2d(part(random), part(random));
      u *= segment.curvature_max_per_mm * std::abs(part(random)) / u.norm();
      const withy_plain::State state = bent(given.robot, u);
      for (std::size_t i = 0; i < given.sheet.locks.size(); ++i) {
        const LockPlace& lock = given.sheet.locks[i];
        for (std::size_t k = 0; k < given.sheet.backbones.size(); ++k) {
          CAPTURE(name, i, k, u.transpose());
          // Notch n is at the lock when the backbone's path is as long as the notch is far from the base.
          const double path = path_mm(given.robot, state, k, lock.station_mm);
          const double n = (lock.station_mm - path) / given.sheet.pitch_mm;
          CHECK(std::abs(lock.station_mm - n * given.sheet.pitch_mm - path) < 1e-9);
          CHECK(std::abs(n) <= lock.travel_mm / given.sheet.pitch_mm + 1e-4);
          const Eigen::Vector2d theta = withy_plain::theta_to(given.robot, state, lock.station_mm);
          const double slide = given.robot.scene.latch->radius_mm *
                               (std::cos(given.robot.scene.latch->angle_rad[k]) * theta.x() +
                                std::sin(given.robot.scene.latch->angle_rad[k]) * theta.y());
          CHECK(path == Approx(lock.station_mm - slide).margin(1e-4));
        }
      }
    }
  }
}

TEST_CASE("sheet: the outermost notches are those that the largest bend towards a backbone just reaches") {
  const Sheet given("double-bend", 2);
  for (const LockPlace& lock : given.sheet.locks)
    for (std::size_t k = 0; k < given.sheet.backbones.size(); ++k) {
      const double angle = given.sheet.backbones[k].angle_rad;
      const Eigen::Vector2d u =
          given.design.segment().curvature_max_per_mm * Eigen::Vector2d(std::cos(angle), std::sin(angle));
      const double path = path_mm(given.robot, bent(given.robot, u), k, lock.station_mm);
      CHECK(notch_mm(given.sheet, lock, lock.notches) >= path - 1e-4);
      CHECK(notch_mm(given.sheet, lock, lock.notches + 1) < path);
    }
  // By hand: r_b kappa_max f = 1.2 * 0.04 * (33 - 2) = 1.488 mm, 2 pitches of 0.5 mm.
  CHECK(given.sheet.locks[0].travel_mm == Approx(1.488).margin(1e-12));
  CHECK(given.sheet.locks[0].notches == 2);
}

TEST_CASE("sheet: disks sit at every multiple of their spacing and at the tip") {
  const Sheet given("miniature", 2);
  REQUIRE(given.robot.scene.tendons);
  const double spacing = given.robot.scene.tendons->disk_spacing_mm;
  if (spacing > 0.0) {
    for (std::size_t k = 0; k + 1 < given.sheet.disks.size(); ++k)
      CHECK(given.sheet.disks[k].station_mm == Approx(static_cast<double>(k) * spacing));
    CHECK(given.sheet.disks.back().station_mm == given.design.length_mm());
  }
  DesignParts parts = given.design.parts();
  parts.layout.station_mm = {given.design.length_mm() / 4.5, 20.0};
  parts.tendons->disk_spacing_mm = given.design.length_mm() / 4.5;
  const BuildSheet sheet = *sheet_of(given.scene, parts);
  REQUIRE(sheet.disks.size() == 6);
  CHECK(sheet.disks[1].lock == 0);
  CHECK(sheet.remarks.at(0) == "A disk lies in the body of lock 1: the tendons' holes go through that body.");
  CHECK(sheet.disks[4].station_mm == Approx(4.0 / 4.5 * given.design.length_mm()));
  CHECK(sheet.disks[5].station_mm == given.design.length_mm());
  CHECK(std::any_of(sheet.remarks.begin(), sheet.remarks.end(), [](const std::string& r) {
    return r.find("last gap between disks") != std::string::npos;
  }));
}

TEST_CASE("sheet: rows of notches that fall between one another are named, with a station that mends it") {
  const Sheet given("double-bend", 2);
  DesignParts parts = given.design.parts();
  parts.latch->notch_pitch_mm = 0.4;
  parts.segment.curvature_max_per_mm = 0.5;
  parts.layout.station_mm = {30.0, 45.1};
  const BuildSheet clash = *sheet_of(given.scene, parts);
  REQUIRE(clash.remarks.size() == 1);
  CHECK(clash.remarks[0].find("lock 2 at 45.2000 mm would let one row serve both") != std::string::npos);
  parts.layout.station_mm = {30.0, 45.2};
  const BuildSheet shared = *sheet_of(given.scene, parts);
  REQUIRE(shared.remarks.size() == 1);
  CHECK(shared.remarks[0].find("one row serves both") != std::string::npos);
}

TEST_CASE("sheet: holes in one place are named; more notches than anybody makes are refused at the pitch") {
  const Sheet given("double-bend", 1);
  DesignParts parts = given.design.parts();
  parts.latch->backbone_angle_rad = parts.tendons->angle_rad;
  const BuildSheet sheet = *sheet_of(given.scene, parts);
  REQUIRE(sheet.remarks.size() == 4);
  CHECK(sheet.remarks[0].find("Tendon 1 and secondary backbone 1") == 0);

  parts = given.design.parts();
  parts.latch->notch_pitch_mm = 1e-4;
  parts.latch->engage_window_mm = parts.latch->hunt_mm = 0.0;
  const auto refused = sheet_of(given.scene, parts);
  REQUIRE_FALSE(refused);
  CHECK(refused.error().line == given.scene.where("latch.notch_pitch_mm").line);
}

TEST_CASE("sheet: scales are those of ISO 5455, the largest that fits") {
  // ISO 5455:1979, table: 50:1 20:1 10:1 5:1 2:1, 1:1, 1:2 1:5 1:10 1:20 1:50 1:100 and so on by tens (from
  // memory).
  const std::vector<std::pair<double, std::string>> table = {
      {6.8, "50:1"}, {17, "20:1"}, {34, "10:1"},  {68, "5:1"},    {170, "2:1"},
      {340, "1:1"},  {680, "1:2"}, {1700, "1:5"}, {3400, "1:10"}, {6800, "1:20"}};
  for (std::size_t i = 0; i < table.size(); ++i) {
    CHECK(scale_text(drawing_scale(table[i].first, 340.0)) == table[i].second);
    if (i + 1 < table.size())
      CHECK(scale_text(drawing_scale(table[i].first * 1.001, 340.0)) == table[i + 1].second);
  }
}

TEST_CASE("sheet: labels keep their order and their distance") {
  const std::uint32_t seed = 7;
  INFO("seed " << seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> place(0.0, 100.0);
  for (int trial = 0; trial < 200; ++trial) {
    std::vector<double> wanted(static_cast<std::size_t>(random() % 20));
    for (double& at : wanted) at = place(random);
    std::sort(wanted.begin(), wanted.end());
    const std::vector<double> got = spread(wanted, 4.0, -5.0, 105.0);
    REQUIRE(got.size() == wanted.size());
    for (std::size_t k = 0; k < got.size(); ++k) {
      CHECK(got[k] >= -5.0 - 1e-9);
      CHECK(got[k] <= 105.0 + 1e-9);
      if (k > 0) CHECK(got[k] - got[k - 1] >= 4.0 - 1e-9);
    }
  }
  CHECK(spread({10.0, 50.0}, 4.0, 0.0, 100.0) == std::vector<double>{10.0, 50.0});
}

TEST_CASE("sheet: the table has every part where the scene puts it") {
  const Sheet given("double-bend", 2);
  const auto rows = records(sheet_csv(given.sheet));
  const auto of = [&](const std::string& part) {
    std::vector<CsvRecord> found;
    for (const CsvRecord& row : rows)
      if (row[0].text == part) found.push_back(row);
    return found;
  };
  for (const CsvRecord& row : rows) CHECK(row.size() == rows.front().size());
  const auto locks = of("lock");
  REQUIRE(locks.size() == 2);
  CHECK(locks[0][2].text == "31");
  CHECK(locks[0][3].text == "33");
  CHECK(locks[0][4].text == "35");
  const auto magnets = of("magnet");
  REQUIRE(magnets.size() == 4);
  CHECK(magnets[2][6].text == "135");  // clocking 135 + free 0
  CHECK(magnets[3][6].text == "225");  // + latched 90
  CHECK(of("tendon hole").size() == 4);
  CHECK(of("secondary backbone").size() == 4);
  CHECK(of("secondary backbone")[0][7].text == fmt::format("{:.10g}", 848528e-6));  // 1.2 cos 45
  const auto notches = records(notches_csv(given.sheet));
  // 2 x 2 + 1 notches for lock 1, 1.2 * 0.04 * 61 / 0.5 = 5.9: 2 x 5 + 1 for lock 2, on four backbones.
  CHECK(notches.size() == 1 + 4 * (5 + 11));
}

TEST_CASE("sheet: the PDF is an A3 page whose words poppler reads, each dimension over its station") {
  const withy_test::TemporaryFolder folder;
  const Sheet given("double-bend", 2);
  const std::string pdf = (folder.path() / "sheet.pdf").string();
  std::ofstream(pdf, std::ios::binary) << sheet_drawing(given.sheet, DrawingFormat::pdf);
  const auto run = withy_test::run_program("/usr/bin/pdftotext", {"-bbox", pdf, "-"}, folder.path());
  REQUIRE(run.status == 0);
  // A3 is 420 x 297 mm, 1190.55 x 841.89 points.
  CHECK(run.out.find("<page width=\"1190.551") != std::string::npos);
  CHECK(run.out.find("height=\"841.889") != std::string::npos);
  const auto x_of = [&](const std::string& word) {
    const std::size_t end = run.out.find(">" + word + "</word>");
    REQUIRE(end != std::string::npos);
    const std::size_t at = run.out.rfind("xMin=\"", end);
    return std::stod(run.out.substr(at + 6)) * 25.4 / 72.0;
  };
  // 100 mm at 2:1: stations 33 and 67 lie 68 mm apart on paper.
  CHECK(x_of("67") - x_of("33") == Approx(68.0).margin(0.1));
  CHECK(run.out.find(">2:1,</word>") != std::string::npos);
}

TEST_CASE("sheet: the SVG is as large as the paper and shows the body to scale") {
  const Sheet given("double-bend", 2);
  const std::string svg = sheet_drawing(given.sheet, DrawingFormat::svg);
  CHECK(svg.find("width=\"420mm\" height=\"297mm\"") != std::string::npos);
  CHECK(svg.find("viewBox=\"0 0 420 297\"") != std::string::npos);
  // From the base at 40 mm over 100 mm at 2:1.
  CHECK(svg.find("M 40 59 L 240 59 L 240 65 L 40 65 Z") != std::string::npos);
}

TEST_CASE("sheet: the command writes all four files or, of a wrong scene, none") {
  const withy_test::TemporaryFolder folder;
  const auto run = withy_test::run_program(
      WITHY_PROGRAM, {"sheet", scene_file("double-bend"), "--locks", "2", "-o", "out"}, folder.path());
  CAPTURE(run.err);
  CHECK(run.status == 0);
  CHECK(run.out.find("lock 2     at 67 mm") != std::string::npos);
  for (const char* name : {"sheet.csv", "notches.csv", "sheet.svg", "sheet.pdf"})
    CHECK(std::filesystem::file_size(folder.path() / "out" / name) > 0);

  const auto wrong =
      withy_test::run_program(WITHY_PROGRAM, {"sheet", "nowhere.toml", "-o", "none"}, folder.path());
  CHECK(wrong.status == 2);
  CHECK_FALSE(std::filesystem::exists(folder.path() / "none"));
  const auto many = withy_test::run_program(
      WITHY_PROGRAM, {"sheet", scene_file("double-bend"), "--locks", "9", "-o", "none"}, folder.path());
  CHECK(many.status == 2);
}
