// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_demand.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/segment/backbone_buckling.h"

namespace withy {

double ElasticTarget::miss_mm(const Eigen::Isometry3d& tip_E) const {
  return (tip_E.translation() - point_E).norm();
}

double ElasticTarget::direction_error_rad(const Eigen::Isometry3d& tip_E) const {
  return direction_E ? std::acos(std::clamp(tip_E.linear().col(2).dot(*direction_E), -1.0, 1.0)) : 0.0;
}

double engage_reach_mm(const Design& design, const PlannedAction& action) {
  const bool hunts = action.hunt && action.hunt->made();
  return design.latch()->engage_window_mm + (hunts ? action.hunt->radius_mm : 0.0);
}

std::optional<std::string> missed_notch(const Design& design, const Plan& plan,
                                        const FollowedPlan& followed) {
  if (!design.latch() || design.latch()->notch_pitch_mm <= 0.0) return std::nullopt;
  for (std::size_t k = 0; k < followed.actions.size(); ++k) {
    const PlannedAction& action = plan.actions[k];
    if (action.kind != ActionKind::lock) continue;
    const double reach = engage_reach_mm(design, action);
    if (followed.actions[k].slide_error_mm > reach)
      return fmt::format(
          "the backbones at lock {} are {:.3f} mm off their notches, window and hunt reach {:.3f}",
          action.lock + 1, followed.actions[k].slide_error_mm, reach);
  }
  return std::nullopt;
}

LimitShares limit_shares(const Design& design, const ElasticExtremes& most) {
  const TendonHardware& tendons = *design.tendons();
  LimitShares shares;
  shares.stroke = most.pull_mm / tendons.stroke_max_mm;
  shares.tension = most.base_N / tendons.tension_max_N;
  if (design.lock_count() > 0) shares.lock_load = most.lock_load_Nmm / design.lock().hold_moment_Nmm;
  if (const auto load = buckling_load_N(design.parts())) shares.compression = most.compression_N / *load;
  return shares;
}

std::optional<std::string> broken_limit(const Design& design, const ElasticExtremes& most) {
  const TendonHardware& tendons = *design.tendons();
  const LimitShares shares = limit_shares(design, most);
  if (shares.stroke > 1.0)
    return fmt::format("a tendon is drawn by {:.3f} of {} mm", most.pull_mm, tendons.stroke_max_mm);
  if (shares.tension > 1.0)
    return fmt::format("a tendon pulls with {:.3f} of {} N", most.base_N, tendons.tension_max_N);
  if (shares.lock_load > 1.0)
    return fmt::format("a lock carries {:.3f} of {} N mm", most.lock_load_Nmm, design.lock().hold_moment_Nmm);
  if (shares.compression > 1.0)
    return fmt::format("a held backbone is pushed with {:.3f} N and buckles between disks at {:.3f}",
                       most.compression_N, *buckling_load_N(design.parts()));
  return std::nullopt;
}

std::optional<std::string> broken_limit(const Design& design, const Plan& plan,
                                        const FollowedPlan& followed) {
  if (auto limit = broken_limit(design, followed.most)) return limit;
  return missed_notch(design, plan, followed);
}

std::optional<Eigen::Isometry3d> followed_tip_E(const Plan& plan, const FollowedPlan& followed) {
  const std::size_t reached = static_cast<std::size_t>(plan.reached_state);
  if (followed.states.size() <= reached) return std::nullopt;
  return followed.states[reached].reading.tip_E;
}

std::optional<std::string> what_fails(const Design& design, const Plan& plan, const ElasticDemand& demand,
                                      const FollowedPlan& followed) {
  if (followed.fault == ElasticFault::cut_short) return "was not looked at to the end";
  if (followed.fault) return "finds no equilibrium on the way";
  const Eigen::Isometry3d tip_E = *followed_tip_E(plan, followed);
  const ElasticTarget& target = demand.target;
  std::vector<std::string> faults;
  if (const double miss = target.miss_mm(tip_E); miss > target.tolerance_mm)
    faults.push_back(
        fmt::format("misses the target by {:.2f} mm (tolerance {} mm)", miss, target.tolerance_mm));
  if (const double error = target.direction_error_rad(tip_E); error > target.direction_tolerance_rad)
    faults.push_back(
        fmt::format("does not end in the target's direction ({:.1f} degrees off it, tolerance {:g})",
                    degrees(error), degrees_to_write(target.direction_tolerance_rad)));
  if (followed.clearance_mm < 0.0)
    faults.push_back(fmt::format("touches the wall ({:.2f} mm)", followed.clearance_mm));
  else if (followed.clearance_mm < demand.clearance_mm)
    faults.push_back(
        fmt::format("keeps {:.2f} of {} mm from the wall", followed.clearance_mm, demand.clearance_mm));
  if (const auto limit = broken_limit(design, plan, followed)) faults.push_back("breaks a limit: " + *limit);
  for (std::size_t i = 0; i < followed.states.size(); ++i) {
    if (!followed.states[i].unstable) continue;
    faults.push_back(fmt::format("is in unstable equilibrium in state {}, which any push ends", i));
    break;
  }
  if (faults.empty()) return std::nullopt;
  return fmt::format("{}", fmt::join(faults, " and "));
}

}  // namespace withy
