// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/elastic_fit.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <map>

#include <Eigen/Cholesky>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/elastic/elastic_segment.h"
#include "planner/segment/rotation.h"

namespace withy {
namespace {

/// Parameters by their place in the problem.
enum Asked : int {
  kRigidity,
  kFriction,
  kTendonEA,
  kBackboneEA,
  kMass,
  kShift,
  kTurn = kShift + 3,
  kAsked = kTurn + 3
};

/// Elements of the body: half the usual count; what that changes is far below a tip's noise.
constexpr int kFitElements = 12;
/// Steps between two rows: the body has one way to follow, and friction sees each tendon move one way.
constexpr double kStepTurn_rad = 0.25;
constexpr double kStepInsertion_mm = 10.0;
/// Numbers of the body are counted from here, so that differences over a 1e-5 of them (least_squares.cpp) are
/// steps of 1e-3: far above the rest that an equilibrium leaves, small enough for the slope.
constexpr double kOrigin = 100.0;
/// What stands for a reading (in units of its noise) where no equilibrium was found.
constexpr double kNoBody = 1e3;
/// Noise that the estimation begins with (mm, N), and what no reading is finer than.
constexpr double kFirstTip_mm = 0.3, kFirstTension_N = 0.1, kFinest = 1e-6;
constexpr double kElasticSettled = 1e-2;
/// What the readings don't tell would run off to where no body is found, and what differences say there is
/// nothing. Length of the leash, as a standard deviation: a factor of twenty, a coefficient of 1. It takes a
/// hundredth off what is known to a third of itself, and is left out of what is said to be known.
constexpr double kLeashLogarithm = 3.0, kLeashFriction = 1.0;
constexpr double kElasticConfidence = 0.95;

using BodyNumbers = std::array<double, kShift>;  // as the problem has them

/// What the body shows in one row.
struct Shown {
  Eigen::Vector3d tip_E;
  Eigen::VectorXd base_N;
};

class ElasticBenchModel {
 public:
  ElasticBenchModel(const Design& design, const Eigen::Isometry3d& X_SE, const Measurements& measured,
                    const Effort& effort)
      : design_(design), X_SE_(X_SE), measured_(measured), effort_(effort) {}

  int row_readings() const { return 3 + (measured_.tensions ? measured_.tendons : 0); }
  int readings() const { return row_readings() * static_cast<int>(measured_.rows.size()); }
  bool is_tip(int reading) const { return reading % row_readings() < 3; }

  bool any_engaged() const {
    return std::any_of(measured_.rows.begin(), measured_.rows.end(),
                       [](const Measurement& row) { return row.engaged.any(); });
  }

  /// Numbers of the scene.
  std::vector<Eigen::VectorXd> start() const {
    std::vector<Eigen::VectorXd> blocks(kAsked, Eigen::VectorXd::Zero(1));
    for (int k = 0; k < kShift; ++k) blocks[static_cast<std::size_t>(k)](0) = kOrigin;
    blocks[kFriction](0) += design_.tendons()->friction_coefficient;
    return blocks;
  }

  double printed(int parameter, double x) const {
    const double number = parameter < kShift ? x - kOrigin : x;
    switch (parameter) {
      case kRigidity:
        return design_.segment().flexural_rigidity_Nmm2 * std::exp(number);
      case kTendonEA:
        return design_.elastic()->tendon_EA_N * std::exp(number);
      case kBackboneEA:
        return design_.elastic()->backbone_EA_N * std::exp(number);
      case kMass:
        return design_.elastic()->mass_g_per_mm * std::exp(number);
      default:
        return parameter >= kTurn ? kDegreesPerRadian * number : number;
    }
  }

  LeastSquaresProblem problem(double tip_mm, double tension_N) {
    LeastSquaresProblem problem;
    problem.start = start();
    LeastSquaresTerm term;
    for (int k = 0; k < kAsked; ++k) term.blocks.push_back(k);
    term.residuals = readings();
    term.evaluate = [this, tip_mm, tension_N](const double* const* blocks, double* out) {
      residuals(blocks, tip_mm, tension_N, out);
    };
    problem.terms.push_back(std::move(term));
    problem.terms.push_back(leash());
    return problem;
  }

