// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/solve.h"

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cmath>
#include <functional>
#include <memory>
#include <mutex>

#include <fmt/core.h>
#include <oneapi/tbb/task_group.h>

#include "geometry/numbers/numbers.h"
#include "geometry/numbers/rounding.h"
#include "planner/effort/idle_threads.h"
#include "planner/effort/shares.h"
#include "planner/plan/figures.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/nearest_approach.h"
#include "planner/search/ask/obstacles.h"
#include "planner/search/ask/reasons.h"
#include "planner/search/ask/remedies.h"
#include "planner/search/ask/undecided.h"
#include "planner/search/ask/via_routes.h"
#include "planner/search/depth/open_part.h"
#include "planner/search/depth/tip_depth.h"
#include "planner/search/elsewhere/given_state.h"
#include "planner/search/ompl/ompl_planners.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/field.h"
#include "planner/stand/improve.h"

namespace withy {

namespace {

// Clearance steps (mm) of the looks for a wider plan: first and least.
constexpr double kWidenFirst_mm = 0.4;
constexpr double kWidenLeast_mm = 0.05;
/// A route, tidied, its hunts made where they can be, as a plan: or what stands against it.
tl::expected<Plan, PlanRefusal> tidy_plan(const StepJudge& judge, const Route& route, const Effort& effort) {
  const Route tidied = tidy(judge, route, effort);
  auto plan = make_plan(judge, clear_hunts(judge, tidied, effort));
  return plan ? std::move(plan) : make_plan(judge, tidied);
}

/// The route that the search found, as a plan: or what stands against it.
tl::expected<Plan, PlanRefusal> plan_of(const RouteSearch& search, const Effort& effort) {
  return tidy_plan(search.judge(), search.route(), effort);
}

int switches_of(const Plan& plan) {
  return static_cast<int>(std::count_if(plan.actions.begin(), plan.actions.end(), [](const PlannedAction& a) {
    return a.lock >= 0 && a.leg == Leg::in;
  }));
}

/// The plan that a search for a better one came to; nothing where it found none, or none that holds.
std::optional<Plan> better_plan(const SearchProblem& problem, const RouteSearchSettings& settings,
                                SearchOutcome& outcome) {
  RouteSearch search(problem, settings);
  outcome = search.run(problem.goal);
  if (outcome != SearchOutcome::found) return std::nullopt;
  auto plan = plan_of(search, settings.effort);
  return plan ? std::optional<Plan>(std::move(*plan)) : std::nullopt;
}

/// Replaces the plan by one with fewer switches, as long as one is found in reasonable work: the first way
/// found need not have the fewest.
/// Where a certificate is asked for it gets that of a search that proved that there is none with fewer: a
/// claim for `withy recheck` to judge, which no sentence makes.
void take_fewer_switches(const SearchProblem& problem, Plan& plan, RouteSearchSettings settings,
                         std::optional<recheck::Certificate>* certificate) {
  while (switches_of(plan) > 0 && !settings.effort.cut_short()) {
    settings.most_switches = switches_of(plan) - 1;
    RouteSearch search(problem, settings);
    const SearchOutcome outcome = search.run(problem.goal);
    if (outcome == SearchOutcome::proved_none && certificate != nullptr)
      *certificate = certify(problem, search, settings);
    if (outcome != SearchOutcome::found) return;
    auto better = plan_of(search, settings.effort);
    if (!better) return;
    plan = std::move(*better);
  }
}

/// Below what is wanted by more than the search for the greatest reserve leaves open.
constexpr double kShortReserve = 1e-4;

/// Does some switch have less reserve than the scene wants?
bool lacks_reserve(const Design& design, const Plan& plan) {
  const auto reserve = least_field_reserve(plan);
  return reserve && *reserve < reserve_wanted(design) - kShortReserve;
}

bool lacks_hunt(const Plan& plan) {
  return plan.without_hunt() != nullptr;
}

/// Has `plan` a hunt, or a reserve, that `other` lacks?
bool has_what_lacks(const Design& design, const Plan& plan, const Plan& other) {
  return (!lacks_hunt(plan) && lacks_hunt(other)) ||
         (!lacks_reserve(design, plan) && lacks_reserve(design, other));
}

/// The question whose plans have all hunts, or the reserve that is wanted, or both.
SearchProblem wishing_for(SearchProblem problem, bool hunts, bool reserve) {
  problem.hunts_wanted = hunts;
  if (reserve) problem.least_reserve = reserve_wanted(problem.design);
  return problem;
}

/// Where a plan lacks a hunt, or the reserve that is wanted, looks for one that lacks less, with as many
/// switches as that takes: both at once, else the hunts, without which nothing engages for sure, else the
/// reserve. Says which question the plan then answers, for looks that are to keep what it has.
SearchProblem take_surer_switches(const SearchProblem& problem, Plan& plan,
                                  const RouteSearchSettings& settings) {
  struct Wish {
    bool hunts, reserve;
  };
  std::vector<Wish> wishes;
  const bool no_hunt = lacks_hunt(plan);
  const bool no_reserve = lacks_reserve(problem.design, plan);
  if (no_hunt || no_reserve) wishes.push_back({true, true});  // what it has is to be kept
  if (no_hunt && no_reserve) wishes.insert(wishes.end(), {{true, false}, {false, true}});
  for (const Wish& wish : wishes) {
    if (settings.effort.cut_short()) break;
    const SearchProblem asked = wishing_for(problem, wish.hunts, wish.reserve);
    SearchOutcome outcome;
    auto better = better_plan(asked, settings, outcome);
    if (!better || has_what_lacks(problem.design, plan, *better) ||
        !has_what_lacks(problem.design, *better, plan))
      continue;
    plan = std::move(*better);
    return asked;
  }
  return problem;
}

/// Looks for a plan with a wider narrowest passage and no more switches. A hunt that can be made, or a
/// reserve that is wanted, is not given up for it. A look that finds none is followed by one for half the
/// step. So all looks up to the next that finds one are known beforehand, and are asked ahead. What follows
/// if all that are still being asked find none is looked for by whoever has found one.
class WiderLooks {
 public:
  WiderLooks(const SearchProblem& problem, Plan plan, const RouteSearchSettings& settings)
      : problem_(problem), settings_(settings), at_{std::move(plan)} {
    settings_.most_switches = switches_of(at_.plan);
  }

