// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_chain.h"

#include <algorithm>

#include "planner/elastic/twisted_arc.h"
#include "planner/segment/state.h"

namespace withy {

ElasticChain::ElasticChain(const Design& design, const ElementMesh& mesh, int strains)
    : design_(&design), mesh_(&mesh), strains_(strains) {
  element_.resize(static_cast<std::size_t>(mesh.count()));
  node_p_.resize(element_.size() + 1);
  node_R_.resize(element_.size() + 1);
}

void ElasticChain::place(double insertion_mm, const Eigen::VectorXd& strain) {
  exposed_from_ = first_exposed_station(*design_, insertion_mm);
  base_z_ = insertion_mm - design_->length_mm();
  node_p_.front() = Eigen::Vector3d(0.0, 0.0, base_z_);
  node_R_.front().setIdentity();
  for (int i = 0; i < mesh_->count(); ++i) place_element(i, strain);
}

void ElasticChain::place_element(int i, const Eigen::VectorXd& strain) {
  const Element& piece = mesh_->elements()[static_cast<std::size_t>(i)];
  PlacedElement& e = element_[static_cast<std::size_t>(i)];
  e.start_mm = std::clamp(exposed_from_, piece.from_mm, piece.to_mm);
  e.length_mm = piece.to_mm - e.start_mm;
  e.R_E = node_R_[static_cast<std::size_t>(i)];
  e.p_E = node_p_[static_cast<std::size_t>(i)] + e.R_E.col(2) * (e.start_mm - piece.from_mm);
  e.bends = piece.flexible >= 0 && e.length_mm > kNoLength_mm;
  e.axial = 0.0;
  e.a.setZero();
  Eigen::Vector3d& end_p = node_p_[static_cast<std::size_t>(i) + 1];
  Eigen::Matrix3d& end_R = node_R_[static_cast<std::size_t>(i) + 1];
  if (!e.bends) {
    end_p = e.p_E + e.R_E.col(2) * e.length_mm;
    end_R = e.R_E;
    return;
  }
  const double h = e.length_mm;
  const Eigen::Index at = static_cast<Eigen::Index>(piece.flexible) * strains_;
  e.a = h * Eigen::Vector3d(-strain(at + 1), strain(at), strain(at + 2));
  if (strains_ == kMostStrains) e.axial = strain(at + 3);
  const TwistedArc arc(e.a);
  const Eigen::Matrix3d J = arc.left_jacobian();
  const Eigen::Vector3d along = h * (e.R_E * J.col(2));
  end_p = e.p_E + (1.0 - e.axial) * along;
  end_R = e.R_E * arc.rotation();
  const Eigen::Matrix3d turn = h * (e.R_E * J);
  const Eigen::Matrix3d move =
      (h * h * (1.0 - e.axial)) * (e.R_E * arc.jacobian_change(Eigen::Vector3d::UnitZ()));
  e.B << turn.col(1), -turn.col(0), turn.col(2), Eigen::Vector3d::Zero();
  e.D << move.col(1), -move.col(0), move.col(2), -along;
}

Eigen::Isometry3d ElasticChain::pose_E(double s_mm) const {
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  if (s_mm <= exposed_from_) {
    X.translation().z() = base_z_ + s_mm;
    return X;
  }
  const auto after = std::find_if(mesh_->elements().begin(), mesh_->elements().end() - 1,
                                  [&](const Element& piece) { return piece.to_mm >= s_mm; });
  const PlacedElement& e = element_[static_cast<std::size_t>(after - mesh_->elements().begin())];
  const double l = std::clamp(s_mm - e.start_mm, 0.0, e.length_mm);
  const double share = e.length_mm > 0.0 ? l / e.length_mm : 0.0;
  const TwistedArc arc(share * e.a);
  X.linear() = e.R_E * arc.rotation();
  X.translation() = e.p_E + (l * (1.0 - e.axial)) * (e.R_E * arc.left_jacobian().col(2));
  return X;
}

}  // namespace withy
