// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/least_squares.h"

#include <algorithm>
#include <cassert>
#include <memory>

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <ceres/ceres.h>

#include "planner/effort/shares.h"

namespace withy {
namespace {

// Central differences of numbers of order one: truncation and rounding are both about 1e-10 of the slope.
constexpr double kDifferenceStep = 1e-5;
constexpr double kCostTolerance = 1e-11;
constexpr double kStillCost = 1e-5;  // relative: a few hundredths of a standard deviation

constexpr double kStepTolerance = 1e-12;
constexpr double kGradientTolerance = 1e-12;

/// A term as Ceres' differences want it. Once the effort is spent it is nought, which ends a Jacobian soon;
/// what comes of it is thrown away. (Ceres writes to standard error where a first evaluation fails.)
struct Evaluation {
  const LeastSquaresTerm* term;
  const Effort* effort;
  bool operator()(const double* const* blocks, double* residuals) const {
    if (effort->cut_short())
      std::fill_n(residuals, term->residuals, 0.0);
    else
      term->evaluate(blocks, residuals);
    return true;
  }
};

/// Has the cost not moved over the second half of the iterations? So it ends where the least is at a kink of
/// the residuals (tensions change hands there), which no step meets exactly.
bool stands_still(const ceres::Solver::Summary& summary) {
  if (!summary.IsSolutionUsable() || summary.iterations.empty()) return false;
  const double before = summary.iterations[summary.iterations.size() / 2].cost;
  return before - summary.final_cost <= kStillCost * before;
}

/// Ends Ceres' iterations when the effort is spent.
class UntilSpent : public ceres::IterationCallback {
 public:
  explicit UntilSpent(const Effort& effort) : effort_(effort) {}
  ceres::CallbackReturnType operator()(const ceres::IterationSummary&) override {
    return effort_.cut_short() ? ceres::SOLVER_ABORT : ceres::SOLVER_CONTINUE;
  }

 private:
  const Effort& effort_;
};

class CeresProblem {
 public:
  CeresProblem(const LeastSquaresProblem& problem, const std::set<int>& held, const Effort& effort)
      : values_(problem.start), effort_(effort) {
    for (Eigen::VectorXd& block : values_)
      problem_.AddParameterBlock(block.data(), static_cast<int>(block.size()));
    for (const LeastSquaresTerm& term : problem.terms) add(term);
    for (const int block : held) problem_.SetParameterBlockConstant(data(block));
  }

  bool solve() {
    ceres::Solver::Options options;
    options.linear_solver_type = ceres::SPARSE_NORMAL_CHOLESKY;
    options.max_num_iterations = shares::kFitSteps;
    options.function_tolerance = kCostTolerance;
    options.parameter_tolerance = kStepTolerance;
    options.gradient_tolerance = kGradientTolerance;
    options.logging_type = ceres::SILENT;
    UntilSpent until_spent(effort_);
    options.callbacks.push_back(&until_spent);
    ceres::Solver::Summary summary;
    ceres::Solve(options, &problem_, &summary);
    return summary.termination_type == ceres::CONVERGENCE || stands_still(summary);
  }

  LeastSquaresSolution solution() {
    for (Eigen::VectorXd& block : values_) problem_.SetParameterBlockVariable(block.data());
    LeastSquaresSolution out;
    ceres::Problem::EvaluateOptions options;
    for (Eigen::VectorXd& block : values_) options.parameter_blocks.push_back(block.data());
    std::vector<double> residual;
    ceres::CRSMatrix J;
    // Asked afterwards: terms are nought once it is spent.
    if (!problem_.Evaluate(options, nullptr, &residual, nullptr, &J) || effort_.cut_short()) return out;
    out.converged = true;
    out.residual = Eigen::Map<Eigen::VectorXd>(residual.data(), static_cast<Eigen::Index>(residual.size()));
    out.jacobian = Eigen::Map<const Eigen::SparseMatrix<double, Eigen::RowMajor>>(
        J.num_rows, J.num_cols, static_cast<Eigen::Index>(J.values.size()), J.rows.data(), J.cols.data(),
        J.values.data());
    out.blocks = values_;
    return out;
  }

 private:
  double* data(int block) { return values_[static_cast<std::size_t>(block)].data(); }

  void add(const LeastSquaresTerm& term) {
    ceres::NumericDiffOptions differences;
    differences.relative_step_size = kDifferenceStep;
    auto cost = std::make_unique<ceres::DynamicNumericDiffCostFunction<Evaluation, ceres::CENTRAL>>(
        new Evaluation{&term, &effort_}, ceres::TAKE_OWNERSHIP, differences);
    std::vector<double*> blocks;
    for (const int block : term.blocks) {
      cost->AddParameterBlock(static_cast<int>(values_[static_cast<std::size_t>(block)].size()));
      blocks.push_back(data(block));
    }
    cost->SetNumResiduals(term.residuals);
    problem_.AddResidualBlock(cost.release(), nullptr, blocks);
  }

