// SPDX-License-Identifier: GPL-3.0-or-later
// The fit on benches of the plain implementation, whose truth is known.
#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/planner/fit/synthetic_bench.h"
#include "tests/support/stopped_effort.h"

namespace {

using namespace withy;
using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;
using withy_plain::BenchPose;
using withy_plain::BenchTruth;
using withy_test::asked_of;
using withy_test::FitBench;
using withy_test::star;

BenchTruth four_tendons() {
  BenchTruth truth;
  truth.rigidity_Nmm2 = 431;
  truth.friction = 0.17;
  truth.slack_mm = {0.12, -0.05, 0.3, 0.02};
  truth.shift_mm = {0.4, -0.7, 1.1};
  truth.turn_rad = {0.01, -0.015, 0.03};
  return truth;
}

BenchTruth with_noise(BenchTruth truth) {
  truth.pull_noise_mm = 0.01;
  truth.tension_noise_N = 0.05;
  truth.tip_noise_mm = 0.2;
  return truth;
}

void check_exact(const FitBench& bench, const BenchTruth& truth, const std::vector<BenchPose>& poses) {
  const auto fit = bench.fit(bench.measured(truth, poses, true, 1));
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  CHECK(fit->all_determined());
  const std::vector<double> truths = asked_of(truth);
  REQUIRE(fit->parameters.size() == truths.size());
  for (std::size_t k = 0; k < truths.size(); ++k) {
    CAPTURE(fit->parameters[k].name);
    CHECK_THAT(fit->parameters[k].value, WithinAbs(truths[k], 1e-5 * (1 + std::abs(truths[k]))));
  }
}

/// Names of each group of parameters that can't be told apart.
std::vector<std::vector<std::string>> confounded(const Fit& fit) {
  std::vector<std::vector<std::string>> out;
  for (const auto& group : fit.confounded) {
    out.emplace_back();
    for (const int k : group) out.back().push_back(fit.parameters[static_cast<std::size_t>(k)].name);
  }
  return out;
}

}  // namespace

TEST_CASE("intervals are Student's where noise was estimated, and normal where it was given") {
  // R. A. Fisher and F. Yates, Statistical Tables for Biological, Agricultural and Medical Research (1938),
  // table III, P = 0.05; the figures from memory.
  CHECK(withy::interval_factor(1.0, 0.95) == Approx(12.706).margin(5e-4));
  CHECK(withy::interval_factor(10.0, 0.95) == Approx(2.228).margin(5e-4));
  CHECK(withy::interval_factor(30.0, 0.95) == Approx(2.042).margin(5e-4));
  CHECK(withy::interval_factor(std::nullopt, 0.95) == Approx(1.960).margin(5e-4));
}

TEST_CASE("without noise the fit finds the bench as it is") {
  const FitBench bench("double-bend", 0);
  check_exact(bench, four_tendons(), star({0.008, 0.02}, 6, 0));
}

TEST_CASE("without noise the fit finds the bench through locks that hold, on either carriage") {
  for (const char* scene : {"double-bend", "guide-narrow"}) {
    CAPTURE(scene);
    const FitBench bench(scene, 2);
    auto poses = star({0.008, 0.02}, 6, 2);
    const auto add = [&](double d, bool first, bool second, double ux, double uy) {
      poses.push_back({d, {first, second}, {ux, uy}});
    };
    add(95, true, false, 0.012, 0.006);  // lock 1 freezes this row's shape
    add(95, true, false, -0.02, 0.01);
    add(99, true, true, 0.005, -0.015);  // lock 2 freezes this one's
    add(99, true, true, 0.02, 0.02);
    add(97, true, true, -0.01, 0.02);
    add(90, false, false, 0.01, 0.0);
    add(92, true, true, 0.01, -0.01);  // both at once
    add(99, true, true, 0.02, 0.0);
    check_exact(bench, four_tendons(), poses);
  }
}

