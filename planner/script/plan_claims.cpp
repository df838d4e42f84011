// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/plan_claims.h"

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/plan/lock_hunt.h"
#include "planner/script/replay_checks.h"
#include "planner/segment/hardware.h"

namespace withy {
namespace {

// Figures are written as the shortest decimals of doubles; another compiler may round sums of them otherwise.
constexpr double kSameFigure = 1e-6;
constexpr double kSameReserve = 1e-3;
// Farther from the wall than anything in a channel is: what stands for "unbounded" where a number is asked
// for.
constexpr double kFar_mm = 1e4;

using False = std::optional<InputError>;

/// Figures of the search, of the script or of time, which don't follow from the plan.
bool is_of_the_search(const std::string& name) {
  return name == "duration_s" || name == "clearance_slack_mm";
}

/// Figures of benches drawn by chance, which a plan that was read has none of to be held against; no page
/// repeats them.
bool is_of_the_benches(const std::string& name) {
  return name == "reserve" || name == "chance_to_fail" || name == "chance_to_fail_high" || name == "benches";
}

/// The first number that the file has otherwise than `own`.
False other_figure(const PlanFile& file, const JsonNode& claimed, const JsonNode& own) {
  const auto other = [&](const std::string& says, const std::string& is) {
    return file.json.error_at(claimed.pointer(),
                              fmt::format("this plan says {} where its states and actions give {}", says, is),
                              "plan again");
  };
  if (own.is_number()) {
    if (!claimed.is_number()) return other("nothing", fmt::format("{:g}", own.number()));
    const double difference = std::abs(claimed.number() - own.number());
    if (difference <= kSameFigure * (1.0 + std::abs(own.number()))) return std::nullopt;
    return other(fmt::format("{:g}", claimed.number()), fmt::format("{:g}", own.number()));
  }
  if (own.is_null() && claimed.is_number()) return other(fmt::format("{:g}", claimed.number()), "nothing");
  if (own.is_list()) {
    const auto theirs = claimed.is_list() ? claimed.items() : std::vector<JsonNode>();
    const auto ours = own.items();
    if (theirs.size() != ours.size())
      return other(fmt::format("{} values", theirs.size()), fmt::format("{}", ours.size()));
    for (std::size_t i = 0; i < ours.size(); ++i)
      if (False found = other_figure(file, theirs[i], ours[i])) return found;
  }
  for (const auto& [name, value] : own.members())
    if (claimed.has(name) && !is_of_the_search(name) && !(value.is_null() && is_of_the_benches(name)))
      if (False found = other_figure(file, claimed.at(name), value)) return found;
  return std::nullopt;
}

/// All figures against those of the plan as it would be written now. Plans of older versions lack some.
False other_figures(const PlanFile& file, const Plan& plan, const PlanQuestion& question) {
  Answer answer;
  answer.verdict = Verdict::reached;
  answer.locks = file.locks;
  answer.plan = plan;
  const Design& design = question.verifier.design();
  auto own = JsonFile::parse(
      write_plan({question.scene, design, answer, file.scene_file, question.required_clearance_mm}), "own");
  if (!own) return own.error();
  JsonFile claimed = file.json;
  for (const char* part : {"segment", "summary", "states", "actions"})
    if (False found = other_figure(file, claimed.root().at(part), own->root().at(part))) return found;
  return std::nullopt;
}

/// Clearances and reserves.
class BoundsJudge {
 public:
  BoundsJudge(const PlanFile& file, const Plan& plan, const PlanQuestion& question)
      : file_(file), plan_(plan), question_(question), design_(question.verifier.design()) {}

  False run() const {
    for (std::size_t i = 0; i < plan_.states.size(); ++i)
      if (!clears(plan_.states[i], plan_.states[i], plan_.states[i].clearance_mm))
        return unproved(fmt::format("/states/{}/clearance_mm", i));
    for (std::size_t k = 0; k < plan_.actions.size(); ++k)
      if (False found = check_action(plan_.actions[k], fmt::format("/actions/{}", k))) return found;
    return std::nullopt;
  }

 private:
  const State& state(int index) const { return plan_.states[static_cast<std::size_t>(index)]; }

  False unproved(const std::string& at) const {
    return file_.json.error_at(at, "this clearance can't be verified", "plan again");
  }

  False check_action(const PlannedAction& action, const std::string& at) const {
    const bool switches = action.kind == ActionKind::lock || action.kind == ActionKind::unlock;
    const State& to = state(action.to);
    State from = switches ? to : state(action.from);
    from.theta_frozen = to.theta_frozen;
    if (!clears(from, to, action.clearance_mm)) return unproved(at + "/clearance_mm");
    if (action.hunt && action.hunt->made() && !hunts(action)) return unproved(at + "/hunt/clearance_mm");
    if (!switches || !design_.field() || !action.field_reserve) return std::nullopt;
    Waypoint row;
    row.field_S = *action.field_S;
    row.current_A = action.current_A;
    const double reserve = field_reserve(design_, state(action.from), action.lock, row);
    if (*action.field_reserve <= reserve + kSameReserve) return std::nullopt;
    return file_.json.error_at(at + "/field_reserve",
                               fmt::format("this switch has a reserve of {:.3f}, and the plan says {:.3f}",
                                           reserve, *action.field_reserve),
                               "plan again");
  }

  static double wanted_mm(double claimed_mm) { return std::min(claimed_mm, kFar_mm) - kClaimSlack_mm; }

  bool clears(const State& from, const State& to, double claimed_mm) const {
    const double wanted = wanted_mm(claimed_mm);
    // Less was verified before (plan_check.h).
    if (wanted <= question_.required_clearance_mm || question_.verifier.clears(from, to, wanted)) return true;
    const ChannelDistance exact(question_.verifier.distance().exact_pointer());
    return MotionVerifier(design_, exact).compare(from, to, wanted).lower_mm >= wanted;
  }

  bool hunts(const PlannedAction& action) const {
    const double wanted = wanted_mm(action.hunt->clearance_mm);
    if (wanted <= question_.required_clearance_mm) return true;
    const Currents current_A =
        Eigen::Map<const Eigen::VectorXd>(action.current_A.data(), std::ssize(action.current_A));
    const Hardware hardware(design_);
    const Currents* const currents = design_.field() ? &current_A : nullptr;
    return judge_lock_hunt(question_.verifier, &hardware, wanted, state(action.from), action.lock, currents)
        .made();
  }

  const PlanFile& file_;
  const Plan& plan_;
  const PlanQuestion& question_;
  const Design& design_;
};

}  // namespace

False false_claim(const PlanFile& file, const Plan& plan, const PlanQuestion& question) {
  if (False found = other_figures(file, plan, question)) return found;
  return BoundsJudge(file, plan, question).run();
}

}  // namespace withy
