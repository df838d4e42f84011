// SPDX-License-Identifier: GPL-3.0-or-later
// The elastic segment's numbers from benches whose truth is known: those of the plain implementation, which
// shoots, and of the elements with noise.
#include "planner/fit/elastic_fit.h"

#include <random>

#include <boost/math/distributions/binomial.hpp>
#include <catch2/catch.hpp>

#include "tests/planner/fit/elastic_benches.h"
#include "tests/support/stopped_effort.h"

namespace {

using namespace withy;
using namespace withy_test;

}  // namespace

TEST_CASE("the elastic numbers of a bench that shoots are found") {
  const DesignParts scene = usual_parts({50.0});
  const Truth truth{1.08, 1.3, 0.85, 1.2, 1.25};
  const Design nominal = made(scene);
  const Design real = made(with_truth(scene, truth));
  std::mt19937 engine(41);
  Measurements table = poses(nominal, 12, engine);
  const withy_plain::Shooting shooting(plain_of(real));
  auto body = shooting.step(shooting.straight(), 0.0, shooting.straight().pull_mm).value();
  for (Measurement& row : table.rows) {
    const std::vector<double> from = body.pull_mm;
    const double from_mm = body.insertion_mm;
    for (int i = 1; i <= 8; ++i) {
      std::vector<double> pull = from;
      for (std::size_t k = 0; k < pull.size(); ++k)
        pull[k] += i / 8.0 * (row.pull_mm(static_cast<Eigen::Index>(k)) - from[k]);
      body = shooting.step(body, from_mm + i / 8.0 * (row.insertion_mm - from_mm), pull).value();
    }
    if (row.engaged.test(0) != body.engaged[0])
      body = (row.engaged.test(0) ? shooting.engage(body, 0) : shooting.release(body, 0)).value();
    row.tip_S = body.tip_E;
    const std::vector<double>& base = body.tension_N.front();
    row.tension_N = Eigen::Map<const Eigen::VectorXd>(base.data(), static_cast<Eigen::Index>(base.size()));
  }
  const auto fit = fit_elastic(nominal, Eigen::Isometry3d::Identity(), table, known_noise(0.02, 0.02));
  REQUIRE(fit);
  const auto near = [&](const std::string& name, double wanted, double share) {
    const FittedParameter& p = named(*fit, name);
    CAPTURE(name, p.value, p.deviation, wanted);
    CHECK(p.determined);
    CHECK(std::abs(p.value - wanted) < share * wanted);
  };
  near("flexural_rigidity_Nmm2", 400.0 * truth.rigidity, 0.01);
  near("friction_coefficient", 0.1 * truth.friction, 0.05);
  near("tendon_EA_N", 6283.0 * truth.tendon_EA, 0.01);
  near("backbone_EA_N", 4241.0 * truth.backbone_EA, 0.1);
  near("mass_g_per_mm", 0.02 * truth.mass, 0.05);
}

TEST_CASE("what a table can't tell of the elastic segment is said") {
  std::mt19937 engine(43);
  const DesignParts scene = usual_parts({50.0});
  const Design nominal = made(scene);
  Measurements table = poses(nominal, 8, engine);
  for (Measurement& row : table.rows) row.engaged.reset();  // nothing held: backbones slide free
  measure(scene, table, 0.1, 0.05, engine);
  const auto fit = fit_elastic(nominal, Eigen::Isometry3d::Identity(), table, known_noise(0.1, 0.05));
  REQUIRE(fit);
  CHECK_FALSE(named(*fit, "backbone_EA_N").determined);
  CHECK(named(*fit, "tendon_EA_N").determined);
}

TEST_CASE("what is known no better than to its own size of the elastic segment is not told") {
  // While the lock is engaged the tendons hardly move on: its backbones give by less than the noise, or lie
  // in the latch's play. What else is known must not seem to be known any better for that.
  const std::uint32_t seed = 61;
  INFO("seed " << seed);
  const DesignParts scene = usual_parts({50.0});
  const Design nominal = made(scene);
  const std::vector<std::string> names = elastic_parameter_names();
  const int backbones =
      static_cast<int>(std::find(names.begin(), names.end(), "backbone_EA_N") - names.begin());
  for (const double more : {0.1, 0.4}) {
    std::mt19937 engine(seed);
    Measurements table = poses(nominal, 6, engine);
    table.rows[3].pull_mm = (1.0 + more) * table.rows[2].pull_mm;
    measure(scene, table, 0.2, 0.05, engine);
    const auto fit = fit_elastic(nominal, Eigen::Isometry3d::Identity(), table, known_noise(0.2, 0.05));
    REQUIRE(fit);
    CAPTURE(more, fit->parameters[2].deviation, fit->parameters[3].value, fit->parameters[3].deviation);
    CHECK_FALSE(named(*fit, "backbone_EA_N").determined);
    CHECK(std::find(fit->confounded.begin(), fit->confounded.end(), std::vector<int>{backbones}) !=
          fit->confounded.end());
    // Six rows of four tensions to 0.05 N, of some newtons each: no number to less than a thousandth.
    for (const char* name : {"flexural_rigidity_Nmm2", "tendon_EA_N", "mass_g_per_mm"}) {
      const FittedParameter& p = named(*fit, name);
      CAPTURE(name, p.value, p.deviation);
      CHECK(p.determined);
      CHECK(p.deviation > 1e-3 * p.value);
      CHECK(std::abs(p.value - p.before) < 4.0 * p.deviation);
    }
  }
}

TEST_CASE("a fit of the elastic segment that is cut short anywhere finds nothing") {
  const DesignParts scene = usual_parts({50.0});
  const Design nominal = made(scene);
  std::mt19937 engine(53);
  Measurements table = poses(nominal, 8, engine);
  measure(scene, table, 0.1, 0.05, engine);
  for (const int questions : {0, 1, 30, 1000}) {
    FitSettings settings = known_noise(0.1, 0.05);
    settings.effort = withy_test::stopped_after(questions);
    const auto cut = fit_elastic(nominal, Eigen::Isometry3d::Identity(), table, settings);
    CAPTURE(questions);
    REQUIRE_FALSE(cut);
    CHECK(cut.error() == FitFault::cut_short);
  }
}

TEST_CASE("intervals of the elastic numbers hold the truth as often as they say") {
  // The long form: bench_elastic fits.
  constexpr int fits = 10;
  const DesignParts scene = usual_parts({50.0});
  const Design nominal = made(scene);
  const std::uint32_t seed = 47;
  INFO("seed " << seed);
  std::mt19937 engine(seed);
  int held = 0, asked = 0;
  for (int run = 0; run < fits; ++run) {
    Measurements table = poses(nominal, 9, engine);
    measure(scene, table, 0.2, 0.05, engine);
    const auto fit = fit_elastic(nominal, Eigen::Isometry3d::Identity(), table, known_noise(0.2, 0.05));
    REQUIRE(fit);
    const std::vector<double> truth = {400.0, 0.1, 6283.0, 4241.0, 0.02};
    for (std::size_t k = 0; k < truth.size(); ++k) {
      const FittedParameter& p = fit->parameters[k];
      if (!p.determined) continue;
      ++asked;
      held += p.low <= truth[k] && truth[k] <= p.high ? 1 : 0;
    }
  }
  CAPTURE(held, asked);
  CHECK(asked >= 4 * fits);
  // Intervals of one fit are not independent; of the parameters each for itself the binomial is exact.
  const boost::math::binomial_distribution<> right(asked, 0.95);
  CHECK(held >= boost::math::quantile(right, 0.005));
}
