// SPDX-License-Identifier: GPL-3.0-or-later
// The generalised forces of an elastic body and their tangent.
//
// `force` is d(energy)/dx less what the tendons do: zero in equilibrium. `tangent` is d force / dx. Every
// term adds to both; x are the strains of the flexible elements (elastic_chain.h), N mm per 1/mm.
#pragma once

#include <Eigen/Core>

#include "planner/elastic/elastic_chain.h"

namespace withy {

struct ForceBalance {
  Eigen::VectorXd force;
  Eigen::MatrixXd tangent;
  bool wants_tangent = true;
};

/// Bending, twist and axial give: x' K x / 2 per mm of exposed length.
void add_stiffness(const Design& design, const ElasticChain& chain, const Eigen::VectorXd& strain,
                   ForceBalance& balance);

/// Weight of the exposed body, half of each element's at either of its nodes, and of the locks beyond the
/// entry.
void add_weight(const Design& design, const ElasticChain& chain, ForceBalance& balance);

/// Energy of the weight, N mm, zero at the height of the entry point.
double weight_energy_Nmm(const Design& design, const ElasticChain& chain);

/// Adds what a constant force `f_E` (N) on the point `p_E` does, which is carried along beyond the last of
/// the elements [first, last): an energy of -f . p.
void add_point_force(const ElasticChain& chain, int first, int last, const Eigen::Vector3d& f_E,
                     const Eigen::Vector3d& p_E, ForceBalance& balance);

}  // namespace withy