TEST_CASE("a fit that is cut short anywhere finds nothing") {
  const FitBench bench("double-bend", 0);
  const auto table = bench.measured(with_noise(four_tendons()), star({0.008, 0.02}, 6, 0), true, 1);
  const auto whole = bench.fit(table);
  REQUIRE(whole);
  bool ended = false;
  for (int questions = 0; questions < 1 << 24 && !ended; questions = 4 * questions + 1) {
    FitSettings settings;
    settings.effort = withy_test::stopped_after(questions);
    const auto cut = bench.fit(table, settings);
    CAPTURE(questions);
    ended = cut.has_value();
    if (!ended) CHECK(cut.error() == FitFault::cut_short);
    if (ended) CHECK(cut->parameters.front().value == whole->parameters.front().value);
  }
  CHECK(ended);
}

TEST_CASE("without noise the fit finds the bench with spacer disks and motors that stand") {
  const FitBench bench("double-bend", 0,
                       {{"disk_spacing_mm = 0.0", "disk_spacing_mm = 12.0"}, {"\"ride\"", "\"stand\""}});
  check_exact(bench, four_tendons(), star({0.008, 0.02}, 6, 0));
}

TEST_CASE("the published benchmark robot's parameters are found within their uncertainty") {
  // P. Rao, Q. Peyron, S. Lilge and J. Burgner-Kahrs, "How to Model Tendon-Driven Continuum Robots and
  // Benchmark Modelling Performance", Frontiers in Robotics and AI 7, 2021, parameters of the proximal
  // segment as the accompanying code presets them: length 100 mm, 10 disks, backbone of 0.5 mm radius and 60
  // GPa, three tendons at 8 mm; the disks are made to hold them. The scene starts from half the rigidity.
  const double rigidity = 60e3 * M_PI / 4 * std::pow(0.5, 4);
  const FitBench bench("double-bend", 0,
                       {{"flexural_rigidity_Nmm2 = 400.0", "flexural_rigidity_Nmm2 = 1470.0"},
                        {"tip_rigid_mm = 3.0", "tip_rigid_mm = 0.0"},
                        {"\nradius_mm = 1.5", "\nradius_mm = 9.0"},
                        {"body_radius_mm = 1.8", "body_radius_mm = 9.0"},
                        {"\nradius_mm = 1.2\nangles_deg = [0.0, 90.0, 180.0, 270.0]",
                         "\nradius_mm = 8.0\nangles_deg = [90.0, -30.0, 210.0]"},
                        {"disk_spacing_mm = 0.0", "disk_spacing_mm = 10.0"},
                        {R"(["A", "B", "C", "U"])", R"(["A", "B", "C"])"}});
  BenchTruth truth = with_noise({});
  truth.rigidity_Nmm2 = rigidity;
  truth.friction = 0.1;
  truth.slack_mm = {0.1, 0.0, -0.2};
  const auto fit = bench.fit(bench.measured(truth, star({0.004, 0.008, 0.012}, 8, 0), true, 7));
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  CHECK(fit->all_determined());
  const std::vector<double> truths = asked_of(truth);
  for (std::size_t k = 0; k < truths.size(); ++k) {
    const FittedParameter& p = fit->parameters[k];
    CAPTURE(p.name, p.value, p.deviation, truths[k]);
    CHECK(std::abs(p.value - truths[k]) < 4 * p.deviation);
  }
  CHECK(fit->parameters[0].deviation < 0.02 * rigidity);
}

namespace {

constexpr int kBenches = 80;

/// What many fits of one bench with fresh noise each time say.
struct ManyFits {
  std::vector<int> hits;                ///< by parameter: intervals that hold the truth
  Eigen::MatrixXd values;               ///< fit, parameter
  Eigen::VectorXd deviation;            ///< by parameter: mean of what was stated
  std::array<double, kReadings> noise;  ///< root mean square of the estimates
};

ManyFits fit_many(const FitBench& bench, const BenchTruth& truth, const std::vector<BenchPose>& poses) {
  const std::vector<double> truths = asked_of(truth);
  const auto count = static_cast<Eigen::Index>(truths.size());
  ManyFits many{
      std::vector<int>(truths.size()), Eigen::MatrixXd(kBenches, count), Eigen::VectorXd::Zero(count), {}};
  for (int seed = 0; seed < kBenches; ++seed) {
    CAPTURE(seed);
    const auto fit = bench.fit(bench.measured(truth, poses, true, 100U + static_cast<unsigned>(seed)));
    REQUIRE(fit);
    for (std::size_t k = 0; k < truths.size(); ++k) {
      const FittedParameter& p = fit->parameters[k];
      many.hits[k] += p.low <= truths[k] && truths[k] <= p.high;
      many.values(seed, static_cast<Eigen::Index>(k)) = p.value;
      many.deviation(static_cast<Eigen::Index>(k)) += p.deviation / kBenches;
    }
    for (std::size_t kind = 0; kind < many.noise.size(); ++kind)
      many.noise[kind] += std::pow(fit->noise[kind].deviation, 2) / kBenches;
  }
  for (double& square : many.noise) square = std::sqrt(square);
  return many;
}

}  // namespace

