// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/fit.h"

#include <algorithm>
#include <cmath>

#include <Eigen/Cholesky>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/files/words.h"

namespace withy {
namespace {

// Where the estimation of unknown noise starts: what common encoders, load cells and trackers are good for.
constexpr NoiseLevels kFirstNoise = {0.05, 0.1, 0.3};
// No reading is finer than this (mm, N): keeps readings without noise from weighing infinitely.
constexpr double kFinestNoise = 1e-6;
constexpr double kSettled = 1e-3;  // relative change of every noise level
// A kind of reading with fewer degrees of freedom than this says nothing of its own noise.
constexpr double kFewestDegrees = 1.0;
constexpr double kConfidence = 0.95;
constexpr double kMisfitConfidence = 0.999;

// In parameter_names.
constexpr std::size_t kFrictionParameter = 1;
// What counts beside a friction coefficient's and a turn's own size (is_told): a hundredth is a tenth of what
// tendons in their holes usually have; beyond a radian a turn's sine has had its say.
constexpr double kSmallFriction = 0.01;
constexpr double kWideTurn_rad = 1.0;

using SparseMatrix = Eigen::SparseMatrix<double>;

/// Columns that are neither held nor without any effect.
std::vector<int> free_columns(const SparseMatrix& J, const std::set<int>& held) {
  std::vector<int> columns;
  for (int k = 0; k < J.cols(); ++k)
    if (held.count(k) == 0 && J.col(k).norm() > 0.0) columns.push_back(k);
  return columns;
}

/// J' J of the rows of one kind, at some columns.
Eigen::MatrixXd normal_matrix(const SparseMatrix& J, const std::vector<Reading>& readings,
                              std::optional<Reading> kind, const std::vector<int>& columns) {
  SparseMatrix part = J;
  if (kind)
    part.prune([&](Eigen::Index row, Eigen::Index, double) {
      return readings[static_cast<std::size_t>(row)] == *kind;
    });
  const Eigen::MatrixXd N = (part.transpose() * part).eval().toDense();
  return N(columns, columns);
}

class Fitter {
 public:
  Fitter(const Design& design, const Eigen::Isometry3d& X_SE, const Measurements& measurements,
         const FitSettings& settings)
      : tendons_(measurements.tendons),
        model_(design, X_SE, measurements),
        readings_(model_.readings()),
        settings_(settings) {
    for (int kind = 0; kind < kReadings; ++kind)
      noise_[at(kind)] = settings.noise[at(kind)].value_or(kFirstNoise[at(kind)]);
  }

  tl::expected<Fit, FitFault> run() {
    blocks_ = model_.problem(noise_).start;
    bool settled = false;
    for (int round = 0; round < shares::kFitRounds && !settled; ++round) {
      if (!solve_once())
        return tl::unexpected(settings_.effort.cut_short() ? FitFault::cut_short : FitFault::not_converged);
      if (!share_degrees()) return tl::unexpected(FitFault::too_few);
      settled = update_noise() < kSettled;
    }
    if (!settled) return tl::unexpected(FitFault::not_converged);
    return result();
  }

 private:
  static std::size_t at(int kind) { return static_cast<std::size_t>(kind); }

  /// Solves with one parameter of each unknown combination held at its start; which ones shows as it goes.
  bool solve_once() {
    LeastSquaresProblem problem = model_.problem(noise_);
    const std::vector<Eigen::VectorXd> scene = problem.start;
    problem.start = blocks_;
    for (int tries = 0; tries <= model_.asked(); ++tries) {
      const LeastSquaresSolution first = evaluate(problem, settings_.effort);
      if (!first.converged) return false;
      const Knowledge before = knowledge_of(first.jacobian, model_.asked());
      std::set<int> held(before.to_hold.begin(), before.to_hold.end());
      for (const int k : held) problem.start[at(k)] = scene[at(k)];
      solution_ = solve(problem, held, settings_.effort);
      if (!solution_.converged) return false;
      knowledge_ = knowledge_of(solution_.jacobian, model_.asked());
      problem.start = solution_.blocks;
      held_ = held;
      if (knowledge_.to_hold.size() <= held.size()) break;
    }
    blocks_ = solution_.blocks;
    return true;
  }

