// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/held_backbones.h"

#include <cmath>

namespace withy {

HeldBackbones::HeldBackbones(const Design& design, const ElementMesh& mesh) : design_(&design) {
  if (design.latch())
    for (const double psi : design.latch()->backbone_angle_rad)
      direction_.emplace_back(std::cos(psi), std::sin(psi));
  for (int lock = 0; lock < design.lock_count(); ++lock) lock_node_.push_back(mesh.lock_node(lock));
  slide_.assign(lock_node_.size(), Eigen::VectorXd::Zero(static_cast<Eigen::Index>(direction_.size())));
}

void HeldBackbones::update(const ElasticChain& chain, const Eigen::VectorXd& strain, const LockSet& engaged,
                           const LatchRests& rest) {
  span_.clear();
  if (lock_node_.empty()) return;
  const double r = design_->latch()->backbone_radius_mm;
  Eigen::Vector2d bend = Eigen::Vector2d::Zero();
  std::size_t lock = 0;
  for (int i = 0; i < chain.mesh().count(); ++i) {
    for (; lock < lock_node_.size() && lock_node_[lock] == i; ++lock)
      for (std::size_t k = 0; k < direction_.size(); ++k)
        slide_[lock](static_cast<Eigen::Index>(k)) = r * direction_[k].dot(bend);
    const PlacedElement& e = chain.element(i);
    const int flexible = chain.mesh().elements()[static_cast<std::size_t>(i)].flexible;
    if (e.bends)
      bend += e.length_mm * strain.segment<2>(static_cast<Eigen::Index>(flexible) * chain.strains());
  }
  std::vector<int> held;
  for (int i = 0; i < design_->lock_count(); ++i)
    if (engaged.test(static_cast<std::size_t>(i))) held.push_back(i);
  const double EA = design_->elastic()->backbone_EA_N;
  std::vector<Gate> gates(held.size());
  for (std::size_t k = 0; k < direction_.size(); ++k) {
    const Eigen::Index row = static_cast<Eigen::Index>(k);
    for (std::size_t j = 0; j < held.size(); ++j) {
      const std::size_t at = static_cast<std::size_t>(held[j]);
      gates[j] = {station(held[j]), slide_[at](row) - rest[at](row)};
    }
    BackboneSpan span{static_cast<int>(k), -1, -1, 0.0, 0.0, 0.0};
    double height = 0.0;
    for (const StringKnot& knot : taut_string(gates, design_->latch()->backlash_mm)) {
      span.to_lock = held[static_cast<std::size_t>(knot.gate)];
      span.stiffness = EA / (station(span.to_lock) - station(span.from_lock));
      span.stretch_mm = knot.height - height;
      span.force_N = span.stiffness * span.stretch_mm;
      span_.push_back(span);
      span.from_lock = span.to_lock;
      height = knot.height;
    }
  }
}

void HeldBackbones::add(const ElasticChain& chain, ForceBalance& balance) const {
  if (span_.empty()) return;
  const double r = design_->latch()->backbone_radius_mm;
  Eigen::VectorXd by_strain(balance.force.size());
  for (const BackboneSpan& span : span_) {
    const int first = span.from_lock < 0 ? 0 : lock_node_[static_cast<std::size_t>(span.from_lock)];
    const int last = lock_node_[static_cast<std::size_t>(span.to_lock)];
    by_strain.setZero();
    for (int i = first; i < last; ++i) {
      if (!chain.element(i).bends) continue;
      const int flexible = chain.mesh().elements()[static_cast<std::size_t>(i)].flexible;
      by_strain.segment<2>(static_cast<Eigen::Index>(flexible) * chain.strains()) =
          r * chain.element(i).length_mm * direction_[static_cast<std::size_t>(span.backbone)];
    }
    balance.force += span.force_N * by_strain;
    if (balance.wants_tangent)
      balance.tangent.noalias() += (span.stiffness * by_strain) * by_strain.transpose();
  }
}

double HeldBackbones::stretch_mm(int lock, int backbone) const {
  double stretch = 0.0;
  for (const BackboneSpan& span : span_) {
    if (span.backbone != backbone || station(span.from_lock) >= station(lock)) continue;
    const double part = std::min(station(lock), station(span.to_lock)) - station(span.from_lock);
    stretch += span.stretch_mm * part / (station(span.to_lock) - station(span.from_lock));
  }
  return stretch;
}

Eigen::VectorXd HeldBackbones::own_slides_mm(int lock) const {
  Eigen::VectorXd own = slides_mm(lock);
  for (Eigen::Index k = 0; k < own.size(); ++k) own(k) -= stretch_mm(lock, static_cast<int>(k));
  return own;
}

double HeldBackbones::force_N(int lock, int backbone, bool proximal) const {
  const double s = station(lock);
  for (const BackboneSpan& span : span_) {
    if (span.backbone != backbone) continue;
    const double from = station(span.from_lock);
    const double to = station(span.to_lock);
    if (proximal ? from < s && s <= to : from <= s && s < to) return span.force_N;
  }
  return 0.0;
}

Eigen::Vector2d HeldBackbones::lock_moment_Nmm(int lock) const {
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (std::size_t k = 0; k < direction_.size(); ++k)
    sum += (force_N(lock, static_cast<int>(k), true) - force_N(lock, static_cast<int>(k), false)) *
           direction_[k];
  if (direction_.empty()) return sum;
  return design_->latch()->backbone_radius_mm * sum;
}

double HeldBackbones::energy_Nmm() const {
  double energy = 0.0;
  for (const BackboneSpan& span : span_) energy += 0.5 * span.force_N * span.stretch_mm;
  return energy;
}

Eigen::VectorXd HeldBackbones::rest_on_engaging(int lock) const {
  const double pitch = design_->latch()->notch_pitch_mm;
  Eigen::VectorXd rest = own_slides_mm(lock);
  if (pitch > 0.0)
    for (double& slide : rest) slide = pitch * std::round(slide / pitch);
  return rest;
}

}  // namespace withy
