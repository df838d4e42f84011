// SPDX-License-Identifier: GPL-3.0-or-later
// Let a force w g act on each point k beyond element i, F_i the sum of the forces, C_i the sum of w_k (p_k -
// p_end of i). The work's derivative is Q_i = D_i' F_i + B_i' (C_i x g). An element j nearer the base that
// turns by dphi = B_j dx_j carries D_i, B_i and C_i along, which is as if g and F_i turned by -dphi:
//     dQ_i = (D_i' [F_i]x + B_i' [C_i]x [g]x) dphi.
// In its own strains the same derivative is taken in the element's frame, with f = R' F, t = R' (C x g):
//     dQ_a / da = h (1 - eps) d2(f . J e_z)/da2 + d(J' t)/da + J' [g]x [c]x J.
#include "planner/elastic/equilibrium_terms.h"

#include <vector>

#include "planner/elastic/twisted_arc.h"

namespace withy {
namespace {

/// Standard gravity, N per g of mass (9.80665 m/s2, exact by definition).
constexpr double kWeight_N_per_g = 9.80665e-3;

/// What acts beyond one element.
struct Beyond {
  Eigen::Vector3d F = Eigen::Vector3d::Zero();  ///< N
  Eigen::Vector3d C = Eigen::Vector3d::Zero();  ///< N mm: weights times arms from the element's end
};

/// (-x_y, x_x, x_tau): from strains to rotation per mm.
Eigen::Matrix3d strain_axes() {
  Eigen::Matrix3d P;
  P << 0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0;
  return P;
}

void add_own_tangent(const ElasticChain& chain, int i, const Beyond& beyond, const Eigen::Vector3d& g,
                     ForceBalance& balance) {
  const PlacedElement& e = chain.element(i);
  const TwistedArc arc(e.a);
  const Eigen::Matrix3d J = arc.left_jacobian();
  const Eigen::Vector3d f = e.R_E.transpose() * beyond.F;
  const Eigen::Vector3d c = e.R_E.transpose() * beyond.C;
  const Eigen::Vector3d g_own = e.R_E.transpose() * g;
  const double h = e.length_mm;
  const Eigen::Matrix3d by_a = h * (1.0 - e.axial) * arc.second_change(f) +
                               arc.transposed_change(c.cross(g_own)) +
                               J.transpose() * cross_matrix(g_own) * cross_matrix(c) * J;
  const Eigen::Matrix3d P = strain_axes();
  const Eigen::Index at = chain.column(i);
  balance.tangent.block<3, 3>(at, at) -= h * h * (P.transpose() * by_a * P);
  if (chain.strains() < kMostStrains) return;
  const Eigen::Vector3d mixed =
      -h * h * (P.transpose() * (arc.jacobian_change(Eigen::Vector3d::UnitZ()).transpose() * f));
  balance.tangent.block<3, 1>(at, at + 3) -= mixed;
  balance.tangent.block<1, 3>(at + 3, at) -= mixed.transpose();
}

/// `beyond[i - first]` acts beyond element i of [first, last); all forces along g.
void add_forces(const ElasticChain& chain, int first, const std::vector<Beyond>& beyond,
                const Eigen::Vector3d& g, ForceBalance& balance) {
  const int q = chain.strains();
  const Eigen::Matrix3d g_cross = cross_matrix(g);
  for (std::size_t n = 0; n < beyond.size(); ++n) {
    const int i = first + static_cast<int>(n);
    const PlacedElement& e = chain.element(i);
    if (!e.bends) continue;
    const Eigen::Index at = chain.column(i);
    const Eigen::Vector4d Q = e.D.transpose() * beyond[n].F + e.B.transpose() * beyond[n].C.cross(g);
    balance.force.segment(at, q) -= Q.head(q);
    if (!balance.wants_tangent) continue;
    add_own_tangent(chain, i, beyond[n], g, balance);
    const Eigen::Matrix<double, 4, 3> by_turn =
        e.D.transpose() * cross_matrix(beyond[n].F) + e.B.transpose() * (cross_matrix(beyond[n].C) * g_cross);
    for (int j = first; j < i; ++j) {
      if (!chain.element(j).bends) continue;
      const Eigen::Matrix4d block = by_turn * chain.element(j).B;
      const Eigen::Index from = chain.column(j);
      balance.tangent.block(at, from, q, q) -= block.topLeftCorner(q, q);
      balance.tangent.block(from, at, q, q) -= block.topLeftCorner(q, q).transpose();
    }
  }
}

/// Weights (N) at the nodes.
std::vector<double> node_weights(const Design& design, const ElasticChain& chain) {
  const ElasticHardware& elastic = *design.elastic();
  std::vector<double> weight(static_cast<std::size_t>(chain.mesh().count()) + 1, 0.0);
  for (int i = 0; i < chain.mesh().count(); ++i) {
    const double half = 0.5 * kWeight_N_per_g * elastic.mass_g_per_mm * chain.element(i).length_mm;
    weight[static_cast<std::size_t>(i)] += half;
    weight[static_cast<std::size_t>(i) + 1] += half;
  }
  for (int lock = 0; lock < design.lock_count(); ++lock)
    if (design.station_mm(lock) > chain.exposed_from_mm())
      weight[static_cast<std::size_t>(chain.mesh().lock_node(lock))] += kWeight_N_per_g * elastic.lock_mass_g;
  return weight;
}

Eigen::Vector3d gravity_E(const Design& design) {
  return design.R_SE().transpose() * design.elastic()->gravity_S;
}

}  // namespace

void add_stiffness(const Design& design, const ElasticChain& chain, const Eigen::VectorXd& strain,
                   ForceBalance& balance) {
  const ElasticHardware& elastic = *design.elastic();
  const double EI = design.segment().flexural_rigidity_Nmm2;
  const Eigen::Vector4d stiffness(EI, EI, elastic.torsional_rigidity_Nmm2,
                                  elastic.segment_EA_N.value_or(0.0));
  const int q = chain.strains();
  for (int i = 0; i < chain.mesh().count(); ++i) {
    if (!chain.element(i).bends) continue;
    const Eigen::Index at = chain.column(i);
    const Eigen::Vector4d k = stiffness * chain.element(i).length_mm;
    balance.force.segment(at, q) += k.head(q).cwiseProduct(strain.segment(at, q));
    if (balance.wants_tangent) balance.tangent.block(at, at, q, q).diagonal() += k.head(q);
  }
}

void add_weight(const Design& design, const ElasticChain& chain, ForceBalance& balance) {
  const std::vector<double> weight = node_weights(design, chain);
  const Eigen::Vector3d g = gravity_E(design);
  std::vector<Beyond> beyond(static_cast<std::size_t>(chain.mesh().count()));
  double sum = 0.0;
  Eigen::Vector3d arms = Eigen::Vector3d::Zero();
  for (int i = chain.mesh().count() - 1; i >= 0; --i) {
    if (i + 2 <= chain.mesh().count()) arms += sum * (chain.node_E(i + 2) - chain.node_E(i + 1));
    sum += weight[static_cast<std::size_t>(i) + 1];
    beyond[static_cast<std::size_t>(i)] = {sum * g, arms};
  }
  if (sum > 0.0) add_forces(chain, 0, beyond, g, balance);
}

double weight_energy_Nmm(const Design& design, const ElasticChain& chain) {
  const std::vector<double> weight = node_weights(design, chain);
  const Eigen::Vector3d g = gravity_E(design);
  double energy = 0.0;
  for (std::size_t n = 0; n < weight.size(); ++n)
    energy -= weight[n] * g.dot(chain.node_E(static_cast<int>(n)));
  return energy;
}

void add_point_force(const ElasticChain& chain, int first, int last, const Eigen::Vector3d& f_E,
                     const Eigen::Vector3d& p_E, ForceBalance& balance) {
  const double size = f_E.norm();
  if (size <= 0.0) return;
  std::vector<Beyond> beyond;
  for (int i = first; i < last; ++i) beyond.push_back({f_E, size * (p_E - chain.node_E(i + 1))});
  add_forces(chain, first, beyond, f_E / size, balance);
}

}  // namespace withy