  Plan run() {
    for (std::vector<double> steps = steps_from(at_); !steps.empty(); steps = steps_from(at_)) {
      std::vector<Look> looks(steps.size());
      none_from_mm_ = at_.none_from_mm;
      const std::size_t found = first_yes(
          steps.size(),
          [&](std::size_t i, const auto& ended) {
            looks[i] = look(at_.plan.clearance_mm + steps[i], ended);
            note_proof(looks[i]);
            return is_better(looks[i].better);
          },
          [&](std::size_t i, const auto& ended) {
            look_beyond(after(i, steps[i], *looks[i].better), ended);
          });
      if (found == steps.size()) break;
      at_ = after(found, steps[found], std::move(*looks[found].better));
    }
    return std::move(at_.plan);
  }

 private:
  struct Look {
    double clearance_mm = 0.0;
    std::optional<Plan> better = std::nullopt;
    SearchOutcome outcome = SearchOutcome::stopped;
  };
  /// Where the looks have got to.
  struct At {
    Plan plan;
    double step_mm = kWidenFirst_mm;
    double none_from_mm = kInfinity;  ///< no look need go there
    int looks = 0;
  };

  /// Of the next looks, up to one that finds a plan.
  static std::vector<double> steps_from(const At& at) {
    std::vector<double> steps;
    if (at.looks >= shares::kWidenLooks || at.step_mm < kWidenLeast_mm ||
        !std::isfinite(at.plan.clearance_mm))
      return steps;
    steps.push_back(std::min(at.step_mm, 0.5 * (at.none_from_mm - at.plan.clearance_mm)));
    while (at.looks + std::ssize(steps) < shares::kWidenLooks && 0.5 * steps.back() >= kWidenLeast_mm)
      steps.push_back(0.5 * steps.back());
    return steps;
  }

  /// After look i, of this step, has found a plan, and those before it none as far as they have ended.
  At after(std::size_t i, double step_mm, Plan found) const {
    return {std::move(found), 2.0 * step_mm, none_from_mm_, at_.looks + static_cast<int>(i) + 1};
  }

  bool is_better(const std::optional<Plan>& other) const {
    return other && !has_what_lacks(problem_.design, at_.plan, *other) &&
           other->clearance_mm > at_.plan.clearance_mm;
  }

