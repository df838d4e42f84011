// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/decompositions.h"

#include <cassert>

#include <Eigen/Eigenvalues>
#include <Eigen/QR>
#include <Eigen/SVD>

namespace withy {

Eigen::VectorXd least_norm_solution(const Eigen::MatrixXd& A, const Eigen::VectorXd& b,
                                    std::optional<double> threshold) {
  assert(A.rows() == b.size());
  Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd> decomposition;
  if (threshold) decomposition.setThreshold(*threshold);
  decomposition.compute(A);
  return decomposition.solve(b);
}

Eigen::MatrixXd pseudo_inverse(const Eigen::MatrixXd& A) {
  return Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd>(A).pseudoInverse();
}

Eigen::VectorXd singular_values(const Eigen::MatrixXd& A) {
  return Eigen::JacobiSVD<Eigen::MatrixXd>(A).singularValues();
}

Eigen::Matrix3d principal_axes(const std::vector<Eigen::Vector3d>& points) {
  assert(!points.empty());
  Eigen::Vector3d mean = Eigen::Vector3d::Zero();
  for (const Eigen::Vector3d& p : points) mean += p / static_cast<double>(points.size());
  Eigen::Matrix3d spread = Eigen::Matrix3d::Zero();
  for (const Eigen::Vector3d& p : points) spread += (p - mean) * (p - mean).transpose();
  return Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d>(spread).eigenvectors();
}

}  // namespace withy
