// SPDX-License-Identifier: GPL-3.0-or-later
// Pulls come from the plain implementation in tests/support (Jones and Walker 2006 as it has them), bends are
// drawn at random: the inverse must give back the bend that was drawn.
#include "planner/script/tendon_inverse.h"

#include <random>

#include <catch2/catch.hpp>

#include "tests/support/plain_twin.h"

using withy::free_bend_from_pulls;
using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

Eigen::VectorXd plain_pulls(const withy_plain::Robot& robot, const withy::Design& design,
                            const withy::State& state) {
  const auto pulls = withy_plain::pulls(robot, withy_test::plain_state(design, state));
  return Eigen::Map<const Eigen::VectorXd>(pulls.data(), static_cast<Eigen::Index>(pulls.size()));
}

/// A state with lock 1 engaged on a bend, well inside the limits.
withy::State random_state(const withy::Design& design, std::mt19937& random) {
  std::uniform_real_distribution<double> curvature(-0.025, 0.025);
  std::uniform_real_distribution<double> insertion(60.0, 150.0);
  withy::State state;
  state.insertion_mm = insertion(random);
  state.u_free = {curvature(random), curvature(random)};
  state = withy::after_lock(design, state, 0);
  state.u_free = {curvature(random), curvature(random)};
  return state;
}

void check_inverse(const BenchOptions& options) {
  const Bench bench(options);
  const auto robot = withy_test::plain_robot(bench);
  constexpr unsigned kSeed = 20240501;
  CAPTURE(kSeed, options.guide, options.disk_spacing_mm, options.tendon_angles, options.standing_motors);
  std::mt19937 random(kSeed);
  for (int i = 0; i < 300; ++i) {
    withy::State state = random_state(bench.design(), random);
    const Eigen::Vector2d drawn = state.u_free;
    const Eigen::VectorXd pulls = plain_pulls(robot, bench.design(), state);
    state.u_free.setZero();
    const auto found = free_bend_from_pulls(bench.design(), state, pulls);
    CAPTURE(i, state.insertion_mm, drawn.transpose(), found.u.transpose());
    REQUIRE((found.u - drawn).norm() < 1e-9);
    REQUIRE(found.disagreement_mm < 1e-9);
  }
}

}  // namespace

TEST_CASE("The bend comes back from the pulls of continuous tendons") {
  check_inverse({});
}

TEST_CASE("The bend comes back from the pulls of tendons between disks") {
  check_inverse({.disk_spacing_mm = 10.0});
}

TEST_CASE("The bend comes back from pulls with a guide, disks and motors that stand") {
  check_inverse({.guide = true, .standing_motors = true, .disk_spacing_mm = 7.0});
}

TEST_CASE("The bend comes back from two tendons at right angles, where disks couple both") {
  check_inverse({.disk_spacing_mm = 12.0, .tendon_angles = "10.0, 100.0", .axes = R"("A", "B")"});
}

TEST_CASE("Tendons in one plane leave the bend across it at zero") {
  const Bench bench({.tendon_angles = "0.0, 180.0", .axes = R"("A", "B")"});
  // Continuous routing, no lock engaged: pull = r_t f u_x with r_t = 1.2 mm, f = 100 - 4 - 3 mm.
  const double pull = 1.2 * 93.0 * 0.01;
  const auto found = free_bend_from_pulls(bench.design(), withy::start_state(), Eigen::Vector2d(pull, -pull));
  CHECK_THAT(found.u.x(), Catch::Matchers::WithinAbs(0.01, 1e-9));
  CHECK_THAT(found.u.y(), Catch::Matchers::WithinAbs(0.0, 1e-9));
}

TEST_CASE("Pulls that no bend has are said to disagree, by the part that no bend explains") {
  const Bench bench;
  // Opposite tendons drawn by the same 0.3 mm: the nearest bend is none, and each is 0.3 mm off.
  const auto found =
      free_bend_from_pulls(bench.design(), withy::start_state(), Eigen::Vector4d(0.3, 0.0, 0.3, 0.0));
  CHECK_THAT(found.u.norm(), Catch::Matchers::WithinAbs(0.0, 1e-12));
  CHECK_THAT(found.disagreement_mm, Catch::Matchers::WithinAbs(0.3, 1e-12));
}

TEST_CASE("A free region that is wholly inside the guide keeps its guess") {
  const Bench bench({.guide = true});
  withy::State state;
  state.insertion_mm = 2.0;  // less than the rigid tip
  state.u_free = {0.01, 0.02};
  const auto found = free_bend_from_pulls(bench.design(), state, Eigen::Vector4d::Zero());
  CHECK(found.u == state.u_free);
  CHECK(found.disagreement_mm == 0.0);
}
