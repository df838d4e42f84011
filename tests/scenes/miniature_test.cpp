// SPDX-License-Identifier: GPL-3.0-or-later
// The scene with magnets of a size that fits on board: what its README says of them, and the fields they
// take.
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <numbers>
#include <regex>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/plain_scene.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace fs = std::filesystem;

namespace {

const fs::path kScene = fs::path(WITHY_SOURCE_DIR) / "scenes/miniature";
// Common practice, no source: small on-board locks switch below about this at any bend.
constexpr double kPractice_mT = 7.0;
constexpr double kVacuumPermeability = 1.25663706212e-6;  // T m/A, CODATA 2018

/// The number that `pattern` catches in the scene's README.
double stated(const std::string& pattern) {
  const std::string readme =
      std::regex_replace(withy_test::read_text(kScene / "README.md"), std::regex("\\s+"), " ");
  std::smatch found;
  CAPTURE(pattern);
  REQUIRE(std::regex_search(readme, found, std::regex(pattern)));
  return std::stod(found[1]);
}

}  // namespace

TEST_CASE("The miniature magnet's moment is its remanence times its volume over the magnetic constant") {
  const double diameter_m = 1e-3 * stated("cylinder of ([0-9.]+) mm diameter");
  const double length_m = 1e-3 * stated("diameter and ([0-9.]+) mm length");
  const double remanence_T = stated("remanence of ([0-9.]+) T");
  const double volume_m3 = std::numbers::pi / 4.0 * diameter_m * diameter_m * length_m;
  const double moment_Am2 = remanence_T * volume_m3 / kVacuumPermeability;
  const double written_Am2 = withy_plain::read_scene((kScene / "scene.toml").string()).lock->magnet_Am2;
  CHECK(std::abs(written_Am2 - moment_Am2) < 0.5e-6);  // the scene has six decimals
}

TEST_CASE(
    "The miniature locks switch below 7 mT at every bend of their segment, nearly as one lock alone would") {
  const withy_test::TemporaryFolder out;
  const auto run = withy_test::run_program(
      WITHY_PROGRAM,
      {"switch", (kScene / "scene.toml").string(), "--locks", "2", "--quiet", "-o", out.path().string()},
      out.path());
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  const auto report = nlohmann::json::parse(withy_test::read_text(out.path() / "switch.json"));
  const auto lock = *withy_plain::read_scene((kScene / "scene.toml").string()).lock;
  // What no lock alone can do with less of: its torque at the ends of the stroke and the ambient field at its
  // worst, the field along the middle. The other lock's magnet changes that by at most its field end on, mu0
  // m / (2 pi r^3), at the chord of the tightest bend.
  const auto scene = withy_plain::read_scene((kScene / "scene.toml").string());
  const double cosine = std::cos((lock.angle_latched_rad - lock.angle_free_rad) / 2.0);
  const double alone_mT = (lock.switch_torque_Nmm / lock.magnet_Am2 + scene.field->ambient_mT) / cosine;
  const auto& stations_mm = scene.layouts.at(2).station_mm;
  const double half = scene.curvature_max_per_mm * (stations_mm[1] - stations_mm[0]) / 2.0;
  const double chord_m = 2e-3 / scene.curvature_max_per_mm * std::sin(half);
  const double other_mT =
      1e3 * kVacuumPermeability * lock.magnet_Am2 / (2.0 * std::numbers::pi * std::pow(chord_m, 3));
  int fields = 0;
  for (const auto& map : report.at("switches")) {
    for (const auto& strength : map.at("strength_mT")) {
      REQUIRE(strength.is_number());  // null: no field at all
      CHECK(strength.get<double>() < kPractice_mT);
      CHECK(strength.get<double>() > alone_mT - other_mT / cosine);
      ++fields;
    }
  }
  CHECK(fields >= 8 * 100);  // two locks, both ways, the other either way, over the bends
  CHECK(std::abs(alone_mT - stated("takes ([0-9.]+) mT at any bend")) < 0.005);
}
