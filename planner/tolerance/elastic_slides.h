// SPDX-License-Identifier: GPL-3.0-or-later
// How far the elastic body's backbones are off the planned slides where locks engage.
//
// At backbone k of a lock the elastic body's own slide is o_k (mm) beyond the planned one
// (planner/elastic/follow_plan.h). With e_k = (cos psi_k, sin psi_k), what of it a bend shows is
//     d = the shortest of those with least sum_k (e_k . d - o_k)^2,
// a slide in the plane of hunt.h, which a bench's own w joins (bench_hardware.h) and a hunt makes up for. The
// rest, o_k - e_k . d, puts each backbone off by itself. Both belong to the plan's pulls: however large the
// errors are, they are added to these, and not scaled with them. A friction lock keeps the bend d / r_b
// beside what the errors had bent.
//
// Source: none; that the slide is added is this project's own rule, the split plain least squares.
#pragma once

#include <map>

#include <Eigen/Core>

#include "planner/segment/hardware.h"

namespace withy {

/// o of each lock action that has one, by its index into the plan's actions. Empty: none is counted.
using ElasticSlides = std::map<int, Eigen::VectorXd>;

/// One of them, split.
struct ElasticSlide {
  Eigen::Vector2d bend_mm = Eigen::Vector2d::Zero();  ///< d
  Eigen::VectorXd rest_mm = {};                       ///< o_k - e_k . d; empty: none

  double rest_of(Eigen::Index backbone) const { return rest_mm.size() > 0 ? rest_mm[backbone] : 0.0; }
  double most_rest_mm() const { return rest_mm.size() > 0 ? rest_mm.cwiseAbs().maxCoeff() : 0.0; }
  /// The largest |o_k|.
  double most_mm(const LatchHardware& latch) const;
};

/// Splits what one lock action is off; nothing is off where the action has none.
ElasticSlide elastic_slide(const LatchHardware& latch, const ElasticSlides& slides, int action);

}  // namespace withy