  /// What the readings alone say.
  LeastSquaresSolution unleashed(LeastSquaresSolution solution) const {
    if (solution.residual.size() == 0) return solution;
    const Eigen::MatrixXd J = solution.jacobian.toDense().topRows(readings());
    solution.jacobian = J.sparseView();
    solution.residual = Eigen::VectorXd(solution.residual.head(readings()));
    return solution;
  }

 private:
  /// Ties the body's numbers to the scene's so loosely that it moves none that is told.
  LeastSquaresTerm leash() const {
    LeastSquaresTerm term;
    for (int k = 0; k < kShift; ++k) term.blocks.push_back(k);
    term.residuals = kShift;
    term.evaluate = [scene = start()](const double* const* blocks, double* out) {
      for (std::size_t k = 0; k < kShift; ++k)
        out[k] = (*blocks[k] - scene[k](0)) / (k == kFriction ? kLeashFriction : kLeashLogarithm);
    };
    return term;
  }

  void residuals(const double* const* blocks, double tip_mm, double tension_N, double* out) {
    BodyNumbers numbers;
    for (int k = 0; k < kShift; ++k) numbers[static_cast<std::size_t>(k)] = *blocks[k];
    const std::vector<Shown>& shown = shown_by(numbers);
    const Eigen::Vector3d shift(*blocks[kShift], *blocks[kShift + 1], *blocks[kShift + 2]);
    const Eigen::Vector3d turn(*blocks[kTurn], *blocks[kTurn + 1], *blocks[kTurn + 2]);
    Eigen::Isometry3d X_SE = X_SE_ * Eigen::Translation3d(shift);
    X_SE.linear() = X_SE.linear() * rotation_by(turn);
    const int each = row_readings();
    for (std::size_t row = 0; row < measured_.rows.size(); ++row) {
      Eigen::Map<Eigen::VectorXd> r(out + static_cast<std::ptrdiff_t>(row) * each, each);
      r.setConstant(kNoBody);
      if (row >= shown.size()) continue;
      r.head<3>() = (X_SE * shown[row].tip_E - measured_.rows[row].tip_S) / tip_mm;
      if (measured_.tensions)
        r.tail(measured_.tendons) = (shown[row].base_N - measured_.rows[row].tension_N) / tension_N;
    }
  }

  /// Differences by the base's place ask for the same body again.
  const std::vector<Shown>& shown_by(const BodyNumbers& numbers) {
    if (shown_.empty() || numbers != known_) {
      known_ = numbers;
      shown_ = lead(numbers);
    }
    return shown_;
  }

  /// Rows until the body finds no equilibrium, or the effort is spent: then what is made of them is dropped.
  std::vector<Shown> lead(const BodyNumbers& numbers) const {
    DesignParts parts = design_.parts();
    parts.segment.flexural_rigidity_Nmm2 = printed(kRigidity, numbers[kRigidity]);
    // A negative coefficient can't be followed; the slope at 0 tells the solver where to go.
    parts.tendons->friction_coefficient = std::max(0.0, printed(kFriction, numbers[kFriction]));
    parts.elastic->tendon_EA_N = printed(kTendonEA, numbers[kTendonEA]);
    parts.elastic->backbone_EA_N = printed(kBackboneEA, numbers[kBackboneEA]);
    parts.elastic->mass_g_per_mm = printed(kMass, numbers[kMass]);
    std::vector<Shown> shown;
    const auto design = Design::make(std::move(parts));
    if (!design) return shown;
    ElasticSegment segment(*design, kFitElements);
    auto body = segment.start();
    for (const Measurement& row : measured_.rows) {
      body = led_to(segment, std::move(body), row);
      if (!body) return shown;
      const ElasticReading reading = segment.read(*body);
      shown.push_back({reading.tip_E.translation(), reading.base_N});
    }
    return shown;
  }

