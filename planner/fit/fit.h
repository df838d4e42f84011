// SPDX-License-Identifier: GPL-3.0-or-later
// From bench measurements to the numbers of a scene: values, how sure they are, and what can't be told.
//
// Model and assumptions: bench_model.h. Noise of a kind of reading that is not given is estimated with the
// rest: its variance is the sum of squared residuals of the kind over its share of the degrees of freedom,
//     f = number of readings - trace of (J' J)^-1 J_kind' J_kind,
// iterated until nothing changes (variance components, F. R. Helmert's method in the simplified form of W.
// Foerstner; K.-R. Koch, "Parameter Estimation and Hypothesis Testing in Linear Models", 2nd ed. 1999,
// section 3.6, from memory). Intervals are 95 % ones, by Student's t with the degrees of freedom of the whole
// fit.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include <tl/expected.hpp>

#include "planner/effort/effort.h"
#include "planner/fit/bench_model.h"

namespace withy {

struct FitSettings {
  std::array<std::optional<double>, kReadings> noise;  ///< standard deviations that are known, by Reading
  Effort effort = {};
};

struct FittedParameter {
  std::string name;  ///< ends in its unit (parameter_names)
  double before = 0.0;
  bool determined = true;  ///< false: the three below mean nothing
  double value = 0.0;
  double deviation = 0.0;  ///< standard deviation; a rigidity's interval is even in its logarithm
  double low = 0.0;        ///< 95 % interval
  double high = 0.0;
};

/// Is its standard deviation smaller than the number itself? Else the readings don't tell it: the
/// linear approximation does not reach so far, and zero may be as near. Of a friction coefficient the scene's
/// counts where that is larger, or a hundredth, so that next to no friction can be told; of a turn a radian.
/// Shifts and slacks are places, which may be as near to zero as they like. Precondition: its value and
/// deviation are filled in.
bool is_told(const FittedParameter& parameter);

struct NoiseEstimate {
  int readings = 0;  ///< 0: none of this kind
  bool given = false;
  double deviation = 0.0;
  double degrees_of_freedom = 0.0;
};

struct Fit {
  std::vector<FittedParameter> parameters;
  /// Indices into `parameters`: see Knowledge::confounded; alone too what is not told (is_told).
  std::vector<std::vector<int>> confounded;
  std::array<NoiseEstimate, kReadings> noise;  ///< by Reading
  double degrees_of_freedom = 0.0;
  double chi_squared = 0.0;       ///< sum of squared residuals over noise
  std::vector<Reading> readings;  ///< row by row, as BenchModel::problem has them
  Eigen::VectorXd residual;       ///< model less measured, mm, N, mm
  BenchParameters found;          ///< undetermined parameters as in the scene, friction at least 0

  bool all_determined() const { return confounded.empty(); }
  /// Does the size of the residuals speak against the model with the noise that was given? (chi squared
  /// beyond its 99.9 % point; never when all noise was estimated)
  bool misfits() const;
};

/// Half the width of an interval that holds a number with this confidence (0 to 1), in its standard
/// deviations: by Student's t with the degrees of freedom that the noise was estimated with; by the normal
/// law where all noise was given (nothing).
double interval_factor(std::optional<double> estimated_degrees, double confidence);

enum class FitFault {
  too_few,            ///< not more readings of some kind than they determine
  not_converged,      ///< the solver or the noise did not settle
  friction_negative,  ///< surely below zero: the tensions were taken while letting go
  cut_short           ///< the effort ended it: nothing is known
};

/// The fault as a fault of the table; with the measurements it says how many there are and how many it takes.
InputError fault_of(FitFault fault, const std::string& table_file,
                    const Measurements* measurements = nullptr);

/// Rows that the fit of so many tendons needs at the least, if every row told something new: as many readings
/// as there are numbers to find, and one more of each kind for its noise.
std::size_t least_rows(int tendons, bool tensions);

/// Preconditions as BenchModel's.
tl::expected<Fit, FitFault> fit_bench(const Design& design, const Eigen::Isometry3d& X_SE,
                                      const Measurements& measurements, const FitSettings& settings);

}  // namespace withy
