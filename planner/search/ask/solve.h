// SPDX-License-Identifier: GPL-3.0-or-later
// One question, one answer: does this design reach this target, by which plan, or why not.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/proof/recheck/certificate.h"
#include "planner/search/depth/target_way.h"
#include "planner/search/problem.h"
#include "planner/tolerance/errors.h"

namespace withy {

class Stander;

/// What a plan is to have most of, after it reaches.
enum class Preference {
  bench,      ///< the least chance to fail on a bench, then reserve, then clearance
  clearance,  ///< clearance
  quick       ///< the first plan will do
};

struct SolveSettings {
  /// What the whole question may take. Its clock ends all of it: the search, the searches for better plans
  /// and for reasons. Its work (RouteSearch::work) ends the complete search; what follows it (searches for
  /// wider plans, each, and for reasons, all together) gets no more, and no more than its share (shares.h).
  /// Without a clock the answer depends neither on the machine's load nor on its speed; nor does one that the
  /// clock did not cut short.
  Effort effort;
  std::uint64_t seed = 1;
  std::string planner;  ///< empty: the complete search; else the name of a stock planner (stock_planners.h)
  Preference prefer = Preference::clearance;
  /// How large a bench's errors may be: the plan then says what of them it stands. Needed by
  /// Preference::bench, which is as good as `clearance` without.
  std::optional<ErrorSizes> errors = std::nullopt;
  /// Gets the judge of the plan by these errors where one was made, and lends it to replace_plan. It holds on
  /// to the problem.
  std::shared_ptr<const Stander>* stander = nullptr;
  /// Gets a certificate of what was proved: the target unreachable, or not reached with fewer switches than
  /// the plan's. Stays empty where neither was.
  std::optional<recheck::Certificate>* certificate = nullptr;
  /// Gets why it stays empty, as half a sentence, where a certificate is asked for and the question's "no" is
  /// proved without one.
  std::string* no_certificate = nullptr;
  bool explain = true;  ///< after a proof, search for the reason
  /// After a proof, look for values that would do as well (remedies.h).
  bool remedies = false;
  /// The same question with another number of locks, for saying whether one more would help; nothing where
  /// there is none.
  std::function<std::optional<SearchProblem>(int locks)> with_locks;
  /// The question in a larger channel, for the same; nothing where there is none.
  std::function<std::optional<SearchProblem>(const SearchProblem& problem, double factor)> with_channel;
  /// The way along the channel's middle line to a point, for saying how deep the tip gets; nothing where
  /// there is none. Asked once at most, after a proof or where there is none.
  std::function<std::optional<TargetWay>(const Eigen::Vector3d& point_E)> target_way;
  std::function<void(const std::string&)> progress = [](const std::string&) {};
};

/// Names of what a problem checks and of what it can't, for lack of a section: "clearance", "latch",
/// "tendons", "field". Of a plan solve() adds kElasticChecked where the design has [elastic].
inline constexpr const char* kElasticChecked = "elastic";
void list_checked(const SearchProblem& problem, std::vector<std::string>& checked,
                  std::vector<std::string>& not_checked);

/// Gives a reached answer another plan, one that holds for the problem, and the sentence that goes with it.
void replace_plan(Answer& answer, const SearchProblem& problem, Plan plan, const SolveSettings& settings);

Answer solve(const SearchProblem& problem, const SolveSettings& settings);

}  // namespace withy
