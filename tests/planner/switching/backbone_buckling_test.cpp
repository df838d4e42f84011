// SPDX-License-Identifier: GPL-3.0-or-later
// The moment at which a held backbone buckles between disks, against a search over directions, and over
// sizes.
#include "planner/segment/backbone_buckling.h"

#include <cmath>

#include <Eigen/QR>
#include <catch2/catch.hpp>

#include "planner/switching/switch_scaling.h"

namespace {

using namespace withy;
using Catch::Matchers::WithinRel;

DesignParts parts_with(const std::vector<double>& backbone_angle_rad) {
  DesignParts parts;
  parts.segment = {100.0, 1.5, 0.0, 0.05, 400.0};
  parts.lock = LockHardware{4.0, 1.8, 0.004, 0.0, M_PI / 2, 0.01, 0.004, 60.0};
  parts.layout.station_mm = {50.0};
  parts.layout.clock_rad = {0.0};
  parts.latch = LatchHardware{0.5, 1.2, backbone_angle_rad, 0.02, 0.02, 0.0};
  parts.tendons =
      TendonHardware{1.2, {0.0, M_PI / 2, M_PI, 3 * M_PI / 2}, 8.0, 50.0, 0.0, 1e4, 0.0, Motors::ride};
  parts.carriage = {CarriageKind::free, 160.0};
  ElasticHardware elastic;
  elastic.tendon_EA_N = 6283.0;
  elastic.tendon_length_mm = 300.0;
  elastic.backbone_EA_N = 4241.0;
  elastic.torsional_rigidity_Nmm2 = 320.0;
  elastic.backbone_EI_Nmm2 = 23.86;
  parts.elastic = elastic;
  return parts;
}

/// The least moment, over all directions, at which a backbone is pushed by `load`: forces by the
/// pseudo-inverse.
double by_search(const LatchHardware& latch, double load) {
  const Eigen::Index n = static_cast<Eigen::Index>(latch.backbone_angle_rad.size());
  Eigen::MatrixXd arms(2, n);
  for (Eigen::Index k = 0; k < n; ++k) {
    const double psi = latch.backbone_angle_rad[static_cast<std::size_t>(k)];
    arms.col(k) = latch.backbone_radius_mm * Eigen::Vector2d(std::cos(psi), std::sin(psi));
  }
  const Eigen::MatrixXd inverse = arms.completeOrthogonalDecomposition().pseudoInverse();
  double least = 1e300;
  for (int i = 0; i < 36000; ++i) {
    const double phi = 2 * M_PI * i / 36000;
    const Eigen::VectorXd force = inverse * Eigen::Vector2d(std::cos(phi), std::sin(phi));
    least = std::min(least, load / -force.minCoeff());
  }
  return least;
}

}  // namespace

TEST_CASE("held backbones buckle between disks at Euler's load") {
  // 4 pi^2 EI / h^2 = 4 * 9.8696 * 23.86 / 64.
  CHECK_THAT(*buckling_load_N(parts_with({0.0})), WithinRel(14.718, 1e-4));
  for (const auto& angles : {std::vector<double>{M_PI / 4, 3 * M_PI / 4, 5 * M_PI / 4, 7 * M_PI / 4},
                             std::vector<double>{0.2, 0.2 + 2 * M_PI / 3, 0.2 + 4 * M_PI / 3},
                             std::vector<double>{0.0, 1.0, 2.5, 3.9, 5.0}}) {
    const DesignParts parts = parts_with(angles);
    CHECK_THAT(*buckling_moment_Nmm(parts),
               WithinRel(by_search(*parts.latch, *buckling_load_N(parts)), 1e-6));
  }
  CHECK_FALSE(buckling_moment_Nmm(parts_with({0.0, M_PI})));  // one plane: no moment across is held at all
  DesignParts bare = parts_with({0.0, 2.0, 4.0});
  bare.tendons->disk_spacing_mm = 0.0;
  CHECK_FALSE(buckling_moment_Nmm(bare));
}

TEST_CASE("the moment at which backbones buckle goes with the cube of the size") {
  const DesignParts parts = parts_with({M_PI / 4, 3 * M_PI / 4, 5 * M_PI / 4, 7 * M_PI / 4});
  for (const double k : {0.25, 0.5, 2.0})
    CHECK_THAT(*buckling_moment_Nmm(scaled(parts, k)),
               WithinRel(*buckling_moment_Nmm(parts) * k * k * k, 1e-12));
  BendGrid grid;
  const auto at_sizes = scale_designs(Design::make(parts).value(), grid, {1.0});
  const auto& needs = at_sizes.front().needs;
  const auto buckling =
      std::find_if(needs.begin(), needs.end(), [](const ScaledNeed& n) { return n.name == "buckling"; });
  REQUIRE(buckling != needs.end());
  CHECK_THAT(buckling->limit, WithinRel(2 * 1.2 * 14.718, 1e-4));
  CHECK_THAT(buckling->need, WithinRel(400.0 * 0.05, 1e-12));
}
