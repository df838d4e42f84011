// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/plan_states.h"

#include <cmath>
#include <limits>

#include <fmt/format.h>

#include "planner/proof/plans/coils.h"

namespace withy::recheck {
namespace {

// The share of a limit by which it may be passed: numbers in files are decimals.
constexpr double kLimitShare = 1e-8;
// A figure of the file may be off by this, and this share of itself: what is worked out of decimals.
constexpr double kFigure = 1e-6;
// Asked for as a limit of loads, every load is enclosed as tightly as can be.
constexpr double kTightly = std::numeric_limits<double>::quiet_NaN();

bool is_figure(double said, const Interval& is) {
  const double off = kFigure * (1.0 + std::abs(said));
  return is.lo - off <= said && said <= is.hi + off;
}

Finding figures_agree(const char* what, const std::vector<double>& said, const std::vector<Interval>& is) {
  if (said.empty()) return std::nullopt;
  if (said.size() != is.size()) return refuted(fmt::format("{} {} are listed", said.size(), what));
  for (std::size_t k = 0; k < said.size(); ++k)
    if (!is_figure(said[k], is[k]))
      return refuted(
          fmt::format("{} {} is {:.6g}, the file says {:.6g}", what, k + 1, is[k].middle(), said[k]));
  return std::nullopt;
}

Finding figures_of(const PlanInHand& hand, const FileState& state, const Body& body, const StateBox& box) {
  const Placed<Interval> placed(body, box);
  const Interval3 tip_S = in_scene(hand.scene.entry.X_SE.linear(), placed.tip());
  const double aside = Reach(body, box).aside(hand.robot.segment.length_mm);
  for (std::size_t i = 0; i < 3; ++i) {
    const auto axis = static_cast<Eigen::Index>(i);
    const Interval x =
        tip_S[i] + Interval(hand.scene.entry.X_SE.translation()[axis]) + Interval(-aside, aside);
    if (!is_figure(state.tip_S[axis], x)) return refuted("the tip is not where the file says");
  }
  if (!hand.robot.tendons) return std::nullopt;
  const Tendons tendons(hand.robot);
  const Tendons::Tensions tensions = tendons.tensions(body, box);
  if (auto found = figures_agree("pull", state.pull_mm, tendons.pulls(body, box))) return found;
  if (auto found = figures_agree("tension", state.tension_N, tendons.at_base(tensions))) return found;
  // Released locks carry nothing.
  std::vector<Interval> moments(static_cast<std::size_t>(hand.robot.lock_count()));
  const std::vector<Interval> loads = tendons.lock_loads(body, box, tensions, kTightly);
  for (std::size_t r = 0; r < loads.size(); ++r)
    moments[static_cast<std::size_t>(body.engaged()[r])] = loads[r];
  return figures_agree("lock moment", state.lock_moment_Nmm, moments);
}

/// Bend of a region of flexible length `f` and curvature `u`: none at all where it is straight, however
/// little of it is out.
Interval bend_of(const Interval& f, double u) {
  return u == 0.0 ? Interval(0.0) : f * Interval(u);
}

Finding place(PlanInHand& hand, const FileState& state) {
  std::vector<int> engaged;
  if (state.locked.size() != static_cast<std::size_t>(hand.robot.lock_count()))
    return refuted("it has another number of locks");
  for (int i = 0; i < hand.robot.lock_count(); ++i)
    if (state.locked[static_cast<std::size_t>(i)]) engaged.push_back(i);
  auto body = std::make_shared<const Body>(hand.robot, engaged);
  if (state.regions.size() != engaged.size() + 1)
    return refuted("its regions are not those of its engaged locks");
  StateBox box;
  box.d_lo = box.d_hi = state.insertion_mm;
  for (std::size_t r = 0; r < state.regions.size(); ++r) {
    const FileRegion& region = state.regions[r];
    if (std::abs(region.from_mm - body->region_start(r).middle()) > kSamePlace_mm ||
        std::abs(region.to_mm - body->region_end(r).middle()) > kSamePlace_mm)
      return refuted("its regions do not end at its engaged locks");
    const Interval f = body->flexible(r, Interval(state.insertion_mm));
    const Eigen::Vector2d& u = region.curvature_per_mm;
    if (r < engaged.size())
      box.theta.push_back({bend_of(f, u.x()), bend_of(f, u.y())});
    else
      box.u = {Interval(u.x()), Interval(u.y())};
  }
  if (const std::string breach = hand.limits.breach(*body, box, kLimitShare); !breach.empty())
    return refuted("it breaks a limit: " + breach);
  if (hand.scene.parts.field && hand.robot.lock) {
    const FieldLimits field(hand.robot, hand.scene.parts.field, hand.scene.entry.X_SE.linear());
    if (const int lock = field.pushed_off(*body, box); lock >= 0)
      return refuted(fmt::format("the other magnets push lock {} off its stop", lock + 1));
  }
  if (auto found = figures_of(hand, state, *body, box)) return found;
  hand.boxes.push_back(std::move(box));
  hand.bodies.push_back(std::move(body));
  return std::nullopt;
}

}  // namespace

bool same_bend(const Interval2& a, const Interval2& b) {
  return length({a[0] - b[0], a[1] - b[1]}).hi <= kSameBend_rad;
}

Finding place_states(PlanInHand& hand) {
  for (std::size_t i = 0; i < hand.plan.states.size(); ++i)
    if (auto found = place(hand, hand.plan.states[i])) {
      found->why = fmt::format("state {}: {}", i, found->why);
      return found;
    }
  return std::nullopt;
}

}  // namespace withy::recheck
