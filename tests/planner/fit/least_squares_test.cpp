// SPDX-License-Identifier: GPL-3.0-or-later
// The least-squares core on published regressions with certified answers, and on problems whose unknowns are
// unknown by construction.
//
// Certified values, standard deviations and data: National Institute of Standards and Technology, Statistical
// Reference Datasets, nonlinear regression (Misra1a, DanWood, MGH10).
#include "planner/fit/least_squares.h"

#include <cmath>
#include <functional>
#include <string>
#include <vector>

#include <Eigen/LU>
#include <catch2/catch.hpp>

namespace {

using namespace withy;
using Catch::Matchers::WithinRel;

struct Regression {
  std::string name;
  std::vector<double> start;
  std::vector<double> certified;
  std::vector<double> deviation;
  double squares;
  std::function<double(double x, const std::vector<double>& b)> model;
  std::vector<std::pair<double, double>> y_x;
};

const std::vector<Regression> kRegressions = {
    {"Misra1a",
     {500, 0.0001},
     {2.3894212918E+02, 5.5015643181E-04},
     {2.7070075241E+00, 7.2668688436E-06},
     1.2455138894E-01,
     [](double x, const std::vector<double>& b) { return b[0] * (1 - std::exp(-b[1] * x)); },
     {{10.07, 77.6},
      {14.73, 114.9},
      {17.94, 141.1},
      {23.93, 190.8},
      {29.61, 239.9},
      {35.18, 289.0},
      {40.02, 332.8},
      {44.82, 378.4},
      {50.76, 434.8},
      {55.05, 477.3},
      {61.01, 536.8},
      {66.40, 593.1},
      {75.47, 689.1},
      {81.78, 760.0}}},
    {"DanWood",
     {1, 5},
     {7.6886226176E-01, 3.8604055871E+00},
     {1.8281973860E-02, 5.1726610913E-02},
     4.3173084083E-03,
     [](double x, const std::vector<double>& b) { return b[0] * std::pow(x, b[1]); },
     {{2.138, 1.309}, {3.421, 1.471}, {3.597, 1.490}, {4.340, 1.565}, {4.882, 1.611}, {5.660, 1.680}}},
    {"MGH10",
     {0.02, 4000, 250},
     {5.6096364710E-03, 6.1813463463E+03, 3.4522363462E+02},
     {1.5687892471E-04, 2.3309021107E+01, 7.8486103508E-01},
     8.7945855171E+01,
     [](double x, const std::vector<double>& b) { return b[0] * std::exp(b[1] / (x + b[2])); },
     {{34780, 50},
      {28610, 55},
      {23650, 60},
      {19630, 65},
      {16370, 70},
      {13720, 75},
      {11540, 80},
      {9744, 85},
      {8261, 90},
      {7030, 95},
      {6005, 100},
      {5147, 105},
      {4427, 110},
      {3820, 115},
      {3307, 120},
      {2872, 125}}}};

/// Parameters as multiples of their start, one block each; noise 1.
LeastSquaresProblem problem_of(const Regression& regression) {
  LeastSquaresProblem problem;
  LeastSquaresTerm term;
  for (std::size_t k = 0; k < regression.start.size(); ++k) {
    problem.start.emplace_back(Eigen::VectorXd::Ones(1));
    term.blocks.push_back(static_cast<int>(k));
  }
  term.residuals = static_cast<int>(regression.y_x.size());
  term.evaluate = [&regression](const double* const* blocks, double* residuals) {
    std::vector<double> b;
    for (std::size_t k = 0; k < regression.start.size(); ++k) b.push_back(regression.start[k] * *blocks[k]);
    for (const auto& [y, x] : regression.y_x) *residuals++ = regression.model(x, b) - y;
  };
  problem.terms.push_back(term);
  return problem;
}

/// One residual each: `rows` of a linear model in single-parameter blocks.
LeastSquaresProblem linear(const Eigen::MatrixXd& rows, const Eigen::VectorXd& y) {
  LeastSquaresProblem problem;
  LeastSquaresTerm term;
  for (int k = 0; k < rows.cols(); ++k) {
    problem.start.emplace_back(Eigen::VectorXd::Zero(1));
    term.blocks.push_back(k);
  }
  term.residuals = static_cast<int>(rows.rows());
  term.evaluate = [rows, y](const double* const* blocks, double* residuals) {
    Eigen::VectorXd b(rows.cols());
    for (int k = 0; k < rows.cols(); ++k) b(k) = *blocks[k];
    Eigen::Map<Eigen::VectorXd>(residuals, rows.rows()) = rows * b - y;
  };
  problem.terms.push_back(term);
  return problem;
}

}  // namespace

