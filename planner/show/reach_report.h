// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy reach` found: a table for people, CSV and JSON for programs, a page to look at.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "planner/plan/answer.h"
#include "planner/scene/scene.h"
#include "planner/search/ask/reach_search.h"
#include "planner/show/display_mesh.h"

namespace withy {

/// What one lock count reaches.
struct ReachCount {
  int locks = 0;
  ReachResult result;
  std::vector<std::string> checked;
  std::vector<std::string> not_checked;
  double seconds = 0.0;

  std::size_t targets_with(Verdict verdict) const;
};

struct ReachReport {
  const Scene& scene;
  std::string scene_file;            ///< as the command line gave it
  std::optional<double> spacing_mm;  ///< of a lattice over the lumen; absent: targets from a file
  double tolerance_mm = 0.0;
  double required_clearance_mm = 0.0;
  std::vector<Eigen::Vector3d> targets_S;
  std::vector<Eigen::Vector3d> targets_E;  ///< the same points
  std::vector<ReachCount> counts;
  bool partial =
      false;  ///< ended by an interrupt: counts are missing, or have targets that were not asked about
};

/// A line for each lock count, and one for what any of them reaches.
std::string reach_table(const ReachReport& report);

/// RFC 4180: x_mm,y_mm,z_mm in the scene frame, then a column of verdicts for each lock count.
std::string reach_csv(const ReachReport& report);

std::string reach_json(const ReachReport& report);

/// One self-contained HTML file: the totals, and for each lock count two views of the targets in the channel.
/// Told apart without colour: the share reached by lightness, undecided and unreachable by their signs.
std::string reach_html(const ReachReport& report, const DisplayMesh& wall);

/// "48.0 %": the share of targets to which a plan stands a usual bench; "-" where that was not asked.
std::string share_stood(const ReachCount& count);

/// What "share stood" says, without a full stop.
std::string share_stood_note();

/// "62.0 %", "62.0 to 64.5 %": the share of targets that is reached, its upper end with every undecided one.
std::string share_reached(const ReachCount& count);

}  // namespace withy