  tl::expected<ElasticState, ElasticFault> led_to(ElasticSegment& segment,
                                                  tl::expected<ElasticState, ElasticFault> body,
                                                  const Measurement& row) const {
    if (!body) return body;
    const Eigen::VectorXd from = body->pull_mm;
    const double from_mm = body->insertion_mm;
    const double turn = (row.pull_mm - from).cwiseAbs().maxCoeff() / segment.design().tendons()->radius_mm;
    const double ways =
        std::max(turn / kStepTurn_rad, std::abs(row.insertion_mm - from_mm) / kStepInsertion_mm);
    const int steps = std::max(1, static_cast<int>(std::ceil(ways)));
    for (int i = 1; body && i <= steps; ++i) {
      if (effort_.cut_short()) return tl::unexpected(ElasticFault::cut_short);
      const double t = static_cast<double>(i) / steps;
      body = segment.step(*body, from_mm + t * (row.insertion_mm - from_mm), from + t * (row.pull_mm - from));
    }
    for (int lock = 0; body && lock < segment.design().lock_count(); ++lock) {
      const std::size_t i = static_cast<std::size_t>(lock);
      if (row.engaged.test(i) != body->engaged.test(i))
        body = row.engaged.test(i) ? segment.engage(*body, lock) : segment.release(*body, lock);
    }
    return body;
  }

  const Design& design_;
  const Eigen::Isometry3d X_SE_;
  const Measurements& measured_;
  const Effort& effort_;
  BodyNumbers known_{};
  std::vector<Shown> shown_;
};

class ElasticFitter {
 public:
  ElasticFitter(const Design& design, const Eigen::Isometry3d& X_SE, const Measurements& measured,
                const FitSettings& settings)
      : effort_(settings.effort), model_(design, X_SE, measured, effort_) {
    given_tip_ = settings.noise[static_cast<std::size_t>(Reading::tip)];
    given_tension_ = settings.noise[static_cast<std::size_t>(Reading::tension)];
    tip_.deviation = given_tip_.value_or(kFirstTip_mm);
    tension_.deviation = given_tension_.value_or(kFirstTension_N);
    if (!model_.any_engaged()) always_held_.insert(kBackboneEA);
    if (design.elastic()->mass_g_per_mm <= 0.0) always_held_.insert(kMass);
  }

  tl::expected<ElasticFit, FitFault> run() {
    if (model_.readings() <= kAsked) return tl::unexpected(FitFault::too_few);
    blocks_ = model_.start();
    for (int round = 0; round < shares::kFitElasticRounds; ++round) {
      if (!solve_once())
        return tl::unexpected(effort_.cut_short() ? FitFault::cut_short : FitFault::not_converged);
      if (!share_degrees()) return tl::unexpected(FitFault::too_few);
      if (std::max(renew(tip_, given_tip_, true), renew(tension_, given_tension_, false)) < kElasticSettled)
        break;
    }
    return result();
  }

 private:
  bool solve_once() {
    LeastSquaresProblem problem = model_.problem(tip_.deviation, tension_.deviation);
    const std::vector<Eigen::VectorXd> scene = problem.start;
    problem.start = blocks_;
    held_ = always_held_;
    const LeastSquaresSolution first = model_.unleashed(evaluate(problem, effort_));
    if (!first.converged) return false;
    const Knowledge before = knowledge_of(first.jacobian, kAsked);
    held_.insert(before.to_hold.begin(), before.to_hold.end());
    for (const int k : held_) problem.start[static_cast<std::size_t>(k)] = scene[static_cast<std::size_t>(k)];
    solution_ = model_.unleashed(solve(problem, held_, effort_));
    if (!solution_.converged) return false;
    knowledge_ = knowledge_of(solution_.jacobian, kAsked);
    blocks_ = solution_.blocks;
    return true;
  }

  /// J' J of one kind of reading, or of all, at the columns that were fitted.
  Eigen::MatrixXd normal_matrix(std::optional<bool> tips) const {
    Eigen::MatrixXd J = solution_.jacobian.toDense();
    std::vector<Eigen::Index> columns;
    for (int k = 0; k < kAsked; ++k)
      if (held_.count(k) == 0 && J.col(k).norm() > 0.0) columns.push_back(k);
    if (tips)
      for (Eigen::Index i = 0; i < J.rows(); ++i)
        if (model_.is_tip(static_cast<int>(i)) != *tips) J.row(i).setZero();
    const Eigen::MatrixXd N = J.transpose() * J;
    return N(columns, columns);
  }

