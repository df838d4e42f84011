// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/notched_twin.h"

#include <cmath>

namespace withy {

namespace {

// Between neighbouring bends of the twin (rad): some hundred of them for a lock half-way along a segment that
// can bend by half a turn.
constexpr double kPitch_rad = 0.2;

}  // namespace

std::optional<SearchProblem> notched_twin(const SearchProblem& problem, const BendChart& chart) {
  // A bend that is frozen from the start on is on no notch of a twin.
  if (problem.start.engaged.any()) return std::nullopt;
  if (problem.design.lock_count() == 0 || chart.kind() == LatticeKind::points) return std::nullopt;
  DesignParts parts = problem.design.parts();
  if (!parts.latch) {
    parts.latch = LatchHardware{};
    parts.latch->backbone_radius_mm = parts.segment.radius_mm;
  }
  LatchHardware& latch = *parts.latch;
  if (chart.kind() == LatticeKind::everything) {
    latch.notch_pitch_mm = kPitch_rad * latch.backbone_radius_mm;
    latch.backbone_angle_rad = {0.0};
  }
  // Backbones at right angles to those there are: what they let pass is a lattice on the same lines.
  const double first = latch.backbone_angle_rad.front();
  latch.backbone_angle_rad.push_back(first + 0.5 * M_PI);
  const auto design = Design::make(std::move(parts));
  if (!design) return std::nullopt;
  SearchProblem twin{*design, problem.distance, problem.goal, problem.required_clearance_mm, problem.heeded};
  twin.start = problem.start;
  return twin;
}

}  // namespace withy