  /// Degrees of freedom by kind of reading; false when there are too few of one to say anything.
  bool share_degrees() {
    const auto columns = free_columns(solution_.jacobian, held_);
    const Eigen::LLT<Eigen::MatrixXd> N(normal_matrix(solution_.jacobian, readings_, std::nullopt, columns));
    for (int kind = 0; kind < kReadings; ++kind) {
      const auto which = static_cast<Reading>(kind);
      counts_[at(kind)] = static_cast<int>(std::count(readings_.begin(), readings_.end(), which));
      if (counts_[at(kind)] == 0) continue;
      const Eigen::MatrixXd part = normal_matrix(solution_.jacobian, readings_, which, columns);
      degrees_[at(kind)] = counts_[at(kind)] - N.solve(part).trace();
      if (!settings_.noise[at(kind)] && degrees_[at(kind)] < kFewestDegrees) return false;
    }
    return static_cast<int>(readings_.size()) > static_cast<int>(columns.size());
  }

  /// Largest relative change of a noise level.
  double update_noise() {
    double change = 0.0;
    for (int kind = 0; kind < kReadings; ++kind) {
      if (counts_[at(kind)] == 0 || settings_.noise[at(kind)]) continue;
      double squares = 0.0;
      for (std::size_t k = 0; k < readings_.size(); ++k)
        if (readings_[k] == static_cast<Reading>(kind))
          squares += std::pow(solution_.residual(static_cast<Eigen::Index>(k)), 2);
      double& level = noise_[at(kind)];
      const double next = std::max(kFinestNoise, level * std::sqrt(squares / degrees_[at(kind)]));
      change = std::max(change, std::abs(next - level) / level);
      level = next;
    }
    return change;
  }

  /// Of the noise levels that the readings themselves tell; nothing where all are given.
  std::optional<double> estimated_degrees() const {
    std::optional<double> sum;
    for (int kind = 0; kind < kReadings; ++kind)
      if (counts_[at(kind)] > 0 && !settings_.noise[at(kind)]) sum = sum.value_or(0.0) + degrees_[at(kind)];
    return sum;
  }

  tl::expected<Fit, FitFault> result() const {
    Fit out;
    out.readings = readings_;
    out.chi_squared = solution_.residual.squaredNorm();
    out.residual = solution_.residual;
    for (std::size_t k = 0; k < readings_.size(); ++k)
      out.residual(static_cast<Eigen::Index>(k)) *= noise_[at(static_cast<int>(readings_[k]))];
    for (int kind = 0; kind < kReadings; ++kind) {
      out.noise[at(kind)] = {counts_[at(kind)], settings_.noise[at(kind)].has_value(), noise_[at(kind)],
                             degrees_[at(kind)]};
      out.degrees_of_freedom += counts_[at(kind)] > 0 ? degrees_[at(kind)] : 0.0;
    }
    out.confounded = knowledge_.confounded;
    fill_parameters(out);
    const FittedParameter& friction = out.parameters[kFrictionParameter];
    if (friction.determined && friction.high < 0.0) return tl::unexpected(FitFault::friction_negative);
    return out;
  }

  void fill_parameters(Fit& out) const {
    const std::vector<std::string> names = parameter_names(tendons_);
    const std::vector<Eigen::VectorXd> scene = model_.problem(noise_).start;
    std::vector<Eigen::VectorXd> blocks = solution_.blocks;
    const double factor = interval_factor(estimated_degrees(), kConfidence);
    for (int k = 0; k < model_.asked(); ++k) {
      FittedParameter p;
      p.name = names[at(k)];
      p.before = model_.printed(k, scene[at(k)](0));
      p.determined = knowledge_.determined[at(k)];
      if (p.determined) {
        const double number = blocks[at(k)](0);
        const double spread = std::sqrt(knowledge_.covariance(k, k));
        p.value = model_.printed(k, number);
        p.low = model_.printed(k, number - factor * spread);
        p.high = model_.printed(k, number + factor * spread);
        p.deviation = (p.high - p.low) / (2.0 * factor);
        p.determined = is_told(p);
        if (!p.determined) out.confounded.push_back({k});
      }
      if (!p.determined) blocks[at(k)] = scene[at(k)];
      out.parameters.push_back(std::move(p));
    }
    std::sort(out.confounded.begin(), out.confounded.end());
    out.found = model_.parameters(blocks);
    out.found.friction = std::max(0.0, out.found.friction);
  }