  bool share_degrees() {
    const Eigen::LDLT<Eigen::MatrixXd> N(normal_matrix(std::nullopt));
    for (const bool tips : {true, false}) {
      NoiseEstimate& noise = tips ? tip_ : tension_;
      noise.readings = 0;
      for (int i = 0; i < model_.readings(); ++i) noise.readings += model_.is_tip(i) == tips ? 1 : 0;
      if (noise.readings == 0) continue;
      noise.degrees_of_freedom = noise.readings - N.solve(normal_matrix(tips)).trace();
      if (noise.degrees_of_freedom < 1.0) return false;
    }
    return true;
  }

  /// Relative change of a noise level.
  double renew(NoiseEstimate& noise, const std::optional<double>& given, bool tips) const {
    noise.given = given.has_value();
    if (noise.given || noise.readings == 0) return 0.0;
    double squares = 0.0;
    for (int i = 0; i < model_.readings(); ++i)
      if (model_.is_tip(i) == tips) squares += solution_.residual(i) * solution_.residual(i);
    const double next = std::max(kFinest, noise.deviation * std::sqrt(squares / noise.degrees_of_freedom));
    const double change = std::abs(next - noise.deviation) / noise.deviation;
    noise.deviation = next;
    return change;
  }

  ElasticFit result() const {
    ElasticFit out;
    out.tip = tip_;
    out.tension = tension_;
    out.degrees_of_freedom = tip_.degrees_of_freedom + tension_.degrees_of_freedom;
    out.confounded = knowledge_.confounded;
    std::optional<double> estimated;
    for (const NoiseEstimate* noise : {&tip_, &tension_})
      if (noise->readings > 0 && !noise->given)
        estimated = estimated.value_or(0.0) + noise->degrees_of_freedom;
    const double factor = interval_factor(estimated, kElasticConfidence);
    const std::vector<std::string> names = elastic_parameter_names();
    const std::vector<Eigen::VectorXd> scene = model_.start();
    for (int k = 0; k < kAsked; ++k) {
      const std::size_t at = static_cast<std::size_t>(k);
      FittedParameter p;
      p.name = names[at];
      p.before = model_.printed(k, scene[at](0));
      p.determined = knowledge_.determined[at] && always_held_.count(k) == 0;
      if (p.determined) {
        const double number = solution_.blocks[at](0);
        const double spread = std::sqrt(knowledge_.covariance(k, k));
        p.value = model_.printed(k, number);
        p.low = model_.printed(k, number - factor * spread);
        p.high = model_.printed(k, number + factor * spread);
        p.deviation = (p.high - p.low) / (2.0 * factor);
        p.determined = is_told(p);
        if (!p.determined) out.confounded.push_back({k});
      }
      out.parameters.push_back(std::move(p));
    }
    std::sort(out.confounded.begin(), out.confounded.end());
    return out;
  }

  Effort effort_;
  ElasticBenchModel model_;
  std::optional<double> given_tip_, given_tension_;
  NoiseEstimate tip_, tension_;
  std::set<int> always_held_, held_;
  std::vector<Eigen::VectorXd> blocks_;
  LeastSquaresSolution solution_;
  Knowledge knowledge_;
};

}  // namespace

std::vector<std::string> elastic_parameter_names() {
  return {"flexural_rigidity_Nmm2",
          "friction_coefficient",
          "tendon_EA_N",
          "backbone_EA_N",
          "mass_g_per_mm",
          "base_x_mm",
          "base_y_mm",
          "base_z_mm",
          "base_turn_x_deg",
          "base_turn_y_deg",
          "base_turn_z_deg"};
}

tl::expected<ElasticFit, FitFault> fit_elastic(const Design& design, const Eigen::Isometry3d& X_SE,
                                               const Measurements& measurements,
                                               const FitSettings& settings) {
  assert(design.elastic() && design.tendons());
  return ElasticFitter(design, X_SE, measurements, settings).run();
}

}  // namespace withy
