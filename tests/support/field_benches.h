// SPDX-License-Identifier: GPL-3.0-or-later
// Benches with a switching field.
// Header only, so that the plain library itself keeps clear of the planner.
#pragma once

#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include <Eigen/Geometry>

#include "planner/segment/hardware.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_segment.h"
#include "tests/support/random_states.h"

namespace withy_test {

using withy::CarriageKind;
using withy::Coil;
using withy::Design;
using withy::DesignParts;
using withy::FieldHardware;
using withy::kUsualAmbient_mT;
using withy::LockHardware;
using withy::Region;
using withy::State;
using withy::StateBox;

inline constexpr double kDegree = M_PI / 180.0;

inline DesignParts parts_with(std::vector<double> station_mm, const std::vector<double>& clock_deg) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout.station_mm = std::move(station_mm);
  for (const double c : clock_deg) parts.layout.clock_rad.push_back(c * kDegree);
  parts.carriage = {CarriageKind::free, 160};
  FieldHardware field{10, {1.8, 1.8, 1.8}, Eigen::Matrix3d::Identity()};
  field.ambient_mT = kUsualAmbient_mT;
  parts.field = field;
  parts.R_SE = Eigen::AngleAxisd(0.7, Eigen::Vector3d(1, 2, -1).normalized()).toRotationMatrix();
  parts.p_SE = {12, -30, 8};
  return parts;
}

inline Design design_of(DesignParts parts) {
  return Design::make(std::move(parts)).value();
}

/// Three Helmholtz pairs about the entry, currents free; not quite alike.
inline std::vector<Coil> three_pairs(const DesignParts& parts, std::optional<double> most_A = std::nullopt) {
  std::vector<Coil> coils;
  for (int axis = 0; axis < 3; ++axis) {
    const Eigen::Vector3d along = Eigen::Vector3d::Unit(axis);
    const double radius = 150 + 30 * axis;
    for (const double side : {-0.5, 0.5})
      coils.push_back({parts.p_SE + side * radius * along, along, radius, 250, 2.0, most_A});
  }
  return coils;
}

/// Benches to try bounds on: uniform and with coils, tight and loose, locks near and far.
inline std::vector<Design> benches() {
  std::vector<Design> all;
  for (const bool guide : {false, true}) {
    DesignParts parts = parts_with({33, 67}, {0, 330});
    parts.carriage.kind = guide ? CarriageKind::guide : CarriageKind::free;
    parts.field->strength_max_mT = 5;
    all.push_back(design_of(parts));
    parts.field->ambient_mT = 0;
    parts.field->ambient_S = {0.02, -0.2, 0.1};
    parts.field->coil_mT_per_A = {1.8, 0.9, 2.5};
    parts.layout.station_mm = {50, 61};
    parts.field->strength_max_mT = guide ? 5 : 12;
    all.push_back(design_of(parts));
    parts = parts_with({33, 67}, {0, 330});
    parts.carriage.kind = guide ? CarriageKind::guide : CarriageKind::free;
    parts.field->coils = three_pairs(parts);
    parts.field->strength_max_mT = guide ? 4.5 : 12;
    all.push_back(design_of(parts));
    parts.field->coils = three_pairs(parts, 1.8);
    parts.field->strength_max_mT = 20;
    all.push_back(design_of(parts));
  }
  return all;
}

}  // namespace withy_test
