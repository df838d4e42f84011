// SPDX-License-Identifier: GPL-3.0-or-later
// What a bench should measure, given what is to be found out about it, and how far it is from what was
// measured.
//
// Asked for: flexural rigidity EI, friction coefficient mu, each tendon's slack (what it is drawn before it
// moves anything: measured pull = geometric pull + slack), and where the entry frame really stands,
//     X_SE' = X_SE Trans(shift) Rot(turn),   turn a rotation vector, both in the entry frame.
// Latent: one curvature of the free region for each row, since pulls are measured as well as tips. A lock
// freezes the shape of the row in which it first shows engaged (measured before the tendons move on) until
// the row in which it shows released. From these follow, by tendons.h and shape.h, each row's
//     pulls, tensions at the base T_k exp(mu Lambda), and tip, in the scene frame.
// Assumes that all tendons are taut (pretension), that tensions are taken while drawing (friction has one
// sign), and noise that is Gaussian and independent, with one standard deviation for each kind of reading.
// Tensions are those of the least total tension with the scene's pretension; where no tensions make the
// moment (tendons in one plane), those that make its nearest part.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include <Eigen/Geometry>

#include "planner/fit/least_squares.h"
#include "planner/fit/measurements.h"
#include "planner/segment/design.h"
#include "planner/segment/tendons.h"

namespace withy {

enum class Reading { pull, tension, tip };
inline constexpr int kReadings = 3;

/// Standard deviation of each kind of reading, by Reading: mm, N, mm.
using NoiseLevels = std::array<double, kReadings>;

/// What is asked for.
struct BenchParameters {
  double rigidity_Nmm2 = 0.0;
  double friction = 0.0;
  Eigen::VectorXd slack_mm;
  Eigen::Vector3d shift_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d turn_rad = Eigen::Vector3d::Zero();

  /// The real entry frame in the nominal one.
  Eigen::Isometry3d entry_offset() const;
};

/// One name for each parameter, in the order of the least-squares problem's first blocks:
/// flexural_rigidity_Nmm2, friction_coefficient, slack_1_mm .., base_x_mm .., base_turn_x_deg ..
std::vector<std::string> parameter_names(int tendons);

class BenchModel {
 public:
  /// Preconditions: `design` has tendons, as many as were measured, and as many locks. All must outlive it.
  BenchModel(const Design& design, const Eigen::Isometry3d& X_SE, const Measurements& measurements);

  int asked() const { return 8 + tendons_; }

  /// Residuals in units of the noise: row by row pulls, then tensions, then the tip. One block for each
  /// parameter asked for, then one for each row's curvature. The start is the scene's values and the bends
  /// that the pulls alone say.
  LeastSquaresProblem problem(const NoiseLevels& noise) const;

  /// The kind of each residual.
  std::vector<Reading> readings() const;

  BenchParameters parameters(const std::vector<Eigen::VectorXd>& blocks) const;

  /// A parameter as printed (names above) from its number in the problem.
  double printed(int parameter, double number) const;

 private:
  /// A frozen bend: the sum of coefficient (mm) times the curvature of a row.
  struct FrozenBend {
    int lock = 0;
    std::vector<std::pair<int, double>> parts;
  };
  using FrozenBends = std::vector<FrozenBend>;  // proximal to distal

  void trace_locks();
  void release(FrozenBends& bends, const Measurement& row) const;
  void engage(FrozenBends& bends, int row) const;
  std::vector<int> rows_of(int row) const;
  State state_of(int row, const std::vector<Eigen::Vector2d>& u) const;
  Eigen::VectorXd tensions(const BenchParameters& parameters, const State& state,
                           const std::vector<Region>& regions) const;
  void residuals(int row, const BenchParameters& parameters, const std::vector<Eigen::Vector2d>& u,
                 const NoiseLevels& noise, double* out) const;
  std::vector<Eigen::VectorXd> start() const;
  int residual_count() const { return tendons_ + (measured_.tensions ? tendons_ : 0) + 3; }

  const Design& design_;
  const Eigen::Isometry3d X_SE_;
  const Measurements& measured_;
  TendonStatics statics_;
  int tendons_;
  std::vector<FrozenBends> frozen_;  // by row
};

}  // namespace withy
