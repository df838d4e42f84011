// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/motion_samples.h"

#include <algorithm>
#include <cmath>
#include <random>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "tests/support/plain_body.h"
#include "tests/support/plain_twin.h"

using Catch::Matchers::WithinAbs;
using withy_test::Bench;
using withy_test::BenchOptions;

namespace {

// The bench's channel is a box: the distance to its wall is known in closed form.
constexpr double kHalfWidth = 70.0;
constexpr double kDepth = 180.0;

double box_distance(const Eigen::Vector3d& p_S) {
  return std::min({kHalfWidth - std::abs(p_S.x()), kHalfWidth - std::abs(p_S.y()), kDepth - p_S.z()});
}

/// Least clearance by brute force: the plain body at every hundredth of a millimetre, the box's closed form.
double dense_clearance(const Bench& bench, const withy::State& state) {
  const auto robot = withy_test::plain_robot(bench);
  const withy_plain::Body body(robot, withy_test::plain_state(bench.design(), state));
  double least = withy::kInfinity;
  const double first = std::min(0.0, robot.scene.length_mm - state.insertion_mm);
  for (double s = first; s <= robot.scene.length_mm; s += 0.01) {
    const Eigen::Vector3d p_E = body.point_E(s);
    if (p_E.z() > 0.0)
      least = std::min(least, box_distance(bench.scene().entry.X_SE * p_E) - withy_plain::radius(robot, s));
  }
  return least;
}

std::shared_ptr<const withy::Channel> channel_of(const Bench& bench) {
  return *withy::read_channel(bench.scene());
}

}  // namespace

TEST_CASE("The tightest spot of a body is the one that dense sampling finds") {
  const bool guide = GENERATE(false, true);
  CAPTURE(guide);
  const Bench bench(BenchOptions{.guide = guide});
  const withy::WallDistance wall(channel_of(bench));
  const unsigned seed = 20;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> depth(1.0, 150.0), curvature(-0.03, 0.03);
  for (int i = 0; i < 40; ++i) {
    withy::State state;
    state.insertion_mm = depth(random);
    state.u_free = {curvature(random), curvature(random)};
    const double dense = dense_clearance(bench, state);
    // Bodies beyond the wall have no clearance to show; plans never hold one.
    if (!(dense > 0.0) || !std::isfinite(dense)) continue;
    const auto spot = withy::tightest_spot(bench.design(), state, wall);
    CAPTURE(i, state.insertion_mm, state.u_free.x(), state.u_free.y());
    REQUIRE(spot);
    // Dense sampling is within half its step of the least; so is the search within its resolution.
    CHECK_THAT(spot->clearance_mm, WithinAbs(dense, 0.02));
    CHECK_THAT(box_distance(spot->wall_S), WithinAbs(0.0, 1e-6));
  }
}

TEST_CASE("A body before the entry has no tightest spot") {
  const Bench bench;
  const withy::WallDistance wall(channel_of(bench));
  CHECK_FALSE(withy::tightest_spot(bench.design(), withy::start_state(), wall));
}

TEST_CASE("Samples of a plan begin and end where its states are, and last as long as the script") {
  const Bench bench(BenchOptions{.guide = true});
  const withy::WallDistance wall(channel_of(bench));
  const auto samples = withy::sample_motions(bench.scene(), bench.design(), bench.plan(), wall);
  const auto file = nlohmann::json::parse(bench.plan_text());
  REQUIRE(samples.size() == file["actions"].size());
  double seconds = 0.0;
  for (std::size_t k = 0; k < samples.size(); ++k) {
    CAPTURE(k);
    seconds += samples[k].seconds;
    CHECK(samples[k].t.front() == 0.0);
    CHECK(samples[k].t.back() == 1.0);
    CHECK(std::is_sorted(samples[k].t.begin(), samples[k].t.end()));
    const auto& from = file["states"][file["actions"][k]["from"].get<std::size_t>()];
    const auto& to = file["states"][file["actions"][k]["to"].get<std::size_t>()];
    for (std::size_t j = 0; j < from["pull_mm"].size(); ++j) {
      CHECK_THAT(samples[k].pull_mm.front()[j], WithinAbs(from["pull_mm"][j].get<double>(), 1e-9));
      CHECK_THAT(samples[k].pull_mm.back()[j], WithinAbs(to["pull_mm"][j].get<double>(), 1e-9));
      CHECK_THAT(samples[k].tension_N.back()[j], WithinAbs(to["tension_N"][j].get<double>(), 1e-9));
    }
  }
  // The script counts in steps of a millionth, so the two may differ by some of those.
  CHECK_THAT(seconds, WithinAbs(file["summary"]["duration_s"].get<double>(), 1e-3));
}

TEST_CASE(
    "A hunt is sampled along its sweep, which goes as far as its size says, and lasts as long as the "
    "script") {
  const Bench bench(BenchOptions{.hunt_mm = 0.1});
  const withy::WallDistance wall(channel_of(bench));
  const auto samples = withy::sample_motions(bench.scene(), bench.design(), bench.plan(), wall);
  const auto file = nlohmann::json::parse(bench.plan_text());
  double seconds = 0.0;
  for (std::size_t k = 0; k < samples.size(); ++k) {
    seconds += samples[k].seconds;
    const auto& action = bench.plan().actions[k];
    CHECK(samples[k].swept_u.empty() == (action.kind != withy::ActionKind::lock));
    if (samples[k].swept_u.empty()) continue;
    CHECK(samples[k].swept_u.size() == samples[k].t.size());
    CHECK(std::is_sorted(samples[k].t.begin(), samples[k].t.end()));
    const auto& planned = bench.plan().states[static_cast<std::size_t>(action.from)].u_free;
    double farthest = 0.0;
    for (const auto& u : samples[k].swept_u) farthest = std::max(farthest, (u - planned).norm());
    // Backbones at 1.2 mm, 48 mm of flexible length before the lock.
    CHECK_THAT(farthest, WithinAbs(0.1 / (1.2 * 48.0), 1e-9));
    for (const auto& spot : samples[k].spot)
      CHECK((!spot || spot->clearance_mm >= action.hunt->clearance_mm - 1e-6));
  }
  CHECK_THAT(seconds, WithinAbs(file["summary"]["duration_s"].get<double>(), 1e-3));
}

TEST_CASE("Sampled clearance never falls below what was verified") {
  const Bench bench;
  const withy::WallDistance wall(channel_of(bench));
  const auto samples = withy::sample_motions(bench.scene(), bench.design(), bench.plan(), wall);
  for (std::size_t k = 0; k < samples.size(); ++k)
    for (const auto& spot : samples[k].spot)
      if (spot) CHECK(spot->clearance_mm >= bench.plan().actions[k].clearance_mm);
}
