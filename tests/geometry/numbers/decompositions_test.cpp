// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/decompositions.h"

#include <cmath>
#include <random>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

using namespace withy;

// Penrose, A generalized inverse for matrices, 1955, equations (3) to (6), which one matrix alone fulfils.
TEST_CASE("The pseudo-inverse keeps Penrose's four equations, of matrices without full rank too") {
  const unsigned seed = 11;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_int_distribution<int> sizes(1, 5);
  for (int i = 0; i < 1000; ++i) {
    const int rank = sizes(random);
    const Eigen::MatrixXd A = Eigen::MatrixXd::NullaryExpr(
        sizes(random), sizes(random), [&] { return std::normal_distribution<double>()(random); });
    Eigen::MatrixXd cut = A;
    for (Eigen::Index column = rank; column < cut.cols(); ++column) cut.col(column) = 2.0 * cut.col(0);
    const Eigen::MatrixXd P = pseudo_inverse(cut);
    const double rounding = 1e-12 * (1.0 + cut.norm()) * (1.0 + P.norm() * P.norm());
    CAPTURE(i);
    CHECK((cut * P * cut - cut).norm() < rounding);
    CHECK((P * cut * P - P).norm() < rounding);
    CHECK((cut * P - (cut * P).transpose()).norm() < rounding);
    CHECK((P * cut - (P * cut).transpose()).norm() < rounding);
  }
}

TEST_CASE("Of all solutions the shortest is taken") {
  // x + y = 2: the point of that line nearest to the origin.
  const Eigen::VectorXd x =
      least_norm_solution(Eigen::RowVector2d(1.0, 1.0), Eigen::VectorXd::Constant(1, 2.0));
  CHECK((x - Eigen::Vector2d(1.0, 1.0)).norm() < 1e-14);
  // A second direction of 1e-9 is one by Eigen's own threshold, and rounding by a threshold of 1e-6.
  const Eigen::Matrix2d nearly = Eigen::Vector2d(1.0, 1e-9).asDiagonal();
  CHECK(least_norm_solution(nearly, Eigen::Vector2d(1.0, 1.0))(1) == Approx(1e9));
  CHECK(least_norm_solution(nearly, Eigen::Vector2d(1.0, 1.0), 1e-6)(1) == 0.0);
}

// Strang, Introduction to Linear Algebra, 5th ed., 2016, section 7.2, the example of rows (3, 0) and (4, 5);
// from memory.
TEST_CASE("Singular values are those of a textbook's example") {
  Eigen::Matrix2d A;
  A << 3.0, 0.0, 4.0, 5.0;
  const Eigen::VectorXd sigma = singular_values(A);
  CHECK(sigma(0) == Approx(std::sqrt(45.0)));
  CHECK(sigma(1) == Approx(std::sqrt(5.0)));
}

TEST_CASE("A turned box has its edges for principal axes, the shortest first") {
  const Eigen::Matrix3d R =
      Eigen::AngleAxisd(0.7, Eigen::Vector3d(1.0, -2.0, 0.5).normalized()).toRotationMatrix();
  std::vector<Eigen::Vector3d> corners;
  for (int i = 0; i < 8; ++i)
    corners.push_back(
        R * Eigen::Vector3d((i & 1) != 0 ? 3.0 : 0.0, (i & 2) != 0 ? 1.0 : 0.0, (i & 4) != 0 ? 2.0 : 0.0));
  const Eigen::Matrix3d axes = principal_axes(corners);
  CHECK(std::abs(axes.col(0).dot(R.col(1))) == Approx(1.0));
  CHECK(std::abs(axes.col(1).dot(R.col(2))) == Approx(1.0));
  CHECK(std::abs(axes.col(2).dot(R.col(0))) == Approx(1.0));
}
