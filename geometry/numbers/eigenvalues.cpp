// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/numbers/eigenvalues.h"

#include <cassert>

#include <Eigen/Eigenvalues>

namespace withy {

std::optional<double> least_eigenvalue_part(const Eigen::MatrixXd& A) {
  assert(A.rows() == A.cols() && A.rows() > 0);
  const Eigen::EigenSolver<Eigen::MatrixXd> solver(A, false);
  if (solver.info() != Eigen::Success) return std::nullopt;
  return solver.eigenvalues().real().minCoeff();
}

}  // namespace withy