  std::vector<Eigen::VectorXd> values_;
  const Effort& effort_;
  ceres::Problem problem_;
};

/// The information on the first `asked` parameters. Latent ones that move nothing are left out.
Eigen::MatrixXd information(const Eigen::SparseMatrix<double>& J, int asked) {
  const Eigen::MatrixXd N = (J.transpose() * J).eval().toDense();
  const Eigen::MatrixXd A = N.topLeftCorner(asked, asked);
  std::vector<Eigen::Index> latent;
  for (Eigen::Index k = asked; k < N.cols(); ++k)
    if (N(k, k) > 0.0) latent.push_back(k);
  if (latent.empty()) return A;
  std::vector<Eigen::Index> first(static_cast<std::size_t>(asked));
  for (int k = 0; k < asked; ++k) first[static_cast<std::size_t>(k)] = k;
  const Eigen::MatrixXd B = N(first, latent);
  const Eigen::MatrixXd C = N(latent, latent);
  return A - B * C.ldlt().solve(B.transpose());
}

/// Parameters that share an unknown combination, transitively; `overlap` is the projector onto the unknown.
std::vector<std::vector<int>> groups_of(const Eigen::MatrixXd& overlap, const std::vector<bool>& determined) {
  constexpr double kTogether = 1e-4;
  const int n = static_cast<int>(determined.size());
  std::vector<int> group(determined.size(), -1);
  std::vector<std::vector<int>> groups;
  for (int seed = 0; seed < n; ++seed) {
    if (determined[static_cast<std::size_t>(seed)] || group[static_cast<std::size_t>(seed)] >= 0) continue;
    std::vector<int> members = {seed};
    group[static_cast<std::size_t>(seed)] = static_cast<int>(groups.size());
    for (std::size_t at = 0; at < members.size(); ++at)
      for (int k = 0; k < n; ++k) {
        if (determined[static_cast<std::size_t>(k)] || group[static_cast<std::size_t>(k)] >= 0) continue;
        if (std::abs(overlap(members[at], k)) <= kTogether) continue;
        group[static_cast<std::size_t>(k)] = group[static_cast<std::size_t>(seed)];
        members.push_back(k);
      }
    std::sort(members.begin(), members.end());
    groups.push_back(std::move(members));
  }
  return groups;
}

/// For each unknown combination the parameter that has most part in what is left of it.
std::vector<int> representatives(Eigen::MatrixXd unknown) {
  std::vector<int> out;
  for (Eigen::Index left = unknown.cols(); left > 0; --left) {
    Eigen::Index row = 0;
    unknown.rowwise().norm().maxCoeff(&row);
    out.push_back(static_cast<int>(row));
    // What remains unknown when this parameter is known.
    const Eigen::RowVectorXd r = unknown.row(row);
    unknown -= (unknown * r.transpose()) * r / r.squaredNorm();
  }
  return out;
}

}  // namespace

int LeastSquaresProblem::size() const {
  return first_column(static_cast<int>(start.size()));
}

int LeastSquaresProblem::first_column(int block) const {
  int column = 0;
  for (int k = 0; k < block; ++k) column += static_cast<int>(start[static_cast<std::size_t>(k)].size());
  return column;
}

LeastSquaresSolution solve(const LeastSquaresProblem& problem, const std::set<int>& held,
                           const Effort& effort) {
  CeresProblem ceres_problem(problem, held, effort);
  const bool converged = ceres_problem.solve();
  LeastSquaresSolution out = ceres_problem.solution();
  out.converged = converged && out.converged;
  return out;
}

LeastSquaresSolution evaluate(const LeastSquaresProblem& problem, const Effort& effort) {
  return CeresProblem(problem, {}, effort).solution();
}

Knowledge knowledge_of(const Eigen::SparseMatrix<double>& jacobian, int asked) {
  assert(asked >= 1 && asked <= jacobian.cols());
  constexpr double kPart = 1e-2;  // of a unit vector: below this a parameter has no part in a combination
  const Eigen::MatrixXd S = information(jacobian, asked);
  Eigen::VectorXd scale(asked);
  for (int k = 0; k < asked; ++k) {
    // A column shorter than 1 keeps its size: what moves next to nothing is as good as what moves nothing.
    scale(k) = 1.0 / std::max(1.0, jacobian.col(k).norm());
  }
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(scale.asDiagonal() * S * scale.asDiagonal());
  const Eigen::Index unknown_count = (eigen.eigenvalues().array() < kLeastShare).count();
  const Eigen::MatrixXd unknown = eigen.eigenvectors().leftCols(unknown_count);
  const Eigen::MatrixXd known = eigen.eigenvectors().rightCols(asked - unknown_count);
  const Eigen::VectorXd spread = eigen.eigenvalues().tail(asked - unknown_count).cwiseInverse();

  Knowledge out;
  out.covariance =
      scale.asDiagonal() * (known * spread.asDiagonal() * known.transpose()) * scale.asDiagonal();
  for (int k = 0; k < asked; ++k)
    out.determined.push_back(unknown_count == 0 || unknown.row(k).norm() < kPart);
  out.confounded = groups_of(unknown * unknown.transpose(), out.determined);
  out.to_hold = representatives(unknown);
  return out;
}

}  // namespace withy