TEST_CASE("published regressions come out at their certified values, with their certified deviations") {
  for (const Regression& regression : kRegressions) {
    const int parameters = static_cast<int>(regression.start.size());
    const LeastSquaresSolution solution = solve(problem_of(regression), {});
    CAPTURE(regression.name, solution.converged);
    CHECK(solution.converged);
    CHECK_THAT(solution.residual.squaredNorm(), WithinRel(regression.squares, 1e-8));
    const Knowledge knowledge = knowledge_of(solution.jacobian, parameters);
    CHECK(knowledge.confounded.empty());
    const double variance = regression.squares / (static_cast<double>(regression.y_x.size()) - parameters);
    for (int k = 0; k < parameters; ++k) {
      const auto i = static_cast<std::size_t>(k);
      CHECK_THAT(regression.start[i] * solution.blocks[i](0), WithinRel(regression.certified[i], 1e-6));
      CHECK_THAT(regression.start[i] * std::sqrt(variance * knowledge.covariance(k, k)),
                 WithinRel(regression.deviation[i], 1e-4));
    }
  }
}

TEST_CASE("parameters that only their sum is known of are named together, one that moves nothing alone") {
  // y = (a + b) x + c + 0 d
  Eigen::MatrixXd rows(5, 4);
  Eigen::VectorXd y(5);
  for (int i = 0; i < 5; ++i) {
    rows.row(i) << i, i, 1, 0;
    y(i) = 3 * i + 2;
  }
  const Knowledge knowledge = knowledge_of(evaluate(linear(rows, y)).jacobian, 4);
  CHECK(knowledge.determined == std::vector<bool>{false, false, true, false});
  REQUIRE(knowledge.confounded.size() == 2);
  CHECK(knowledge.confounded[0] == std::vector<int>{0, 1});
  CHECK(knowledge.confounded[1] == std::vector<int>{3});
  CHECK(knowledge.to_hold.size() == 2);
  // The variance of c is that of a straight line's intercept: sum x^2 / (n sum (x - mean)^2) = 30 / 50.
  CHECK_THAT(knowledge.covariance(2, 2), WithinRel(0.6, 1e-6));
}

TEST_CASE("latent parameters cost those asked for what the whole covariance says") {
  // y_i = b + latent_i twice over, and b once: the latent ones take their rows with them.
  Eigen::MatrixXd rows(7, 4);
  rows << 1, 0, 0, 0,  //
      1, 1, 0, 0, 1, -1, 0, 0, 1, 0, 1, 0, 1, 0, 1, 0, 0.5, 0, 0, 1, 2, 0, 0, 1;
  const auto J = evaluate(linear(rows, Eigen::VectorXd::Zero(7))).jacobian;
  const Eigen::MatrixXd whole = (rows.transpose() * rows).inverse();
  CHECK_THAT(knowledge_of(J, 1).covariance(0, 0), WithinRel(whole(0, 0), 1e-6));
}

TEST_CASE("a held block stays where it starts and the others make the best of it") {
  Eigen::MatrixXd rows(3, 2);
  rows << 1, 1, 1, 2, 1, 3;
  LeastSquaresProblem problem = linear(rows, Eigen::Vector3d(2, 3, 4));
  problem.start[1](0) = 0.0;
  const LeastSquaresSolution solution = solve(problem, {1});
  CHECK(solution.blocks[1](0) == 0.0);
  CHECK_THAT(solution.blocks[0](0), WithinRel(3.0, 1e-7));  // the mean
}
