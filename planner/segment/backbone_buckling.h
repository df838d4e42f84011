// SPDX-License-Identifier: GPL-3.0-or-later
// When a backbone that a lock holds buckles between two spacer disks.
//
// Disks hold the wire in its place and in its direction, so each gap is a column with both ends built in:
//     N_cr = 4 pi^2 EI_w / h^2
// (L. Euler, 1744; S. P. Timoshenko and J. M. Gere, "Theory of Elastic Stability", 2nd ed. 1961,
// section 2.1). A lock carries a moment M by forces that grow with the backbones' distance from the neutral
// axis,
//     N_k = e_k . A^-1 M / r_b,   A = sum over k of e_k e_k',
// so it carries no more than the smallest M, over all directions, at which some backbone is pushed by N_cr.
#pragma once

#include <cmath>
#include <limits>
#include <numbers>
#include <optional>

#include <Eigen/Core>
#include <Eigen/LU>

#include "planner/segment/design.h"

namespace withy {

/// N_cr (N) of one secondary backbone; nothing without disks or without its flexural rigidity.
inline std::optional<double> buckling_load_N(const DesignParts& parts) {
  if (!parts.elastic || !parts.elastic->backbone_EI_Nmm2 || !parts.tendons) return std::nullopt;
  const double h = parts.tendons->disk_spacing_mm;
  if (h <= 0.0) return std::nullopt;
  constexpr double pi = std::numbers::pi;
  return 4.0 * pi * pi * *parts.elastic->backbone_EI_Nmm2 / (h * h);
}

/// The moment (N mm) that a lock carries at the most, in the worst direction: |M| = r_b N_cr / max over k of
/// |A^-1 e_k|. Nothing where buckling_load_N gives nothing, or backbones all in one plane hold one direction
/// only.
inline std::optional<double> buckling_moment_Nmm(const DesignParts& parts) {
  const auto load = buckling_load_N(parts);
  if (!load || !parts.latch) return std::nullopt;
  Eigen::Matrix2d A = Eigen::Matrix2d::Zero();
  for (const double psi : parts.latch->backbone_angle_rad) {
    const Eigen::Vector2d e(std::cos(psi), std::sin(psi));
    A += e * e.transpose();
  }
  constexpr double kOnePlane = 1e-9;
  if (A.determinant() <= kOnePlane) return std::nullopt;
  double most = 0.0;
  for (const double psi : parts.latch->backbone_angle_rad)
    most = std::max(most, (A.inverse() * Eigen::Vector2d(std::cos(psi), std::sin(psi))).norm());
  return parts.latch->backbone_radius_mm * *load / most;
}

}  // namespace withy
