// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy elastic` found, and how it is written down.
//
// JSON and CSV: lengths in mm, forces in N, moments in N mm, places in the scene frame; what there is no
// value for (no station past the entry plane) is null or empty.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <tl/expected.hpp>

#include "planner/effort/cut_short.h"
#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_effects.h"
#include "planner/scene/scene.h"

namespace withy {

/// A plan followed with one set of pulls.
struct ElasticRun {
  FollowedPlan followed;
  double miss_mm =
      0.0;  ///< of the tip from the target's point, in the reached state; infinite where not found
  std::optional<double> direction_error_rad;
  std::optional<std::string> fails;  ///< what_fails
};

struct ElasticReport {
  std::string plan_file;
  std::string scene_file;
  std::string scene_sha256;
  int locks = 0;
  double miss_planned_mm = 0.0;       ///< of the ideal segment
  double clearance_planned_mm = 0.0;  ///< proved, of the ideal segment
  double clearance_required_mm = 0.0;
  double tolerance_mm = 0.0;
  double engage_window_mm = 0.0;
  double hunt_mm = 0.0;
  ElasticRun ideal;                       ///< with the ideal segment's pulls
  std::optional<ElasticRun> compensated;  ///< nothing where no pulls were found
  PullCorrections corrections;
  std::vector<EffectShift> effects;  ///< of the ideal pulls
  double halving_error_mm = 0.0;     ///< infinite where finer elements found no equilibrium
};

struct ElasticQuestion {
  const Scene& scene;
  const Design& design;
  const Plan& plan;
  const ChannelDistance& distance;
  double required_clearance_mm = 0.0;
  Effort effort = {};
};

/// Precondition: the design has [elastic].
tl::expected<ElasticReport, CutShort> make_elastic_report(const ElasticQuestion& question);

/// The scene's target as the elastic body is held against it.
ElasticTarget elastic_target(const Scene& scene);

/// The largest of the effects by what leaving it out changes; null where one of them has no equilibrium, so
/// that they can't be compared, or none moves the tip by half a micrometre.
const EffectShift* largest_effect(const ElasticReport& report);

std::string elastic_table(const ElasticReport& report, const Plan& plan);
std::string elastic_json(const ElasticReport& report, const Plan& plan, const Scene& scene);
std::string elastic_csv(const ElasticReport& report, const Scene& scene);

}  // namespace withy