TEST_CASE("over many noisy benches the stated intervals hold the truth as often as they say") {
  const BenchTruth truth = with_noise(four_tendons());
  const std::vector<double> truths = asked_of(truth);
  for (const int locks : {0, 1}) {
    const FitBench bench("double-bend", locks);
    auto poses = star({0.008, 0.02}, 8, locks);
    for (int k = 0; locks > 0 && k < 6; ++k) poses.push_back({80.0, {true}, {0.004 * k, 0.02 - 0.005 * k}});
    const ManyFits many = fit_many(bench, truth, poses);
    double share = 0.0;
    for (std::size_t k = 0; k < truths.size(); ++k) {
      const auto column = static_cast<Eigen::Index>(k);
      const Eigen::VectorXd off = many.values.col(column).array() - many.values.col(column).mean();
      const double scatter = std::sqrt(off.squaredNorm() / (kBenches - 1));
      CAPTURE(locks, k, many.hits[k], scatter, many.deviation(column));
      // 80 draws at 95 %: fewer than 68 hits come once in 2000; a scatter of 80 is good to 8 %.
      CHECK(many.hits[k] >= 68);
      CHECK_THAT(many.deviation(column), WithinRel(scatter, 0.3));
      CHECK(std::abs(many.values.col(column).mean() - truths[k]) < 4 * scatter / std::sqrt(kBenches));
      share += many.hits[k] / (kBenches * static_cast<double>(truths.size()));
    }
    CAPTURE(locks, share);
    CHECK(share > 0.92);
    CHECK(share < 0.98);
    CHECK_THAT(many.noise[0], WithinRel(truth.pull_noise_mm, 0.05));
    CHECK_THAT(many.noise[1], WithinRel(truth.tension_noise_N, 0.05));
    CHECK_THAT(many.noise[2], WithinRel(truth.tip_noise_mm, 0.05));
  }
}

TEST_CASE("without tensions rigidity and friction are named as unknown, and the rest is found") {
  const FitBench bench("double-bend", 0);
  const BenchTruth truth = with_noise(four_tendons());
  const auto fit = bench.fit(bench.measured(truth, star({0.008, 0.02}, 8, 0), false, 3));
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  CHECK(confounded(*fit) ==
        std::vector<std::vector<std::string>>{{"flexural_rigidity_Nmm2"}, {"friction_coefficient"}});
  CHECK(fit->found.rigidity_Nmm2 == 400.0);  // the scene's
  CHECK(fit->found.friction == 0.1);
  for (std::size_t k = 2; k < fit->parameters.size(); ++k) {
    const FittedParameter& p = fit->parameters[k];
    CAPTURE(p.name);
    CHECK(std::abs(p.value - asked_of(truth)[k]) < 4 * p.deviation);
  }
}

TEST_CASE("one size of bend and no pretension can't tell rigidity from friction, and says so") {
  const FitBench bench("double-bend", 0, {{"tension_min_N = 0.2", "tension_min_N = 0.0"}});
  const auto fit = bench.fit(bench.measured(with_noise(four_tendons()), star({0.02}, 12, 0), true, 4),
                             {{0.01, 0.05, 0.2}});
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  // The rows' curvatures differ by their noise, which tells a little; the exact bench tells nothing.
  const auto exact =
      bench.fit(bench.measured(four_tendons(), star({0.02}, 12, 0), true, 4), {{1e-3, 1e-3, 1e-3}});
  REQUIRE(exact);
  CHECK(confounded(*exact) ==
        std::vector<std::vector<std::string>>{{"flexural_rigidity_Nmm2", "friction_coefficient"}});
  CHECK_FALSE(exact->parameters[0].determined);
}

