// SPDX-License-Identifier: GPL-3.0-or-later
// From bench measurements to the numbers of the elastic segment: stiffness of the wires, friction, mass.
//
// The rows are taken as they were measured, one after the other: the motors move straight from one row to the
// next (insertion and pulls together), locks engage and open where a row says so first, before its reading.
// The elastic body (planner/elastic) is led along; what it shows of tips and base tensions is held against
// the table. Pulls are what the motors were told, counted from the straight, taut segment, so tendons' slack
// has to be off them (`fit` finds it). Friction shows both ways: rows reached by drawing and by letting out
// have tensions on either side of the frictionless one.
//
// Asked for, where the table can say anything of it: flexural rigidity, friction coefficient, EA of a tendon,
// EA of a backbone (where a lock is engaged), mass per length, the base's shift and turn as in bench_model.h.
// Rigidities, stiffnesses and mass are looked for by the logarithm of their ratio to the scene's, on a long
// leash, so that what the table does not tell stays where a body is found. Noise as in
// fit.h: Gaussian, one standard deviation for tips and one for tensions, estimated where it is not given.
#pragma once

#include "planner/fit/fit.h"

namespace withy {

struct ElasticFit {
  std::vector<FittedParameter> parameters;
  std::vector<std::vector<int>> confounded;  ///< as Fit's
  NoiseEstimate tip;
  NoiseEstimate tension;
  double degrees_of_freedom = 0.0;
};

/// Names, in order: flexural_rigidity_Nmm2, friction_coefficient, tendon_EA_N, backbone_EA_N, mass_g_per_mm,
/// base_x_mm .. base_turn_z_deg.
std::vector<std::string> elastic_parameter_names();

/// Preconditions: BenchModel's; the design has [elastic], and [latch] with locks.
tl::expected<ElasticFit, FitFault> fit_elastic(const Design& design, const Eigen::Isometry3d& X_SE,
                                               const Measurements& measurements, const FitSettings& settings);

}  // namespace withy
