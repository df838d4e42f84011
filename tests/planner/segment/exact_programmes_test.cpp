// SPDX-License-Identifier: GPL-3.0-or-later
// The closed forms for least tension and least field against CGAL's linear and quadratic programming solver,
// which works in exact rational numbers (CGAL 5.5, "Linear and Quadratic Programming Solver").
#include <cmath>
#include <random>

#include <CGAL/Gmpq.h>
#include <CGAL/QP_functions.h>
#include <CGAL/QP_models.h>
#include <catch2/catch.hpp>

#include "planner/segment/field.h"
#include "planner/segment/tendons.h"

namespace {

using namespace withy;
using Program = CGAL::Quadratic_program<CGAL::Gmpq>;
using Solution = CGAL::Quadratic_program_solution<CGAL::Gmpq>;

CGAL::Gmpq exact(double x) {
  return CGAL::Gmpq(x);
}

/// min sum x, sum x_k e_k = need, x >= 0; nothing when there is no such x.
std::optional<double> least_sum(const std::vector<Eigen::Vector2d>& e, const Eigen::Vector2d& need) {
  Program program(CGAL::EQUAL, true, CGAL::Gmpq(0), false, CGAL::Gmpq(0));
  for (int k = 0; k < static_cast<int>(e.size()); ++k) {
    program.set_a(k, 0, exact(e[static_cast<std::size_t>(k)].x()));
    program.set_a(k, 1, exact(e[static_cast<std::size_t>(k)].y()));
    program.set_c(k, CGAL::Gmpq(1));
  }
  program.set_b(0, exact(need.x()));
  program.set_b(1, exact(need.y()));
  const Solution solution = CGAL::solve_linear_program(program, CGAL::Gmpq());
  if (solution.is_infeasible()) return std::nullopt;
  return CGAL::to_double(solution.objective_value());
}

/// min |B|^2, normal . B >= at_least.
std::optional<Eigen::Vector3d> nearest_by_solver(const std::vector<HalfSpace>& half_spaces) {
  Program program(CGAL::LARGER, false, CGAL::Gmpq(0), false, CGAL::Gmpq(0));
  for (int i = 0; i < 3; ++i) {
    program.set_d(i, i, CGAL::Gmpq(2));
    for (int row = 0; row < static_cast<int>(half_spaces.size()); ++row)
      program.set_a(i, row, exact(half_spaces[static_cast<std::size_t>(row)].normal(i)));
  }
  for (int row = 0; row < static_cast<int>(half_spaces.size()); ++row)
    program.set_b(row, exact(half_spaces[static_cast<std::size_t>(row)].at_least));
  const Solution solution = CGAL::solve_quadratic_program(program, CGAL::Gmpq());
  if (solution.is_infeasible()) return std::nullopt;
  Eigen::Vector3d B;
  int axis = 0;
  for (auto it = solution.variable_values_begin(); it != solution.variable_values_end(); ++it)
    B(axis++) = CGAL::to_double(*it);
  return B;
}

}  // namespace

TEST_CASE("least total tension is what the exact linear programme gives") {
  const unsigned seed = 61;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> angle(-M_PI, M_PI);
  std::uniform_real_distribution<double> moment(-20, 20);
  int possible = 0;
  int impossible = 0;
  for (int trial = 0; trial < 2000; ++trial) {
    TendonHardware tendons;
    tendons.radius_mm = 1.2;
    tendons.tension_min_N = 0.3;
    std::vector<Eigen::Vector2d> e;
    for (int k = 0; k < 2 + trial % 6; ++k) {
      tendons.angle_rad.push_back(angle(random));
      e.emplace_back(std::cos(tendons.angle_rad.back()), std::sin(tendons.angle_rad.back()));
    }
    const Eigen::Vector2d M(moment(random), moment(random));
    Eigen::Vector2d need = M / tendons.radius_mm;
    for (const auto& direction : e) need -= tendons.tension_min_N * direction;
    const auto expected = least_sum(e, need);
    const auto ours = TendonStatics(tendons).tensions(M);
    CAPTURE(trial, e.size());
    REQUIRE(ours.has_value() == expected.has_value());
    if (!ours) {
      ++impossible;
      continue;
    }
    ++possible;
    const double total = *expected + 0.3 * static_cast<double>(e.size());
    if (std::abs(ours->sum() - total) > 1e-9 * total) FAIL_CHECK(ours->sum() << " against " << total);
  }
  CHECK(possible > 800);
  CHECK(impossible > 300);
}

TEST_CASE("the least field is what the exact quadratic programme gives") {
  const unsigned seed = 62;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::normal_distribution<double> gauss;
  std::uniform_real_distribution<double> bound(-3, 3);
  int found = 0;
  int none = 0;
  for (int trial = 0; trial < 1500; ++trial) {
    std::vector<HalfSpace> half_spaces;
    for (int k = 0; k < 2 + trial % 8; ++k) {
      Eigen::Vector3d normal(gauss(random), gauss(random), trial % 3 == 0 ? 0.0 : gauss(random));
      half_spaces.push_back({normal.normalized(), bound(random)});
    }
    const auto expected = nearest_by_solver(half_spaces);
    const auto ours = least_norm_point(half_spaces);
    CAPTURE(trial, half_spaces.size());
    if (expected && expected->norm() > 1e5) continue;
    REQUIRE(ours.has_value() == expected.has_value());
    ++(expected ? found : none);
    if (expected && (*ours - *expected).norm() > 1e-7 * (1 + expected->norm()))
      FAIL_CHECK(ours->transpose() << " against " << expected->transpose());
  }
  CHECK(found > 500);
  CHECK(none > 100);
}

TEST_CASE("half-spaces that touch in a point, an edge or twice over are met at the nearest point") {
  const Eigen::Vector3d x(1, 0, 0);
  const Eigen::Vector3d y(0, 1, 0);
  const std::vector<HalfSpace> twice = {{x, 1}, {x, 1}, {-x, -1}};
  REQUIRE(least_norm_point(twice));
  CHECK((*least_norm_point(twice) - x).norm() < 1e-12);
  const std::vector<HalfSpace> edge = {{x, 1}, {y, 2}, {(x + y).normalized(), 3 / std::sqrt(2.0)}};
  REQUIRE(least_norm_point(edge));
  CHECK((*least_norm_point(edge) - Eigen::Vector3d(1, 2, 0)).norm() < 1e-12);
  const std::vector<HalfSpace> apart = {{x, 1}, {-x, 1}};
  CHECK_FALSE(least_norm_point(apart));
  const std::vector<HalfSpace> all_idle = {{x, -1}, {y, 0}};
  REQUIRE(least_norm_point(all_idle));
  CHECK(least_norm_point(all_idle)->norm() == 0.0);
}
