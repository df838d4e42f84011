// SPDX-License-Identifier: GPL-3.0-or-later
// Where the elements of an elastic body are, and how far a small change of their strains moves what is
// beyond.
//
// Unknowns of flexible element i: (u_x, u_y, tau) in 1/mm, and with `segment_EA_N` the axial strain eps,
// positive shorter. In its own frame it turns by a = h (-u_y, u_x, tau) and ends at h (1 - eps) J(a) e_z
// (twisted_arc.h). A change of its strains turns all beyond by B_i and moves its own end by D_i, both in E:
//     d p_k = D_i dx_i + (B_i dx_i) x (p_k - p_end of i),   k beyond i.
// With the guide an element has only the length that is beyond the entry plane; what is inside is straight.
#pragma once

#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "planner/elastic/element_mesh.h"

namespace withy {

/// Most unknowns of one element.
inline constexpr int kMostStrains = 4;

using StrainColumns = Eigen::Matrix<double, 3, kMostStrains>;

struct PlacedElement {
  Eigen::Matrix3d R_E = Eigen::Matrix3d::Identity();  ///< frame at its exposed start
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  double start_mm = 0.0;                        ///< station of its exposed start
  double length_mm = 0.0;                       ///< exposed; 0 inside the guide
  Eigen::Vector3d a = Eigen::Vector3d::Zero();  ///< rotation vector over the exposed length
  double axial = 0.0;                           ///< eps
  bool bends = false;                           ///< flexible and exposed
  StrainColumns B = StrainColumns::Zero();      ///< rad per strain; of bending elements
  StrainColumns D = StrainColumns::Zero();      ///< mm per strain
};

class ElasticChain {
 public:
  /// `strains`: unknowns of one element, 3 or 4.
  ElasticChain(const Design& design, const ElementMesh& mesh, int strains);

  /// Places the body. `strain`: one column of unknowns after the other, by flexible element.
  void place(double insertion_mm, const Eigen::VectorXd& strain);

  const PlacedElement& element(int i) const { return element_[static_cast<std::size_t>(i)]; }
  const Eigen::Vector3d& node_E(int n) const { return node_p_[static_cast<std::size_t>(n)]; }
  const Eigen::Matrix3d& node_R(int n) const { return node_R_[static_cast<std::size_t>(n)]; }
  const ElementMesh& mesh() const { return *mesh_; }
  int strains() const { return strains_; }
  /// Where the unknowns of flexible element i begin.
  Eigen::Index column(int i) const {
    return static_cast<Eigen::Index>(mesh_->elements()[static_cast<std::size_t>(i)].flexible) * strains_;
  }
  double exposed_from_mm() const { return exposed_from_; }

  /// Pose in E of the cross-section at station s; s < 0 is the shaft.
  Eigen::Isometry3d pose_E(double s_mm) const;

 private:
  void place_element(int i, const Eigen::VectorXd& strain);

  const Design* design_;
  const ElementMesh* mesh_;
  int strains_;
  double base_z_ = 0.0;
  double exposed_from_ = 0.0;
  std::vector<PlacedElement> element_;
  std::vector<Eigen::Vector3d> node_p_;
  std::vector<Eigen::Matrix3d> node_R_;
};

}  // namespace withy