  Look look(double clearance_mm, const Effort::Asked& ended) {
    {
      const std::lock_guard lock(beyond_mutex_);
      if (beyond_ && beyond_->clearance_mm == clearance_mm) return *beyond_;
    }
    Look look{clearance_mm};
    if (settings_.effort.cut_short()) return look;
    RouteSearchSettings until_ended = settings_;
    until_ended.effort = settings_.effort.until_stop(ended);
    SearchProblem wider = problem_;
    wider.required_clearance_mm = clearance_mm;
    look.better = better_plan(wider, until_ended, look.outcome);
    return look;
  }

  void note_proof(const Look& look) {
    double least_mm = none_from_mm_;
    while (look.outcome == SearchOutcome::proved_none && look.clearance_mm < least_mm &&
           !none_from_mm_.compare_exchange_weak(least_mm, look.clearance_mm)) {
    }
  }

  /// The first look from there, kept for when it is asked for.
  void look_beyond(const At& there, const Effort::Asked& ended) {
    const auto steps = steps_from(there);
    if (steps.empty()) return;
    // What a look before it has proved by then changes where it is to be.
    const Effort::Asked stale = [&] { return ended() || none_from_mm_ != there.none_from_mm; };
    Look first = look(there.plan.clearance_mm + steps.front(), stale);
    if (stale() || settings_.effort.cut_short()) return;
    const std::lock_guard lock(beyond_mutex_);
    beyond_ = std::move(first);
  }

  const SearchProblem& problem_;
  RouteSearchSettings settings_;
  At at_;
  std::atomic<double> none_from_mm_{kInfinity};  // proved by the looks from at_
  std::mutex beyond_mutex_;
  std::optional<Look> beyond_;
};

std::string plural(int count, const char* word) {
  return fmt::format("{} {}{}", count, word, count == 1 ? "" : "s");
}

int locks_used(const Plan& plan) {
  LockSet used;
  for (const State& state : plan.states) used |= state.engaged;
  return static_cast<int>(used.count());
}

/// What is said of the switches' reserve; nothing where none was checked.
std::string reserve_phrase(const Design& design, const Plan& plan) {
  const auto reserve = least_field_reserve(plan);
  if (!reserve || !std::isfinite(*reserve)) return {};
  std::string phrase =
      fmt::format(", every lock switches with a reserve of at least {:.2f}", decimals_down(*reserve, 2));
  if (!lacks_reserve(design, plan)) return phrase;
  const auto least = std::find_if(plan.actions.begin(), plan.actions.end(),
                                  [&](const PlannedAction& a) { return a.field_reserve == reserve; });
  phrase +=
      fmt::format(" ({:.2f} wanted: no allowed currents {} lock {} with more there)", reserve_wanted(design),
                  least->kind == ActionKind::lock ? "engage" : "release", least->lock + 1);
  return phrase;
}

std::string reached_sentence(const SearchProblem& problem, const Plan& plan) {
  const double error = problem.goal.distance(plan.states[static_cast<std::size_t>(plan.reached_state)].tip_E);
  const auto in = std::count_if(plan.actions.begin(), plan.actions.end(),
                                [](const PlannedAction& a) { return a.leg == Leg::in; });
  const auto out = std::ssize(plan.actions) - in;
  const std::string back = out == in ? "as many" : std::to_string(out);
  const std::string clearance = std::isfinite(plan.clearance_mm)
                                    ? fmt::format("clearance at least {:.2f} mm", plan.clearance_mm)
                                    : "never inside the channel";
  return fmt::format("the tip comes within {:.2f} mm of the target with {}, {} in and {} back out, {}{}",
                     error, plural(locks_used(plan), "lock"), plural(static_cast<int>(in), "action"), back,
                     clearance, reserve_phrase(problem.design, plan));
}

}  // namespace

void list_checked(const SearchProblem& problem, std::vector<std::string>& checked,
                  std::vector<std::string>& not_checked) {
  const Design& design = problem.design;
  const bool locks = design.lock_count() > 0;
  (problem.heeded.clearance ? checked : not_checked).emplace_back("clearance");
  // Without locks there is nothing for latch and field to hold or to switch.
  (problem.heeded.latch && (design.latch() || !locks) ? checked : not_checked).emplace_back("latch");
  (problem.heeded.tendons && design.tendons() ? checked : not_checked).emplace_back("tendons");
  (problem.heeded.field && (design.field() || !locks) ? checked : not_checked).emplace_back("field");
}

namespace {

/// What a proof rests on.
std::string what_proves(const RouteSearch& search) {
  if (const auto said = said_by(search.proof())) return std::string(*said);
  const bool by_spans = search.proof() == ProofKind::no_switch_in;
  return fmt::format("{} cells proved{}", by_spans ? search.span_looks() : search.checks(),
                     search.switchless() ? ", the field never switches a lock" : "");
}

/// Where the locks sit, for a proof that is about that layout alone.
std::string layout_phrase(const Design& design) {
  if (design.lock_count() == 0) return {};
  const auto listed = [](const std::vector<double>& values, double factor) {
    std::string text;
    for (const double value : values)
      text += fmt::format("{}{:.4g}", text.empty() ? "" : ", ", factor * value);
    return text;
  };
  return fmt::format(
      " with {} at {} mm, clocked by {} degrees", design.lock_count() == 1 ? "its lock" : "its locks",
      listed(design.layout().station_mm, 1.0), listed(design.layout().clock_rad, kDegreesPerRadian));
}

/// What stands in the way, to be said once it is known which value would do.
struct Hindrance {
  std::string obstacle;  ///< empty: none
  std::optional<Reason> reason;
  Effort::End ended = Effort::End::nothing;  ///< what cut the look for a reason short

