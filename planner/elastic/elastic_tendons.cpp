// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_tendons.h"

#include <algorithm>
#include <cmath>

namespace withy {
namespace {

/// Below this share the two bounds of a tension are one, and it follows the base's.
constexpr double kNoPlay = 1e-12;

/// d (what is carried at p, beyond element i) / d x_i.
StrainColumns carried_by(const ElasticChain& chain, int i, const Eigen::Vector3d& p_E) {
  const PlacedElement& e = chain.element(i);
  const Eigen::Vector3d arm = p_E - chain.node_E(i + 1);
  StrainColumns out = e.D;
  for (int c = 0; c < 3; ++c) out.col(c) += Eigen::Vector3d(e.B.col(c)).cross(arm);
  return out;
}

}  // namespace

ElasticTendons::ElasticTendons(const Design& design, const ElementMesh& mesh) : design_(&design) {
  for (const double beta : design.tendons()->angle_rad)
    direction_.emplace_back(std::cos(beta), std::sin(beta));
  disks_ = !mesh.disk_nodes().empty();
  gap_of_element_.assign(static_cast<std::size_t>(mesh.count()), -1);
  if (disks_) {
    for (std::size_t j = 0; j + 1 < mesh.disk_nodes().size(); ++j)
      gap_.push_back({mesh.disk_nodes()[j], mesh.disk_nodes()[j + 1], 0, 0.0, 0.0});
  } else {
    for (int f = 0; f < mesh.flexible_count(); ++f)
      gap_.push_back({mesh.element_of(f), mesh.element_of(f) + 1, 0, 0.0, 0.0});
  }
  for (std::size_t g = 0; g < gap_.size(); ++g)
    for (int i = gap_[g].first; i < gap_[g].last; ++i)
      gap_of_element_[static_cast<std::size_t>(i)] = static_cast<int>(g);
  const Eigen::Index tendons = count();
  tension_.setZero(gap_count(), tendons);
  follow_.setZero(gap_count(), tendons);
  friction_.setZero(gap_count(), tendons);
  shortening_.setZero(tendons);
  base_.setZero(tendons);
  base_stiffness_.setZero(tendons);
}

double ElasticTendons::stiffness(double insertion_mm) const {
  const ElasticHardware& elastic = *design_->elastic();
  const double spent = design_->tendons()->motors == Motors::stand ? insertion_mm : 0.0;
  return elastic.tendon_EA_N / (design_->length_mm() + elastic.tendon_length_mm - spent);
}

Eigen::VectorXd ElasticTendons::pulls_mm(double insertion_mm) const {
  const TendonHardware& tendons = *design_->tendons();
  const double ahead = tendons.motors == Motors::stand ? insertion_mm : 0.0;
  const Eigen::ArrayXd stretch = (base_.array() - tendons.tension_min_N) / stiffness(insertion_mm);
  return shortening_.array() + stretch - ahead;
}

void ElasticTendons::update(const ElasticChain& chain, const Eigen::VectorXd& strain,
                            const TendonDraw& draw) {
  gradient_.setZero(strain.size(), count());
  shortening_.setZero();
  if (disks_)
    measure_disks(chain);
  else
    measure_continuous(chain, strain);
  measure_turns(chain, strain);
  hold_tensions(draw);
}

void ElasticTendons::measure_continuous(const ElasticChain& chain, const Eigen::VectorXd& strain) {
  const double r = design_->tendons()->radius_mm;
  for (const Gap& gap : gap_) {
    const PlacedElement& e = chain.element(gap.first);
    if (!e.bends) continue;
    const Eigen::Index at = chain.column(gap.first);
    for (int k = 0; k < count(); ++k) {
      gradient_.block<2, 1>(at, k) = e.length_mm * r * direction_[static_cast<std::size_t>(k)];
      if (chain.strains() == kMostStrains) gradient_(at + 3, k) = e.length_mm;
    }
  }
  shortening_.noalias() = gradient_.transpose() * strain;
}

Eigen::Vector3d ElasticTendons::hole(const ElasticChain& chain, int node, int tendon) const {
  const Eigen::Vector2d at = design_->tendons()->radius_mm * direction_[static_cast<std::size_t>(tendon)];
  return chain.node_E(node) + chain.node_R(node).leftCols<2>() * at;
}

void ElasticTendons::measure_disks(const ElasticChain& chain) {
  const int q = chain.strains();
  for (const Gap& gap : gap_) {
    const double straight = chain.mesh().station_mm(gap.last) - chain.mesh().station_mm(gap.first);
    for (int k = 0; k < count(); ++k) {
      const Eigen::Vector3d far = hole(chain, gap.last, k);
      const Eigen::Vector3d way = far - hole(chain, gap.first, k);
      const double distance = way.norm();
      shortening_(k) += straight - distance;
      for (int i = gap.first; i < gap.last; ++i)
        if (chain.element(i).bends)
          gradient_.block(chain.column(i), k, q, 1) -=
              (carried_by(chain, i, far).transpose() * way / distance).head(q);
    }
  }
}

void ElasticTendons::measure_turns(const ElasticChain& chain, const Eigen::VectorXd& strain) {
  turn_.setZero(strain.size());
  std::vector<double> turned(static_cast<std::size_t>(chain.mesh().count()) + 1, 0.0);
  for (int i = 0; i < chain.mesh().count(); ++i) {
    const PlacedElement& e = chain.element(i);
    double own = 0.0;
    if (e.bends) {
      const Eigen::Index at = chain.column(i);
      const Eigen::Vector2d u = strain.segment<2>(at);
      own = e.length_mm * u.norm();
      if (own > 0.0) turn_.segment<2>(at) = e.length_mm * u.normalized();
    }
    turned[static_cast<std::size_t>(i) + 1] = turned[static_cast<std::size_t>(i)] + own;
  }
  for (Gap& gap : gap_) {
    const double start = std::max(chain.element(gap.first).start_mm, chain.mesh().station_mm(gap.first));
    const double middle = 0.5 * (start + chain.mesh().station_mm(gap.last));
    gap.middle_element = gap.first;
    while (chain.mesh().station_mm(gap.middle_element + 1) < middle) ++gap.middle_element;
    const PlacedElement& e = chain.element(gap.middle_element);
    gap.share = e.length_mm > 0.0 ? std::clamp((middle - e.start_mm) / e.length_mm, 0.0, 1.0) : 0.0;
    const double before = turned[static_cast<std::size_t>(gap.middle_element)];
    gap.turned = before + gap.share * (turned[static_cast<std::size_t>(gap.middle_element) + 1] - before);
  }
}

void ElasticTendons::hold_tensions(const TendonDraw& draw) {
  const TendonHardware& tendons = *design_->tendons();
  const double per_mm = stiffness(draw.insertion_mm);
  const double ahead = tendons.motors == Motors::stand ? draw.insertion_mm : 0.0;
  const double mu = tendons.friction_coefficient;
  for (int k = 0; k < count(); ++k) {
    const double drawn = tendons.tension_min_N + per_mm * (draw.pull_mm(k) + ahead - shortening_(k));
    base_(k) = draw.base_N ? (*draw.base_N)(k) : std::max(0.0, drawn);
    base_stiffness_(k) = !draw.base_N && drawn > 0.0 ? per_mm : 0.0;
    for (int g = 0; g < gap_count(); ++g) {
      const double grip = std::exp(mu * gap_[static_cast<std::size_t>(g)].turned);
      const double low = base_(k) / grip;
      const double high = base_(k) * grip;
      const double before = draw.before_N(g, k);
      const bool no_play = grip - 1.0 <= kNoPlay;
      const int side = before > high ? 1 : before < low ? -1 : 0;
      tension_(g, k) = std::clamp(before, low, high);
      follow_(g, k) = no_play ? 1.0 : side > 0 ? grip : side < 0 ? 1.0 / grip : 0.0;
      friction_(g, k) = side * mu * tension_(g, k);
    }
  }
}

void ElasticTendons::add(const ElasticChain& chain, ForceBalance& balance) const {
  const int q = chain.strains();
  const Eigen::Index tendons = count();
  Eigen::MatrixXd following(gradient_.rows(), tendons);
  following.setZero();
  for (int i = 0; i < chain.mesh().count(); ++i) {
    const int g = gap_of_element_[static_cast<std::size_t>(i)];
    if (g < 0 || !chain.element(i).bends) continue;
    const Eigen::Index at = chain.column(i);
    if (!disks_)
      balance.force.segment(at, q).noalias() -= gradient_.middleRows(at, q) * tension_.row(g).transpose();
    if (q == kMostStrains)
      balance.force(at + 3) +=
          chain.element(i).length_mm * design_->tendons()->tension_min_N * static_cast<double>(tendons);
    following.middleRows(at, q) = gradient_.middleRows(at, q) * follow_.row(g).asDiagonal();
  }
  if (disks_)
    for (int g = 0; g < gap_count(); ++g)
      add_gap_forces(chain, gap_[static_cast<std::size_t>(g)], g, balance);
  if (!balance.wants_tangent) return;
  following = following * base_stiffness_.asDiagonal();
  balance.tangent.noalias() += following * gradient_.transpose();
  if (design_->tendons()->friction_coefficient > 0.0) add_friction_tangent(chain, balance);
}

// The length l of the way between two holes pulls them together: an energy of T l. Its second derivative has
// a part from the way's turning, dw' (I - n n') dw / l, beside that of a constant force.
void ElasticTendons::add_gap_forces(const ElasticChain& chain, const Gap& gap, int g,
                                    ForceBalance& balance) const {
  const int q = chain.strains();
  for (int k = 0; k < count(); ++k) {
    const double T = tension_(g, k);
    const Eigen::Vector3d far = hole(chain, gap.last, k);
    const Eigen::Vector3d way = far - hole(chain, gap.first, k);
    const double distance = way.norm();
    const Eigen::Vector3d n = way / distance;
    add_point_force(chain, gap.first, gap.last, -T * n, far, balance);
    if (!balance.wants_tangent) continue;
    const Eigen::Matrix3d across = (T / distance) * (Eigen::Matrix3d::Identity() - n * n.transpose());
    for (int i = gap.first; i < gap.last; ++i)
      for (int j = gap.first; j < gap.last; ++j)
        if (chain.element(i).bends && chain.element(j).bends)
          balance.tangent.block(chain.column(i), chain.column(j), q, q) +=
              (carried_by(chain, i, far).transpose() * across * carried_by(chain, j, far))
                  .topLeftCorner(q, q);
  }
}

void ElasticTendons::add_friction_tangent(const ElasticChain& chain, ForceBalance& balance) const {
  const int q = chain.strains();
  for (int i = 0; i < chain.mesh().count(); ++i) {
    const int g = gap_of_element_[static_cast<std::size_t>(i)];
    if (g < 0 || !chain.element(i).bends) continue;
    const Gap& gap = gap_[static_cast<std::size_t>(g)];
    const Eigen::Index at = chain.column(i);
    const Eigen::VectorXd row = gradient_.middleRows(at, q) * friction_.row(g).transpose();
    if (row.isZero(0.0)) continue;
    for (int j = 0; j <= gap.middle_element; ++j) {
      if (!chain.element(j).bends) continue;
      const Eigen::Index from = chain.column(j);
      const double share = j == gap.middle_element ? gap.share : 1.0;
      balance.tangent.block(at, from, q, 2) -= (share * row) * turn_.segment<2>(from).transpose();
    }
  }
}

}  // namespace withy
