// SPDX-License-Identifier: GPL-3.0-or-later
// Benches for the tests of the fit: a scene, read twice, and tables that the plain implementation measures.
#pragma once

#include <cmath>
#include <filesystem>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/fit/fit.h"
#include "planner/scene/scene.h"
#include "tests/support/plain_bench.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {

/// A shipped scene with the edits made, for both implementations.
class FitBench {
 public:
  FitBench(const std::string& name, int locks,
           const std::vector<std::pair<std::string, std::string>>& edits = {}) {
    namespace fs = std::filesystem;
    for (const auto& entry : fs::directory_iterator(fs::path(WITHY_SOURCE_DIR) / "scenes" / name))
      fs::copy(entry.path(), folder_.path() / entry.path().filename());
    std::string text = read_text(file());
    for (const auto& [shipped, edited] : edits) {
      const auto at = text.find(shipped);
      CAPTURE(shipped);
      REQUIRE(at != std::string::npos);
      text.replace(at, shipped.size(), edited);
    }
    write_text(file(), text);
    scene_ = std::make_unique<withy::Scene>(withy::read_scene(file()).value());
    design_ = std::make_unique<withy::Design>(scene_->design(locks).value());
    robot_.scene = withy_plain::read_scene(file().string());
    if (locks > 0) robot_.layout = robot_.scene.layouts.at(locks);
  }

  std::filesystem::path file() const { return folder_.path() / "scene.toml"; }
  const std::filesystem::path& folder() const { return folder_.path(); }
  const withy_plain::Robot& robot() const { return robot_; }
  const withy::Design& design() const { return *design_; }
  const withy::Scene& scene() const { return *scene_; }

  withy::Measurements measured(const withy_plain::BenchTruth& truth,
                               const std::vector<withy_plain::BenchPose>& poses, bool tensions,
                               unsigned seed) const {
    const auto table =
        withy::read_measurements(withy_plain::bench_table(robot_, truth, poses, tensions, seed), "table.csv",
                                 static_cast<int>(truth.slack_mm.size()));
    REQUIRE(table);
    return *table;
  }

  tl::expected<withy::Fit, withy::FitFault> fit(const withy::Measurements& table,
                                                const withy::FitSettings& settings = {}) const {
    return withy::fit_bench(*design_, scene_->entry.X_SE, table, settings);
  }

 private:
  TemporaryFolder folder_;
  std::unique_ptr<withy::Scene> scene_;
  std::unique_ptr<withy::Design> design_;
  withy_plain::Robot robot_;
};

/// What is asked for, in the order and units of the fit.
inline std::vector<double> asked_of(const withy_plain::BenchTruth& truth) {
  std::vector<double> out = {truth.rigidity_Nmm2, truth.friction};
  out.insert(out.end(), truth.slack_mm.begin(), truth.slack_mm.end());
  for (int k = 0; k < 3; ++k) out.push_back(truth.shift_mm(k));
  for (int k = 0; k < 3; ++k) out.push_back(truth.turn_rad(k) * 180 / M_PI);
  return out;
}

/// Bends of `sizes` (1/mm) in `directions` directions each, at two insertions.
inline std::vector<withy_plain::BenchPose> star(const std::vector<double>& sizes, int directions, int locks) {
  std::vector<withy_plain::BenchPose> poses;
  for (const double size : sizes) {
    for (int k = 0; k < directions; ++k) {
      const double phi = 2 * M_PI * (k + 0.3) / directions;
      poses.push_back({k % 2 == 0 ? 60.0 : 90.0, std::vector<bool>(static_cast<std::size_t>(locks)),
                       size * Eigen::Vector2d(std::cos(phi), std::sin(phi))});
    }
  }
  return poses;
}

}  // namespace withy_test
