// SPDX-License-Identifier: GPL-3.0-or-later
// Benches whose elastic numbers are known, and tables measured on them.
#pragma once

#include <algorithm>
#include <random>
#include <string>

#include "planner/fit/elastic_fit.h"
#include "tests/planner/elastic/elastic_designs.h"

namespace withy_test {

/// What the truth is, as shares of what the scene says.
struct Truth {
  double rigidity = 1.0, friction = 1.0, tendon_EA = 1.0, backbone_EA = 1.0, mass = 1.0;
};

/// Throws std::bad_optional_access where the parts have no tendons or no elastic numbers.
inline withy::DesignParts with_truth(withy::DesignParts parts, const Truth& truth) {
  parts.segment.flexural_rigidity_Nmm2 *= truth.rigidity;
  parts.tendons.value().friction_coefficient *= truth.friction;
  withy::ElasticHardware& elastic = parts.elastic.value();
  elastic.tendon_EA_N *= truth.tendon_EA;
  elastic.backbone_EA_N *= truth.backbone_EA;
  elastic.mass_g_per_mm *= truth.mass;
  return parts;
}

/// Rows that bend to and fro; the lock is engaged in the middle ones.
inline withy::Measurements poses(const withy::Design& design, int rows, std::mt19937& engine,
                                 double insertion_mm = 60.0) {
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  withy::Measurements table;
  table.locks = design.lock_count();
  table.tendons = static_cast<int>(design.tendons()->angle_rad.size());
  table.tensions = true;
  for (int i = 0; i < rows; ++i) {
    withy::Measurement row;
    row.line = i + 2;
    row.insertion_mm = insertion_mm;
    row.engaged.set(0, design.lock_count() > 0 && i >= rows / 3 && i < 2 * rows / 3);
    const double turn = M_PI * even(engine);
    row.pull_mm =
        pulls_for(design, (1.0 + 0.6 * even(engine)) * Eigen::Vector2d(std::cos(turn), std::sin(turn)));
    table.rows.push_back(row);
  }
  return table;
}

/// Fills the readings of a bench of elements; noise of the given deviations.
inline void measure(const withy::DesignParts& truth, withy::Measurements& table, double tip_mm,
                    double tension_N, std::mt19937& engine) {
  std::normal_distribution<double> normal;
  const withy::Design design = made(truth);
  withy::ElasticSegment segment(design);
  withy::ElasticState body = segment.start().value();
  for (withy::Measurement& row : table.rows) {
    const Eigen::VectorXd from = body.pull_mm;
    const double from_mm = body.insertion_mm;
    for (int i = 1; i <= 8; ++i)
      body = segment
                 .step(body, from_mm + i / 8.0 * (row.insertion_mm - from_mm),
                       from + i / 8.0 * (row.pull_mm - from))
                 .value();
    for (int lock = 0; lock < design.lock_count(); ++lock)
      if (row.engaged.test(static_cast<std::size_t>(lock)) !=
          body.engaged.test(static_cast<std::size_t>(lock)))
        body = (row.engaged.test(static_cast<std::size_t>(lock)) ? segment.engage(body, lock)
                                                                 : segment.release(body, lock))
                   .value();
    const withy::ElasticReading reading = segment.read(body);
    row.tip_S = reading.tip_E.translation();
    row.tension_N = reading.base_N;
    for (double& x : row.tip_S) x += tip_mm * normal(engine);
    for (double& x : row.tension_N) x += tension_N * normal(engine);
  }
}

inline withy::FitSettings known_noise(double tip_mm, double tension_N) {
  withy::FitSettings settings;
  settings.noise[static_cast<std::size_t>(withy::Reading::tip)] = tip_mm;
  settings.noise[static_cast<std::size_t>(withy::Reading::tension)] = tension_N;
  return settings;
}

inline const withy::FittedParameter& named(const withy::ElasticFit& fit, const std::string& name) {
  return *std::find_if(fit.parameters.begin(), fit.parameters.end(),
                       [&](const auto& p) { return p.name == name; });
}

}  // namespace withy_test
