// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/stand/hunt_advice.h"

#include <utility>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/search/route/make_plan.h"
#include "planner/stand/improve.h"
#include "planner/stand/standing.h"
#include "planner/tolerance/proved_hardware.h"

namespace withy {
namespace {

/// The question with a hunt of another radius; nothing where the latch does not allow it.
std::optional<SearchProblem> with_hunt(const SearchProblem& problem, double radius_mm) {
  DesignParts parts = problem.design.parts();
  parts.latch->hunt_mm = radius_mm;
  auto design = Design::make(std::move(parts));
  if (!design) return std::nullopt;
  SearchProblem changed = problem;
  changed.design = std::move(*design);
  return changed;
}

/// The same way's plan with a hunt of that radius.
struct Tried {
  SearchProblem problem;
  Plan plan;
  double radius_mm;
  bool covers_errors;
};

/// Nothing where a hunt is still missing.
std::optional<Tried> tried(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes,
                           double radius_mm) {
  auto changed = with_hunt(problem, radius_mm);
  if (!changed) return std::nullopt;
  const Hardware hardware(changed->design);
  const StepJudge judge(*changed, hardware);
  auto made = make_plan(judge, way_in(plan));
  if (!made || made->without_hunt() != nullptr) return std::nullopt;
  const bool covers = !ProvedHardware(hardware, *made).not_engaging(sizes);
  return Tried{std::move(*changed), std::move(*made), radius_mm, covers};
}

}  // namespace

std::string SmallerHunt::sentence() const {
  return fmt::format(
      "latch.hunt_mm {:.4g} instead of {:.4g}: the same way can then be hunted at every lock{}; its plan "
      "fails "
      "on at most {:.2f} % of benches, reserve {:.2f}",
      radius_mm, instead_of_mm,
      covers_errors ? ", and every lock is proved to engage with the usual errors" : "",
      100.0 * standing.fails.high, standing.reserve);
}

std::optional<SmallerHunt> find_smaller_hunt(const SearchProblem& problem, const Plan& plan,
                                             const ErrorSizes& sizes, const Effort& effort) {
  if (plan.without_hunt() == nullptr || plan.from_elsewhere || !plan.via_states.empty()) return std::nullopt;
  const double scenes_mm = problem.design.latch()->hunt_mm;
  std::optional<Tried> best;
  for (int part = 1; part < shares::kHuntAdviceParts && !effort.cut_short() && !(best && best->covers_errors);
       ++part)
    if (auto hunt = tried(problem, plan, sizes, scenes_mm * part / shares::kHuntAdviceParts))
      best.emplace(std::move(*hunt));
  if (!best || effort.cut_short()) return std::nullopt;
  Stander stander(best->problem, sizes);
  stander.end_with(effort);
  const Standing standing = stander.judge(best->plan);
  if (effort.cut_short()) return std::nullopt;
  return SmallerHunt{best->radius_mm, scenes_mm, best->covers_errors, standing};
}

}  // namespace withy
