// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_report.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Stations of the bodies that a page shows.
constexpr int kShownStations = 41;

ElasticRun run_with(const ElasticQuestion& question, const PullCorrections& corrections) {
  FollowSettings settings;
  settings.distance = &question.distance;
  settings.body_stations = kShownStations;
  settings.effort = &question.effort;
  settings.wants_stability = true;
  ElasticRun run;
  run.followed = follow_plan(question.design, question.plan, corrections, settings);
  run.fails = what_fails(question.design, question.plan,
                         {elastic_target(question.scene), question.required_clearance_mm}, run.followed);
  run.miss_mm = kInfinity;
  const std::size_t reached = static_cast<std::size_t>(question.plan.reached_state);
  if (run.followed.states.size() <= reached) return run;
  const ElasticTarget target = elastic_target(question.scene);
  const Eigen::Isometry3d& tip = run.followed.states[reached].reading.tip_E;
  run.miss_mm = target.miss_mm(tip);
  if (target.direction_E) run.direction_error_rad = target.direction_error_rad(tip);
  return run;
}

/// How many of the plan's actions a run has followed.
std::string followed_words(const ElasticRun& run, const Plan& plan) {
  return fmt::format("{} of {} actions followed", run.followed.actions.size(), plan.actions.size());
}

}  // namespace

ElasticTarget elastic_target(const Scene& scene) {
  return {scene.target_point_E(), scene.target_direction_E(), scene.target.direction_tolerance_rad,
          scene.target.tolerance_mm};
}

tl::expected<ElasticReport, CutShort> make_elastic_report(const ElasticQuestion& question) {
  const Effort& effort = question.effort;
  ElasticReport report;
  report.locks = question.design.lock_count();
  report.scene_sha256 = question.scene.sha256;
  const State& reached = question.plan.states[static_cast<std::size_t>(question.plan.reached_state)];
  const ElasticTarget target = elastic_target(question.scene);
  report.miss_planned_mm = target.miss_mm(Shape(question.design, reached).tip_E());
  report.clearance_planned_mm = question.plan.clearance_mm;
  report.clearance_required_mm = question.required_clearance_mm;
  report.tolerance_mm = question.scene.target.tolerance_mm;
  if (question.design.latch()) {
    report.engage_window_mm = question.design.latch()->engage_window_mm;
    report.hunt_mm = question.design.latch()->hunt_mm;
  }
  report.ideal = run_with(question, {});
  if (effort.cut_short())
    return tl::unexpected(CutShort{"with ideal pulls " + followed_words(report.ideal, question.plan),
                                   "the other actions; compensated pulls; the effects one by one"});
  FollowSettings scripts = script_settings();
  scripts.effort = &effort;
  Compensation made = compensate(question.design, question.plan, target, scripts);
  if (!made.fault) {
    report.corrections = std::move(made.corrections);
    report.compensated = run_with(question, report.corrections);
  }
  if (effort.cut_short())
    return tl::unexpected(CutShort{"the plan with ideal pulls", "compensated pulls; the effects one by one"});
  // Effects are printed to a hundredth of a mm: a coarser walk than the look's tells them apart.
  FollowSettings coarse;
  coarse.step_mm = kCoarseStep_mm;
  coarse.elements = kCoarseElements;
  coarse.effort = &effort;
  report.effects = effect_shifts(question.design, question.plan, {}, coarse);
  coarse.distance = &question.distance;
  coarse.elements = kUsualElements;
  report.halving_error_mm = halving_error_mm(question.design, question.plan, {}, coarse);
  if (effort.cut_short())
    return tl::unexpected(CutShort{"the plan with ideal and with compensated pulls",
                                   "the effects one by one; how far finer elements move the body"});
  return report;
}

const EffectShift* largest_effect(const ElasticReport& report) {
  constexpr double kNoMove_mm = 5e-4;  // is printed as 0
  const EffectShift* most = nullptr;
  for (const EffectShift& shift : report.effects) {
    if (!std::isfinite(shift.left_out_mm)) return nullptr;
    if (shift.left_out_mm >= (most ? most->left_out_mm : kNoMove_mm)) most = &shift;
  }
  return most;
}

}  // namespace withy