TEST_CASE("a segment that was never bent shows neither the turn about its axis nor what tensions depend on") {
  const FitBench bench("double-bend", 0);
  std::vector<BenchPose> poses;
  for (int k = 0; k < 8; ++k) poses.push_back({40.0 + 10 * k, {}, {0, 0}});
  BenchTruth truth = four_tendons();
  const auto fit = bench.fit(bench.measured(truth, poses, true, 5), {{0.01, 0.05, 0.2}});
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  CAPTURE(fit->parameters[0].value, fit->parameters[0].low, fit->parameters[0].high);
  CHECK_FALSE(fit->parameters[0].determined);
  CHECK_FALSE(fit->parameters.back().determined);
  CHECK_FALSE(fit->all_determined());
}

TEST_CASE("a segment that was hardly bent tells its rigidity and not its friction, and says so") {
  const FitBench bench("double-bend", 0);
  const auto fit = bench.fit(bench.measured(with_noise(four_tendons()), star({0.0005}, 8, 0), true, 9),
                             {{0.01, 0.05, 0.2}});
  INFO((fit ? "" : fault_of(fit.error(), "").problem));
  REQUIRE(fit);
  const FittedParameter& friction = fit->parameters[1];
  CAPTURE(friction.value, friction.deviation);
  // Lambda is 0.05 rad: a hundredth of a newton of tension, its noise five times that.
  CHECK_FALSE(friction.determined);
  CHECK(fit->found.friction == 0.1);  // the scene's
  CHECK(std::find(fit->confounded.begin(), fit->confounded.end(), std::vector<int>{1}) !=
        fit->confounded.end());
  const FittedParameter& rigidity = fit->parameters[0];
  CHECK(rigidity.determined);
  CHECK(rigidity.deviation < rigidity.value);
}

TEST_CASE("numbers are told where they are known better than to their own size") {
  const auto told = [](const char* name, double before, double value, double deviation) {
    return is_told({name, before, true, value, deviation, 0.0, 0.0});
  };
  CHECK(told("flexural_rigidity_Nmm2", 400.0, 430.0, 429.0));
  CHECK_FALSE(told("flexural_rigidity_Nmm2", 400.0, 430.0, 431.0));
  CHECK_FALSE(told("mass_g_per_mm", 0.02, 0.02, 0.03));
  CHECK_FALSE(told("friction_coefficient", 0.1, 0.05, 0.2));
  CHECK(told("friction_coefficient", 0.1, 0.001, 0.004));  // next to none, for sure
  CHECK(told("friction_coefficient", 0.0, 0.001, 0.004));
  CHECK(told("base_x_mm", 0.0, 0.01, 0.05));
  CHECK(told("slack_1_mm", 0.0, 0.0, 0.01));
  CHECK(told("base_turn_z_deg", 0.0, 0.1, 2.0));
  CHECK_FALSE(told("base_turn_z_deg", 0.0, 170.0, 80.0));
  CHECK_FALSE(told("tendon_EA_N", 6283.0, 6283.0, std::numeric_limits<double>::infinity()));
}

TEST_CASE("too few poses are refused, and residuals too large for the noise that was given are pointed out") {
  const FitBench bench("double-bend", 0);
  const BenchTruth truth = with_noise(four_tendons());
  const auto few = bench.fit(bench.measured(truth, star({0.02}, 1, 0), true, 6));
  REQUIRE_FALSE(few);
  CHECK(few.error() == FitFault::too_few);
  const auto table = bench.measured(truth, star({0.008, 0.02}, 8, 0), true, 6);
  const auto honest = bench.fit(table, {{0.01, 0.05, 0.2}});
  REQUIRE(honest);
  CHECK_FALSE(honest->misfits());
  const auto proud = bench.fit(table, {{0.005, 0.025, 0.1}});
  REQUIRE(proud);
  CHECK(proud->misfits());
}
