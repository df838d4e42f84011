// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/heed/elastic_draws.h"

#include <algorithm>
#include <atomic>

#include <Eigen/Geometry>
#include <boost/random/uniform_real_distribution.hpp>
#include <fmt/core.h>
#include <oneapi/tbb/parallel_for.h>

#include "planner/elastic/compensate.h"
#include "planner/elastic/elastic_demand.h"
#include "planner/segment/rotation.h"

namespace withy {
namespace {

struct ElasticBench {
  Design design;
  ErrorDraw errors;
};

ElasticBench draw_bench(const Design& design, const ErrorSizes& sizes, const ElasticErrors& elastic,
                        std::mt19937_64& generator) {
  const auto factor = [&](double most) {
    return 1.0 +
           (most > 0.0 ? boost::random::uniform_real_distribution<double>(-most, most)(generator) : 0.0);
  };
  DesignParts parts = design.parts();
  ElasticHardware wires = *design.elastic();
  const double segment = factor(elastic.stiffness);
  parts.segment.flexural_rigidity_Nmm2 *= segment;
  wires.torsional_rigidity_Nmm2 *= segment;
  wires.tendon_EA_N *= factor(elastic.stiffness);
  wires.backbone_EA_N *= factor(elastic.stiffness);
  wires.mass_g_per_mm *= factor(elastic.mass);
  wires.lock_mass_g *= factor(elastic.mass);
  parts.elastic = wires;
  parts.tendons->friction_coefficient *= factor(elastic.friction);
  return {Design::make(std::move(parts)).value(), draw_errors(design, sizes, generator)};
}

WallPlacement placement_of(const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E) {
  Eigen::Isometry3d entry = Eigen::Isometry3d::Identity();
  entry.linear() = rotation_by(errors.entry_turn);
  entry.translation() = errors.entry_position_mm;
  Eigen::Isometry3d channel = Eigen::Isometry3d::Identity();
  channel.linear() = rotation_by(errors.registration_turn);
  channel.translation() =
      errors.registration_position_mm + channel_centre_E - channel.linear() * channel_centre_E;
  return {channel.inverse() * entry, 1.0 + errors.lumen_scale};
}

Eigen::Vector3d centre_of(const Channel& channel) {
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& p : channel.mesh_E.vertices) box.extend(p);
  return box.center();
}

struct OnElasticBench {
  bool touches = false, misses = false, disengaged = false, overloads = false, lost = false;
};

OnElasticBench play(const SearchProblem& problem, const Plan& plan, const PullCorrections& corrections,
                    const ElasticBench& bench, const Eigen::Vector3d& channel_centre_E,
                    const Effort& effort) {
  FollowSettings settings;
  settings.effort = &effort;
  settings.step_mm = kDrawnStep_mm;
  settings.elements = kCoarseElements;
  settings.distance = problem.distance.get();
  settings.planned = &problem.design;
  settings.placement = placement_of(bench.errors, channel_centre_E);
  settings.pull_errors = {bench.errors.pull_gain, bench.errors.pull_offset_mm};
  const FollowedPlan followed = follow_plan(bench.design, plan, corrections, settings);
  OnElasticBench out;
  out.lost = followed.fault.has_value();
  out.touches = followed.clearance_mm < 0.0;
  const auto tip_E = followed_tip_E(plan, followed);
  if (tip_E) {
    const Eigen::Isometry3d tip_W = settings.placement.X_WE * *tip_E;
    const Goal& goal = problem.goal;
    const double off = (tip_W.translation() - settings.placement.scale * goal.point_E).norm();
    out.misses = off > goal.tolerance_mm || goal.direction_error(tip_W) > goal.direction_tolerance_rad;
  }
  out.disengaged = missed_notch(bench.design, plan, followed).has_value();
  const LimitShares shares = limit_shares(bench.design, followed.most);
  out.overloads = std::max({shares.stroke, shares.tension, shares.lock_load, shares.compression}) > 1.0;
  return out;
}

}  // namespace

ElasticDraws draw_elastic(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes,
                          const ElasticErrors& elastic, const MonteCarloSettings& settings) {
  const Eigen::Vector3d centre_E = centre_of(problem.distance->exact().channel());
  const Goal& goal = problem.goal;
  FollowSettings coarse;
  coarse.step_mm = kDrawnStep_mm;
  coarse.elements = kCoarseElements;
  coarse.effort = &settings.effort;
  const Compensation made = compensate(
      problem.design, plan, {goal.point_E, goal.direction_E, goal.direction_tolerance_rad}, coarse);
  const PullCorrections corrections = made.fault ? PullCorrections{} : made.corrections;
  std::mt19937_64 generator(settings.seed);
  const auto all = static_cast<std::size_t>(std::max(0, settings.draws));
  std::vector<OnElasticBench> on;
  std::atomic<int> done{0};
  while (on.size() < all && !settings.effort.cut_short()) {
    const std::size_t from = on.size();
    std::vector<ElasticBench> benches;
    for (std::size_t i = 0; i < std::min(draws_together(), all - from); ++i)
      benches.push_back(draw_bench(problem.design, sizes, elastic, generator));
    on.resize(from + benches.size());
    tbb::parallel_for(std::size_t{0}, benches.size(), [&](std::size_t i) {
      on[from + i] = play(problem, plan, corrections, benches[i], centre_E, settings.effort);
      settings.progress(static_cast<double>(++done) / settings.draws);
    });
    if (settings.effort.cut_short()) on.resize(from);
  }
  ElasticDraws out;
  out.asked = settings.draws;
  out.draws = static_cast<int>(on.size());
  out.compensated = !made.fault;
  for (const OnElasticBench& bench : on) {
    out.touches += bench.touches;
    out.misses += bench.misses;
    out.disengaged += bench.disengaged;
    out.overloads += bench.overloads;
    out.lost += bench.lost;
    out.fails += bench.touches || bench.misses || bench.disengaged || bench.overloads || bench.lost;
  }
  if (out.draws > 0) out.fail = clopper_pearson(out.fails, out.draws);
  return out;
}

std::string elastic_draws_text(const ElasticDraws& draws) {
  if (draws.draws == 0) return {};
  return fmt::format(
      "Of {} benches whose segment gives, played {} pulls, {} fail (95 % interval {:.1f} to {:.1f} %): {} "
      "touch "
      "the wall, {} miss, {} would not find a notch, {} break a limit, of {} no equilibrium was found.\n"
      "Looked at every {:g} mm of the ideal tip's way, not proved.\n",
      draws.draws, draws.compensated ? "compensated" : "ideal", draws.fails, 100.0 * draws.fail.low,
      100.0 * draws.fail.high, draws.touches, draws.misses, draws.disengaged, draws.overloads, draws.lost,
      kDrawnStep_mm);
}

}  // namespace withy
