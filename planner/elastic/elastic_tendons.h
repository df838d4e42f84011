// SPDX-License-Identifier: GPL-3.0-or-later
// What tendons that give, with friction along the body, do to an elastic segment.
//
// Tendon k at pitch radius r_t, direction e_k. Continuous routing: shortening_k = integral of r_t e_k . u (+
// eps), tension changes from element to element. Disks: what the sum of the distances between the holes'
// places in the elastic body is short of L; tension changes from gap to gap.
//     at the base    T_k = max(0, T_pre + EA / L_t (pull_k - shortening_k)),
//     L_t = L + tendon_length; motors that stand: less d, and d is added to the pull;
//     along the body the tension stays what it was while it is within T_k exp(-+ mu Lambda), else takes the
//     nearer bound: friction is play. Lambda (rad) is the integral of |u| from the base to the middle of the
//     element or gap.
// Capstan: L. Euler, "Remarques sur l'effet du frottement dans l'equilibre", 1762. The straight segment with
// all tendons at T_pre is what pulls and axial give are counted from.
#pragma once

#include <vector>

#include <Eigen/Core>

#include "planner/elastic/equilibrium_terms.h"

namespace withy {

/// What draws the tendons, and what they remember.
struct TendonDraw {
  const Eigen::VectorXd& pull_mm;   ///< of the motors
  double insertion_mm = 0.0;        ///< counts where motors stand
  const Eigen::MatrixXd& before_N;  ///< tension of each gap (row) and tendon (column) before this step
  const Eigen::VectorXd* base_N = nullptr;  ///< where not null: tensions at the base, whatever the pulls
};

class ElasticTendons {
 public:
  ElasticTendons(const Design& design, const ElementMesh& mesh);

  /// Stretches of one tension each: flexible elements, or gaps between disks.
  int gap_count() const { return static_cast<int>(gap_.size()); }
  int count() const { return static_cast<int>(direction_.size()); }

  /// Shortenings and tensions of a placed body.
  void update(const ElasticChain& chain, const Eigen::VectorXd& strain, const TendonDraw& draw);

  /// Adds what the updated tensions do.
  void add(const ElasticChain& chain, ForceBalance& balance) const;

  const Eigen::VectorXd& shortening_mm() const { return shortening_; }
  const Eigen::VectorXd& base_N() const { return base_; }
  const Eigen::MatrixXd& tension_N() const { return tension_; }
  /// N per mm of pull.
  double stiffness(double insertion_mm) const;
  /// The motors' pulls that make the updated body's tensions at the base.
  Eigen::VectorXd pulls_mm(double insertion_mm) const;
  /// Lambda up to the last gap, rad.
  double turned_rad() const { return gap_.empty() ? 0.0 : gap_.back().turned; }

 private:
  struct Gap {
    int first = 0;  ///< elements [first, last)
    int last = 0;
    int middle_element = 0;  ///< holds the gap's middle
    double turned = 0.0;     ///< Lambda at its middle, rad
    double share = 0.0;      ///< of the middle element's turn that counts
  };

  void measure_continuous(const ElasticChain& chain, const Eigen::VectorXd& strain);
  void measure_disks(const ElasticChain& chain);
  void measure_turns(const ElasticChain& chain, const Eigen::VectorXd& strain);
  void hold_tensions(const TendonDraw& draw);
  void add_gap_forces(const ElasticChain& chain, const Gap& gap, int g, ForceBalance& balance) const;
  void add_friction_tangent(const ElasticChain& chain, ForceBalance& balance) const;
  Eigen::Vector3d hole(const ElasticChain& chain, int node, int tendon) const;

  const Design* design_;
  std::vector<Eigen::Vector2d> direction_;
  std::vector<Gap> gap_;
  std::vector<int> gap_of_element_;
  bool disks_ = false;

  Eigen::VectorXd shortening_, base_, base_stiffness_;
  Eigen::MatrixXd gradient_;  ///< d shortening / d x: unknowns by tendons
  Eigen::MatrixXd tension_;   ///< gaps by tendons
  Eigen::MatrixXd follow_;    ///< d tension / d base tension
  Eigen::MatrixXd friction_;  ///< d tension / d Lambda
  Eigen::VectorXd turn_;      ///< d (integral of |u|) / d x
};

}  // namespace withy
