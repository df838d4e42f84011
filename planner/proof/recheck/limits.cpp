// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/limits.h"

#include <fmt/format.h>

namespace withy::recheck {
namespace {

// By this share a limit may be passed before a state counts as breaking it: numbers in files are decimals.
constexpr double kLimitRounding = 3e-9;

}  // namespace

Limits::Limits(const Robot& robot, const LimitsUsed& used) : robot_(robot) {
  if (used.tendons && robot.tendons) tendons_.emplace(robot);
}

bool Limits::curvature_broken_by(const Body& body, const StateBox& box) const {
  const double kappa = robot_.segment.curvature_max_per_mm * (1.0 + kLimitRounding);
  if (box.d_hi < 0.0 || box.d_lo > robot_.insertion_max_mm * (1.0 + kLimitRounding)) return true;
  if (length(box.u).lo > kappa) return true;
  const Interval d(box.d_hi);
  for (std::size_t r = 0; r < box.theta.size(); ++r)
    if (length(box.theta[r]).lo > (Interval(kappa) * body.flexible(r, d)).hi + 1e-12) return true;
  return false;
}

bool Limits::broken_by(const Body& body, const StateBox& box) const {
  if (curvature_broken_by(body, box)) return true;
  if (!tendons_) return false;
  const TendonHardware& t = *robot_.tendons;
  const auto past = [](double value, double limit) { return value > limit + kLimitRounding * (1.0 + limit); };
  const Tendons::Tensions tensions = tendons_->tensions(body, box);
  if (!tensions.possible || past(tensions.most_N.lo, t.tension_max_N)) return true;
  if (robot_.lock) {
    const double hold = robot_.lock->hold_moment_Nmm;
    for (const Interval& load : tendons_->lock_loads(body, box, tensions, hold))
      if (past(load.lo, hold)) return true;
  }
  for (const Interval& pull : tendons_->pulls(body, box))
    if (past(abs(pull).lo, t.stroke_max_mm)) return true;
  return false;
}

bool Limits::may_be_kept_by(const Body& body, const StateBox& box) const {
  return breach(body, box, 0.0).empty();
}

std::string Limits::breach(const Body& body, const StateBox& box, double share) const {
  const double more = 1.0 + share;
  const double kappa = robot_.segment.curvature_max_per_mm;
  if (box.d_lo < -share || box.d_hi > robot_.insertion_max_mm * more) return "insertion out of range";
  for (const Interval2& k : Tendons::curvatures(body, box))
    if (!(length(k).hi <= kappa * more))
      return fmt::format("curvature {:.6g} per mm, at most {:.6g}", length(k).hi, kappa);
  return tendons_ ? tendon_breach(body, box, share) : "";
}

std::string Limits::tendon_breach(const Body& body, const StateBox& box, double share) const {
  const double more = 1.0 + share;
  const TendonHardware& t = *robot_.tendons;
  const Tendons::Tensions tensions = tendons_->tensions(body, box);
  if (!tensions.possible) return "a bend that no tendon pulls to";
  if (!(tensions.most_N.hi <= t.tension_max_N * more))
    return fmt::format("tension {:.6g} N, at most {:.6g}", tensions.most_N.hi, t.tension_max_N);
  for (const Interval& pull : tendons_->pulls(body, box))
    if (!(abs(pull).hi <= t.stroke_max_mm * more))
      return fmt::format("pull {:.6g} mm, at most {:.6g}", abs(pull).hi, t.stroke_max_mm);
  if (!robot_.lock) return "";
  const double hold = robot_.lock->hold_moment_Nmm;
  for (const Interval& load : tendons_->lock_loads(body, box, tensions, hold))
    if (!(load.hi <= hold * more)) return fmt::format("lock load {:.6g} N mm, at most {:.6g}", load.hi, hold);
  return "";
}

}  // namespace withy::recheck
