// SPDX-License-Identifier: GPL-3.0-or-later
// Systems of linear equations that may have too many rows or too few, and the axes of a cloud of points.
// Eigen's decompositions of matrices of any size take seconds to compile: they are compiled here, once.
#pragma once

#include <optional>
#include <vector>

#include <Eigen/Core>

namespace withy {

/// The x of least length among those with the least |A x - b|, by a complete orthogonal decomposition (Golub
/// and Van Loan, Matrix Computations, 4th ed., 5.4.7 and 5.5.6). A: m x n, b: m. Pivots below `threshold`
/// times the largest count as zero; left out: Eigen's own, rounding times the smaller of m and n.
Eigen::VectorXd least_norm_solution(const Eigen::MatrixXd& A, const Eigen::VectorXd& b,
                                    std::optional<double> threshold = std::nullopt);

/// The n x m matrix that gives least_norm_solution of A for every b: its pseudo-inverse.
Eigen::MatrixXd pseudo_inverse(const Eigen::MatrixXd& A);

/// Singular values of A, min(m, n) of them, the largest first, by one-sided Jacobi rotations
/// (Eigen::JacobiSVD).
Eigen::VectorXd singular_values(const Eigen::MatrixXd& A);

/// Columns: principal axes of the points, of length 1, the one of least spread first. At least one point.
Eigen::Matrix3d principal_axes(const std::vector<Eigen::Vector3d>& points);

}  // namespace withy