  int tendons_;
  BenchModel model_;
  std::vector<Reading> readings_;
  FitSettings settings_;
  NoiseLevels noise_{};
  std::vector<Eigen::VectorXd> blocks_;
  LeastSquaresSolution solution_;
  Knowledge knowledge_;
  std::set<int> held_;
  std::array<int, kReadings> counts_{};
  std::array<double, kReadings> degrees_{};
};

}  // namespace

bool is_told(const FittedParameter& parameter) {
  const bool a_place = parameter.name.ends_with("_mm") && !parameter.name.ends_with("_per_mm");
  if (a_place) return true;
  double size = std::abs(parameter.value);
  if (parameter.name.ends_with("_coefficient")) size = std::max({size, parameter.before, kSmallFriction});
  if (parameter.name.ends_with("_deg")) size = degrees(kWideTurn_rad);
  return parameter.deviation < size;
}

double interval_factor(std::optional<double> estimated_degrees, double confidence) {
  const double share = 0.5 * (1.0 + confidence);
  if (!estimated_degrees) return boost::math::quantile(boost::math::normal_distribution<>(), share);
  return boost::math::quantile(boost::math::students_t(*estimated_degrees), share);
}

bool Fit::misfits() const {
  const bool any_given = std::any_of(noise.begin(), noise.end(), [](const auto& n) { return n.given; });
  if (!any_given) return false;
  const boost::math::chi_squared distribution(degrees_of_freedom);
  return chi_squared > boost::math::quantile(distribution, kMisfitConfidence);
}

std::size_t least_rows(int tendons, bool tensions) {
  const auto of_each = static_cast<std::size_t>(tendons);
  const std::size_t in_a_row = of_each + 3 + (tensions ? of_each : 0);
  const std::size_t kinds = tensions ? 3 : 2;
  const std::size_t wanted = parameter_names(tendons).size() + kinds;
  return (wanted + in_a_row - 1) / in_a_row + 1;
}

namespace {

InputError too_few(const std::string& table_file, const Measurements& m) {
  return {table_file, 1, 1,
          fmt::format("{} can't tell {} numbers and the noise", count_of(m.rows.size(), "row"),
                      parameter_names(m.tendons).size()),
          fmt::format("measure at least {} poses that differ, better three times as many, or give the noise",
                      std::max(least_rows(m.tendons, m.tensions), m.rows.size() + 1))};
}

}  // namespace

InputError fault_of(FitFault fault, const std::string& table_file, const Measurements* measurements) {
  switch (fault) {
    case FitFault::too_few:
      if (measurements != nullptr) return too_few(table_file, *measurements);
      return {table_file, 1, 1, "there are too few readings to find the parameters and the noise from",
              "measure more poses or give the noise"};
    case FitFault::not_converged:
      return {table_file, 1, 1, "the fit does not settle",
              "look for rows of another segment, in other units, or of a lock that froze another shape"};
    case FitFault::friction_negative:
      return {table_file, 1, 1, "tensions fall along the wrapped angle, as they do while tendons are let go",
              "measure them while drawing"};
    case FitFault::cut_short:
      return {table_file, 1, 1, "the fit was cut short", "give a larger --budget"};
  }
  return {};
}

tl::expected<Fit, FitFault> fit_bench(const Design& design, const Eigen::Isometry3d& X_SE,
                                      const Measurements& measurements, const FitSettings& settings) {
  return Fitter(design, X_SE, measurements, settings).run();
}

}  // namespace withy
