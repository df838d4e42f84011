// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/elsewhere/given_state.h"

#include <utility>

#include <fmt/core.h>

#include "planner/effort/shares.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/latch.h"

namespace withy {
namespace {

// A bend that a file's decimals have is this near to the latched one (rad) at most: nine digits of a
// curvature times the longest segment.
constexpr double kWrittenBend_rad = 1e-5;
// The start as a target: so near to it that one more motion leads there, and no coarser than cells are.
constexpr double kHomeTolerance_mm = 0.5;
constexpr double kHomeCone_rad = 0.05;

/// Puts each engaged lock's sum of bends on its notch; the lock, from 0, that is on none.
std::optional<int> put_on_notches(const Design& design, State& state) {
  if (!design.latch()) return std::nullopt;
  const LatchHardware latch = exact_latch(*design.latch(), kWrittenBend_rad);
  if (latch.notch_pitch_mm <= 0.0) return std::nullopt;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  Eigen::Vector2d latched_sum = Eigen::Vector2d::Zero();
  std::size_t region = 0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (!state.engaged.test(static_cast<std::size_t>(lock))) continue;
    sum += state.theta_frozen[region];
    const auto latched = latched_bend(latch, sum);
    if (!latched) return lock;
    state.theta_frozen[region++] = *latched - latched_sum;
    latched_sum = *latched;
  }
  return std::nullopt;
}

}  // namespace

tl::expected<State, std::string> legal_start(const SearchProblem& problem, const State& given) {
  const Design& design = problem.design;
  State state = given;
  if (problem.heeded.latch)
    if (const auto off = put_on_notches(design, state))
      return tl::unexpected(fmt::format("lock {} holds a bend between its notches", *off + 1));
  const Hardware hardware(design);
  const StepJudge judge(problem, hardware);
  std::string objection = judge.objection(state, state);
  if (!objection.empty()) return tl::unexpected(std::move(objection));
  return state;
}

WayOut way_home(const SearchProblem& problem, const State& from, const Effort& effort) {
  SearchProblem asked = problem;
  asked.start = from;
  asked.goal = {Eigen::Vector3d::Zero(), kHomeTolerance_mm, Eigen::Vector3d::UnitZ(), kHomeCone_rad};
  RouteSearchSettings settings;
  settings.effort = effort.part(shares::kReachWork);
  RouteSearch search(asked, settings);
  WayOut direct = search.way_out(from, {});
  if (direct.whole || search.run(asked.goal) != SearchOutcome::found) return direct;
  WayOut rest = search.way_out(search.route().state_before(search.route().steps.size()), {});
  if (!rest.whole) return direct;
  WayOut out{search.route(), true};
  out.route.steps.insert(out.route.steps.end(), rest.route.steps.begin(), rest.route.steps.end());
  return out;
}

}  // namespace withy
