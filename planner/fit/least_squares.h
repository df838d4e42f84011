// SPDX-License-Identifier: GPL-3.0-or-later
// Nonlinear least squares over blocks of parameters, and what its solution knows and does not know.
//
//     minimise  sum over terms of |r(x)|^2,
//
// by Ceres' trust region (Levenberg-Marquardt) with central differences for the Jacobian. Residuals are
// expected in units of their noise's standard deviation, parameters of order one.
//
// Of the parameters some are asked for and the others (latent ones) only needed on the way. With J the
// Jacobian at the solution and J' J = [A B; B' C] (asked for, latent), the information on those asked for is
// the Schur complement S = A - B C^-1 B', their covariance its inverse (G. A. F. Seber and C. J. Wild,
// "Nonlinear Regression", 1989, chapter 2, linear approximation). Scaled by diag(A) its eigenvalues lie
// between 0 and 1: what share of the information on a combination is left when nothing else is known. A
// combination with next to none can't be determined; it is named, and no value is made up for it.
#pragma once

#include <functional>
#include <set>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/SparseCore>

#include "planner/effort/effort.h"

namespace withy {

struct LeastSquaresTerm {
  std::vector<int> blocks;
  int residuals = 0;
  /// blocks -> residuals; defined for all finite values.
  std::function<void(const double* const* blocks, double* residuals)> evaluate;
};

struct LeastSquaresProblem {
  std::vector<Eigen::VectorXd> start;  ///< one vector for each block
  std::vector<LeastSquaresTerm> terms;

  int size() const;                   ///< parameters in all blocks
  int first_column(int block) const;  ///< of the block in the Jacobian
};

struct LeastSquaresSolution {
  std::vector<Eigen::VectorXd> blocks;
  Eigen::VectorXd residual;              ///< terms in order
  Eigen::SparseMatrix<double> jacobian;  ///< by all parameters, held ones too
  bool converged = false;
};

/// Blocks in `held` stay at their start. Where the effort is cut short it has not converged, and there are
/// neither residuals nor a Jacobian. Precondition: every term names blocks that exist.
LeastSquaresSolution solve(const LeastSquaresProblem& problem, const std::set<int>& held,
                           const Effort& effort = Effort());

/// Residuals and Jacobian at the start, nothing solved; `converged` unless the effort is cut short.
LeastSquaresSolution evaluate(const LeastSquaresProblem& problem, const Effort& effort = Effort());

struct Knowledge {
  Eigen::MatrixXd covariance;  ///< of the parameters asked for; rows of undetermined ones mean nothing
  std::vector<bool> determined;
  /// Each group: parameters (indices into those asked for) that only a combination is known of, or, alone in
  /// its group, one that moves nothing that was measured.
  std::vector<std::vector<int>> confounded;
  /// One parameter of each unknown combination: with these known all would be.
  std::vector<int> to_hold;
};

/// What the solution knows of the first `asked` parameters, the others being latent.
Knowledge knowledge_of(const Eigen::SparseMatrix<double>& jacobian, int asked);

/// Share of the information on a combination below which it counts as undetermined: its standard deviation is
/// then over 30,000 times what it would be with the other parameters known (or 30,000, for a parameter of
/// order one that moves the readings by less than their noise), and rounding of the differences is 1e-16.
inline constexpr double kLeastShare = 1e-9;

}  // namespace withy