  std::string sentence(const Remedies& remedies) const {
    if (!obstacle.empty()) return obstacle;
    if (reason) return has_better_value(remedies) ? reason->without_value : reason->sentence;
    if (ended == Effort::End::clock)
      return "the search for a reason was cut short by the clock: a larger --budget gives it more time";
    if (ended != Effort::End::nothing) return "the search for a reason was cut short";
    return "no single limit was found whose relaxation alone would change that";
  }

 private:
  /// What would do is looked for in smaller steps: one figure is enough.
  bool has_better_value(const Remedies& remedies) const {
    return (reason->relaxed == Relaxation::clearance && remedies.has_alone(SizeChange::clearance)) ||
           (reason->relaxed == Relaxation::curvature && remedies.has_alone(SizeChange::bend_radius));
  }
};

/// The reason, where the route of a relaxed question comes to a stop, and how deep the tip gets. What depends
/// on nothing that is found before may be worked out ahead (idle_threads.h).
class StopLook {
 public:
  /// All must outlive it; `work` is what the question took.
  StopLook(const SearchProblem& problem, std::size_t place, const SolveSettings& settings, std::int64_t work)
      : settings_(settings),
        work_(work),
        there_(about_place(problem, place)),
        at_via_(place < problem.vias.size()),
        obstacles_(target_obstacles(there_.design, there_.goal, there_.required_clearance_mm,
                                    there_.distance->exact(), at_via_ ? "the place" : "the target")),
        reason_(problem, place, settings.effort.part(shares::kReasonsWork), settings.with_locks),
        way_([this] { return way(); }),
        wider_([this] { return wider(); }) {}

  /// Works ahead of run(), from another thread. What is needed in any case comes first.
  void help() {
    if (!way_begun_.exchange(true)) way_.get();
    if (obstacles_.empty()) reason_.help();
    if (wider_is_wanted_ && !wider_begun_.exchange(true)) wider_.get();
  }

  /// Once. What is known of the nearest state and the depth goes into the answer.
  Hindrance run(Answer& answer) {
    Hindrance found;
    if (!obstacles_.empty())
      found.obstacle = obstacles_.front();
    else
      found.reason = reason_.run();
    if (!found.reason) found.ended = settings_.effort.end();
    if (found.reason && found.reason->approach) answer.approach = found.reason->approach;
    // A route that leaves a limit out may stop far from where a plan to a wider target gets. Where that
    // plan's end is not nearer by half the look for the depth begins better at the route's.
    constexpr double kNear = 2.0;
    std::optional<Approach> wider;
    wider_is_wanted_ = !answer.approach || answer.approach->distance_mm > kNear * there_.goal.tolerance_mm;
    if (wider_is_wanted_) wider = wider_.get();
    if (wider && !obstacles_.empty()) wider->blocked_by = obstacles_.front();
    const auto nearer_than_answer = [&](double times) {
      return wider && (!answer.approach || nearer_than(there_, *wider, times, *answer.approach));
    };
    if (nearer_than_answer(kNear)) answer.approach = wider;
    find_depth(answer);
    if (nearer_than_answer(1.0)) answer.approach = std::move(wider);
    if (answer.depth && at_via_) answer.depth->what = "the place";
    return found;
  }

 private:
  std::optional<TargetWay> way() const {
    if (!settings_.target_way || settings_.effort.cut_short()) return std::nullopt;
    return settings_.target_way(there_.goal.point_E);
  }

