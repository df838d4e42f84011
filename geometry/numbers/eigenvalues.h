// SPDX-License-Identifier: GPL-3.0-or-later
// Eigenvalues of square matrices of any size. As decompositions.h: compiled once.
#pragma once

#include <optional>

#include <Eigen/Core>

namespace withy {

/// The least real part of a square matrix's eigenvalues, by reduction to real Schur form (Golub and Van Loan,
/// Matrix Computations, 4th ed., 7.5); nothing where that does not end.
std::optional<double> least_eigenvalue_part(const Eigen::MatrixXd& A);

}  // namespace withy