  std::optional<Approach> wider() const {
    const Effort effort = settings_.effort.part(shares::kApproachWork);
    return approach_with_tolerance(there_, effort.until_stop([this] { return !wider_is_wanted_; }));
  }

  /// Where the tip comes to a stop.
  void find_depth(Answer& answer) {
    if (!settings_.target_way || settings_.effort.cut_short()) return;
    const auto& way = way_.get();
    if (!way) return;
    answer.depth =
        find_tip_depth(there_, *way, settings_.effort.part(tip_depth_work(work_)), answer.approach);
  }

  const SolveSettings& settings_;
  const std::int64_t work_;
  const SearchProblem there_;
  const bool at_via_;
  const std::vector<std::string> obstacles_;
  ReasonLook reason_;
  Ahead<std::optional<TargetWay>> way_;
  Ahead<std::optional<Approach>> wider_;
  std::atomic<bool> way_begun_{false};
  std::atomic<bool> wider_begun_{false};
  std::atomic<bool> wider_is_wanted_{true};
};

Remedies what_would_do(const SearchProblem& problem, std::size_t place, const SolveSettings& settings) {
  return find_remedies(problem, place, settings.effort.part(shares::kRemediesWork), settings.with_locks,
                       settings.with_channel);
}

/// Why a proof has no certificate.
void leave_certificate_out(const SolveSettings& settings, std::string why) {
  if (settings.certificate != nullptr && settings.no_certificate != nullptr)
    *settings.no_certificate = std::move(why);
}

/// After a proof that a place, on the way or the target, can't be reached from the usual start.
void certify_answer(const SearchProblem& problem, std::size_t place, const SolveSettings& settings,
                    const RouteSearch& search, const RouteSearchSettings& how) {
  if (settings.certificate == nullptr) return;
  *settings.certificate = certify_any_proof(about_place(problem, place), search, how);
  if (*settings.certificate) {
    if (place < problem.vias.size()) (*settings.certificate)->header.via = place;
    return;
  }
  const char* proves =
      is_by_tip(search.proof()) ? "the tip alone proves it" : "that no field switches a lock proves it";
  leave_certificate_out(settings,
                        fmt::format("{}, and the cells of a certificate do not within the time", proves));
}

/// The same, but of the time that is left no more than this share.
Effort with_share_of_time_left(const Effort& effort, double share) {
  const double given = effort.seconds().value_or(0.0);
  return given > 0.0 ? effort.with_share_of_time(share * effort.seconds_left() / given) : effort;
}

/// What stops it and what would do don't ask one another: all threads work at both. They share the time that
/// is left; work ends them where there is enough of it.
void look_both_ways(Answer& answer, const SearchProblem& problem, std::size_t place,
                    const SolveSettings& settings, std::int64_t work) {
  SolveSettings looks = settings;
  looks.effort = with_share_of_time_left(settings.effort, shares::kLooksShareOfTimeLeft);
  SolveSettings first = looks;
  const bool in_turn = settings.remedies && !has_other_threads();
  if (in_turn) first.effort = with_share_of_time_left(looks.effort, shares::kFirstLookShareOfTimeLeft);
  StopLook stop_look(problem, place, first, work);
  Hindrance hindrance;
  Remedies remedies;
  tbb::task_group would_do;
  with_idle_threads([&] { stop_look.help(); },
                    [&] {
                      if (settings.remedies && !in_turn)
                        would_do.run([&] { remedies = what_would_do(problem, place, looks); });
                      hindrance = stop_look.run(answer);
                    });
  would_do.wait();
  if (in_turn) remedies = what_would_do(problem, place, looks);
  answer.why += "; " + hindrance.sentence(remedies);
  if (settings.remedies) answer.remedies = remedies.sentences();
}

/// After a proof, which is about a place to pass or the target (via_routes.h).
void explain_unreachable(Answer& answer, const SearchProblem& problem, std::size_t place,
                         const SolveSettings& settings, const RouteSearch& search) {
  const bool any_layout = said_by(search.proof()).has_value();
  answer.why =
      fmt::format("no sequence of actions brings the tip{} within {:.4g} mm of {}{} ({})",
                  problem.start == start_state() ? "" : " from the state that was given",
                  goal_at(problem, place).tolerance_mm, place < problem.vias.size() ? "it" : "the target",
                  any_layout ? "" : layout_phrase(problem.design), what_proves(search));
  if (!settings.explain) return;
  settings.progress(settings.remedies ? "looking for the reason and for what would do"
                                      : "looking for the reason");
  look_both_ways(answer, problem, place, settings, search.work());
}

void fill_plan(Answer& answer, const SearchProblem& problem, Plan plan) {
  answer.verdict = Verdict::reached;
  answer.why = reached_sentence(problem, plan);
  if (const PlannedAction* action = plan.without_hunt())
    answer.why +=
        fmt::format("; reserve 0: the hunt at lock {} {}", action->lock + 1, action->hunt->objection);
  if (!plan.via_states.empty())
    answer.why +=
        fmt::format("; it passes {} on the way", plural(static_cast<int>(plan.via_states.size()), "place"));
  answer.plan = std::move(plan);
}

/// A way was found, and is none when looked at closely: no plan, and no proof either.
void fill_refused(Answer& answer, const PlanRefusal& refusal) {
  answer.verdict = Verdict::undecided;
  answer.why =
      fmt::format("neither a plan nor a proof: the route that was found does not hold when verified: {}",
                  refusal.sentence);
}

/// The judge by the errors that were given, of which there are some.
std::shared_ptr<const Stander> judge_of_benches(const SearchProblem& problem, const SolveSettings& settings) {
  if (settings.stander != nullptr && *settings.stander) return *settings.stander;
  auto made = std::make_shared<Stander>(problem, *settings.errors);
  made->end_with(settings.effort);
  if (settings.stander != nullptr) *settings.stander = made;
  return made;
}

/// The plan with its standing, where that was asked for and is not known yet.
Plan stood(const SearchProblem& problem, Plan plan, const SolveSettings& settings) {
  if (settings.errors && !plan.standing) plan.standing = judge_of_benches(problem, settings)->judge(plan);
  return plan;
}

/// A stock planner's answer: a plan or nothing; never a proof.
void solve_by_stock(Answer& answer, const SearchProblem& problem, const SolveSettings& settings) {
  answer.coverage = Coverage{};
  if (!problem.vias.empty()) {
    answer.verdict = Verdict::undecided;
    answer.why = "a stock planner is not asked for places to pass on the way";
    return;
  }
  const OmplProblem ompl(problem);
  const auto route = route_by_stock_planner(settings.planner, ompl, settings.effort, settings.seed);
  if (!route) {
    answer.verdict = Verdict::undecided;
    answer.why = fmt::format("the planner {} found no plan in {:g} s, which proves nothing", settings.planner,
                             settings.effort.seconds().value_or(kInfinity));
    return;
  }
  auto plan = tidy_plan(ompl.judge(), *route, settings.effort);
  if (!plan) return fill_refused(answer, plan.error());
  answer.coverage.reset();
  fill_plan(answer, problem, stood(problem, std::move(*plan), settings));
}

/// The plan of a route that begins in a state that was given: on to the target, back there, and home.
tl::expected<Plan, PlanRefusal> plan_from_elsewhere(const SearchProblem& problem, const RouteSearch& search,
                                                    const Effort& effort) {
  const WayOut home = way_home(problem, problem.start, effort);
  if (!home.whole)
    return tl::unexpected(PlanRefusal{PlanFault::ends, -1,
                                      "the target is reached, but no way back out to the start was found"});
  const StepJudge& judge = search.judge();
  return make_plan(judge, tidy(judge, search.route(), effort), tidy(judge, home.route, effort));
}

/// Fewer benches than this share are not worth another search.
constexpr double kFewFail = 0.005;
/// What of the target's tolerance and of the greatest tension a plan with some to spare may take.
constexpr double kSpareTolerance = 0.3;
constexpr double kSpareTension = 0.92;

/// A plan that ends nearer to the middle of the tolerance, with less tension, than it need; nothing where
/// none is found. It is one of the question as it was asked, and verified as such.
std::optional<Plan> plan_with_spare(const SearchProblem& problem, const StepJudge& judge,
                                    const RouteSearchSettings& settings) {
  SearchProblem asked = problem;
  asked.goal.tolerance_mm *= kSpareTolerance;
  asked.goal.direction_tolerance_rad *= kSpareTolerance;
  DesignParts parts = problem.design.parts();
  if (parts.tendons)
    parts.tendons->tension_max_N =
        std::max(parts.tendons->tension_min_N, kSpareTension * parts.tendons->tension_max_N);
  auto design = Design::make(std::move(parts));
  if (!design) return std::nullopt;
  asked.design = std::move(*design);
  RouteSearch search(asked, settings);
  if (search.run(asked.goal) != SearchOutcome::found) return std::nullopt;
  auto plan = tidy_plan(judge, search.route(), settings.effort);
  return plan ? std::optional<Plan>(std::move(*plan)) : std::nullopt;
}

/// A plan, and what benches say of it: those that plans are compared by, and all, where they were asked.
struct Contender {
  Plan plan;
  Standing by_few;
  std::optional<Standing> by_all = std::nullopt;
};

/// The plan that stands most of those that are come to from `plan`: by itself, by one with some to spare of
/// what benches fail of, and by a wider one.
Plan most_standing(const SearchProblem& asked, Plan plan, const Stander& stander, const StepJudge& judge,
                   const RouteSearchSettings& settings, const std::function<Plan(Plan)>& wider) {
  const auto stood = [&](Plan other) {
    other = made_to_stand(judge, stander, std::move(other), settings.effort);
    Standing by_few = stander.chance(other, shares::kRankDraws);
    return Contender{std::move(other), std::move(by_few)};
  };
  const auto by_all = [&](Contender& one) {
    if (!one.by_all) one.by_all = stander.judge(one.plan);
    return *one.by_all;
  };
  Contender best = stood(plan);
  const auto enough = [&](const BenchCount& count) {
    return count.benches >= kFewFail * best.by_few.draws && !settings.effort.cut_short();
  };
  const auto take = [&](Plan another) {
    Contender other = stood(std::move(another));
    // Where so few benches don't tell them apart, all of them and the reserve do.
    const bool alike = other.by_few.fails.benches == best.by_few.fails.benches;
    for (Contender* one : {&best, &other}) one->plan.standing = alike ? by_all(*one) : one->by_few;
    if (stands_more(other.plan, best.plan)) best = std::move(other);
  };
  if (enough(best.by_few.misses) || enough(best.by_few.overloads))
    if (auto spared = plan_with_spare(asked, judge, settings)) take(std::move(*spared));
  if (enough(best.by_few.touches)) take(wider(std::move(plan)));
  best.plan.standing = by_all(best);
  return std::move(best.plan);
}

/// The plan, or a better one that is found in reasonable work.
Plan improved(const SearchProblem& problem, Plan plan, const SolveSettings& settings,
              const RouteSearch& first) {
  if (settings.prefer == Preference::quick) return plan;
  settings.progress("looking for a better route");
  RouteSearchSettings search_settings;
  search_settings.effort =
      settings.effort.part(std::clamp(first.work(), shares::kWidenFloor, shares::kWidenCeiling));
  take_fewer_switches(problem, plan, search_settings, settings.certificate);
  const int fewest = switches_of(plan);
  RouteSearchSettings surer_settings;
  surer_settings.effort = settings.effort.part(shares::kSurerWork);
  const SearchProblem asked = take_surer_switches(problem, plan, surer_settings);
  // What was proved is that fewer switches than those do not reach.
  if (settings.certificate != nullptr && switches_of(plan) > fewest) settings.certificate->reset();
  const auto wider = [&](Plan narrow) { return WiderLooks(asked, std::move(narrow), search_settings).run(); };
  if (settings.prefer != Preference::bench || !settings.errors) return wider(std::move(plan));
  settings.progress("trying benches");
  const auto stander = judge_of_benches(problem, settings);
  return most_standing(asked, std::move(plan), *stander, first.judge(), search_settings, wider);
}

double seconds_since(Effort::Clock::time_point since) {
  return std::chrono::duration<double>(Effort::Clock::now() - since).count();
}

/// Of a question with places to pass. Where one can't be reached, the depth is that of the place; the reason
/// and what would do are asked of the whole question.
void solve_by_vias(Answer& answer, const SearchProblem& problem, const SolveSettings& settings,
                   Effort::Clock::time_point since) {
  RouteSearchSettings search_settings;
  search_settings.effort = settings.effort;
  search_settings.relaxations = search_settings.spans = true;
  RouteSearch search(problem, search_settings);
  const ViaRoute by = route_by_vias(problem, search);
  answer.seconds = seconds_since(since);
  const bool at_via = by.place < problem.vias.size();
  if (by.outcome == SearchOutcome::found) {
    auto plan = make_plan(search.judge(), by.route);
    if (!plan) {
      answer.coverage = search.coverage();
      return fill_refused(answer, plan.error());
    }
    plan->via_states = by.via_states;
    return fill_plan(answer, problem, stood(problem, std::move(*plan), settings));
  }
  answer.coverage = search.coverage();
  answer.approach = search.best_approach();
  const auto name_place = [&] {
    if (answer.approach) answer.approach->from = place_words(problem, by.place);
  };
  name_place();
  if (by.outcome == SearchOutcome::proved_none) {
    answer.verdict = Verdict::unreachable;
    certify_answer(problem, by.place, settings, search, search_settings);
    explain_unreachable(answer, problem, by.place, settings, search);
  } else {
    answer.verdict = Verdict::undecided;
    const SearchProblem there = about_place(problem, by.place);
    answer.why = undecided_sentence(there, settings.effort, *answer.coverage, answer.approach);
    answer.would_decide = what_would_decide(there, settings.effort, search, answer.seconds);
  }
  if (!at_via) return;
  answer.why = fmt::format("{}: {}", place_words(problem, by.place), answer.why);
  name_place();
}

void solve_completely(Answer& answer, const SearchProblem& problem, const SolveSettings& settings,
                      Effort::Clock::time_point since) {
  RouteSearchSettings search_settings;
  search_settings.effort = settings.effort;
  search_settings.relaxations = problem.start == start_state();  // they prove of ways from there
  search_settings.spans = true;
  RouteSearch search(problem, search_settings);
  const SearchOutcome outcome = search.run(problem.goal);
  if (outcome == SearchOutcome::found) {
    const bool elsewhere = !(problem.start == start_state());
    auto plan =
        elsewhere ? plan_from_elsewhere(problem, search, settings.effort) : plan_of(search, settings.effort);
    answer.seconds = seconds_since(since);
    if (plan && elsewhere) return fill_plan(answer, problem, stood(problem, std::move(*plan), settings));
    if (plan) {
      Plan better = improved(problem, std::move(*plan), settings, search);
      fill_plan(answer, problem, stood(problem, std::move(better), settings));
      if (settings.prefer != Preference::quick && settings.effort.cut_short())
        answer.why += "; the search for a better plan was cut short";
      return;
    }
    answer.coverage = search.coverage();
    return fill_refused(answer, plan.error());
  }
  answer.seconds = seconds_since(since);
  answer.coverage = search.coverage();
  answer.approach = search.best_approach();
  if (outcome == SearchOutcome::proved_none) {
    answer.verdict = Verdict::unreachable;
    if (problem.start == start_state())
      certify_answer(problem, problem.vias.size(), settings, search, search_settings);
    else
      leave_certificate_out(settings, "a proof from a given state has no certificate");
    explain_unreachable(answer, problem, problem.vias.size(), settings, search);
  } else {
    answer.verdict = Verdict::undecided;
    answer.why = undecided_sentence(problem, settings.effort, *answer.coverage, answer.approach);
    answer.would_decide = what_would_decide(problem, settings.effort, search, answer.seconds);
    if (const auto way = settings.target_way ? settings.target_way(problem.goal.point_E) : std::nullopt)
      answer.open = open_part_of(search, problem.design, *way);
  }
}

void add_figures(const SearchProblem& problem, PlannedState& state) {
  state.clearance_mm = MotionVerifier(problem.design, *problem.distance).clearance(state).lower_mm;
  work_out_figures(Hardware(problem.design), state);
}

}  // namespace

void replace_plan(Answer& answer, const SearchProblem& problem, Plan plan, const SolveSettings& settings) {
  fill_plan(answer, problem, stood(problem, std::move(plan), settings));
}

Answer solve(const SearchProblem& problem, const SolveSettings& settings) {
  const auto since = Effort::Clock::now();
  Answer answer;
  answer.locks = problem.design.lock_count();
  answer.seed = settings.seed;
  list_checked(problem, answer.checked, answer.not_checked);
  settings.progress("searching");
  if (!problem.vias.empty() && settings.planner.empty()) {
    solve_by_vias(answer, problem, settings, since);
  } else if (settings.planner.empty()) {
    solve_completely(answer, problem, settings, since);
  } else {
    solve_by_stock(answer, problem, settings);
    answer.seconds = seconds_since(since);
  }
  // Plans are searched with the ideal segment.
  if (answer.plan && problem.design.elastic()) answer.not_checked.emplace_back(kElasticChecked);
  if (answer.approach) add_figures(problem, answer.approach->state);
  answer.seconds_after = seconds_since(since) - answer.seconds;
  return answer;
}

}  // namespace withy
