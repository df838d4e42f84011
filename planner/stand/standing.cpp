// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/stand/standing.h"

#include <algorithm>
#include <chrono>
#include <functional>
#include <random>

#include <fmt/core.h>
#include <oneapi/tbb/parallel_for.h>
#include <oneapi/tbb/task_arena.h>

#include "planner/effort/shares.h"
#include "planner/tolerance/bench_contact.h"
#include "planner/tolerance/bench_hardware.h"
#include "planner/tolerance/proved_hardware.h"
#include "planner/tolerance/statistics.h"
#include "planner/tolerance/worst_case.h"

namespace withy {
namespace {

// The ladder (planner/stand/standing.h).
constexpr double kFineStep = 0.05;
constexpr int kFineSteps = 20;
constexpr double kCoarseFactor = 1.1;
constexpr double kMostReserve = 10.0;
// Benches between two questions to the Effort take about so long at most (s): a few milliseconds each where
// friction locks keep what errors had bent.
constexpr double kBatchSeconds = 0.05;

/// Errors x times as large; what friction locks freeze of elastic slides, given as backlash, is not scaled.
ErrorSizes times(double x, ErrorSizes sizes, double frozen_mm = 0.0) {
  for (double& most : sizes.most) most *= x;
  sizes[ErrorKind::backlash] += frozen_mm;
  return sizes;
}

/// The most that a friction lock freezes of an elastic slide.
double frozen_slide_mm(const Design& design, const Plan& plan, const ElasticSlides& slides) {
  double most = 0.0;
  if (!holds_by_friction(design)) return most;
  for (const PlannedSwitch& planned : switches_in(design, plan, slides))
    most = std::max(most, planned.elastic.bend_mm.norm());
  return most;
}

/// How many benches to run before the next question to the Effort, `done` of them since then. No figure
/// depends on it.
std::size_t next_batch(std::size_t done, Effort::Clock::time_point since) {
  if (done == 0) return shares::kRankBatch;
  const double each_s =
      std::chrono::duration<double>(Effort::Clock::now() - since).count() / static_cast<double>(done);
  if (each_s * static_cast<double>(shares::kChanceBatch) <= kBatchSeconds) return shares::kChanceBatch;
  return std::max<std::size_t>(1, static_cast<std::size_t>(kBatchSeconds / each_s));
}

/// One thing that a plan has to stand: what is not proved under errors of these sizes, or nothing.
using Test = std::function<std::optional<std::string>(const ErrorSizes&)>;

std::optional<std::string> unless(bool proved, const char* what) {
  return proved ? std::nullopt : std::optional<std::string>(what);
}

std::string may_touch(const PlannedMotion& motion) {
  return fmt::format("{} may touch the wall{}",
                     motion.sweep ? fmt::format("the hunt at lock {}", motion.sweep->lock + 1) : "the body",
                     motion.in_front ? " at the rim of the entry" : "");
}

/// `touching`: what may touch the wall under errors of these sizes. All that is handed over must outlive the
/// tests.
std::vector<Test> tests_of(const SearchProblem& problem, const WorstCase& tip, const ProvedHardware& hardware,
                           const Test& touching) {
  const Goal& goal = problem.goal;
  return {[&](const ErrorSizes& e) {
            return unless(tip.tip_error(e) <= goal.tolerance_mm, "the tip may miss the target");
          },
          [&](const ErrorSizes& e) {
            return unless(tip.direction_error(e) <= goal.direction_tolerance_rad || !goal.direction_E,
                          "the tip may point elsewhere than the target asks");
          },
          [&](const ErrorSizes& e) { return hardware.not_engaging(e); },
          [&](const ErrorSizes& e) { return hardware.not_switching(e); },
          [&](const ErrorSizes& e) { return hardware.not_within_limits(e); },
          touching};
}

/// How many steps of the ladder, `most` at most, the test passes: by bisection, for what holds at one step
/// holds below it.
std::size_t steps_passed(const Test& test, const ErrorSizes& sizes, double frozen_mm, std::size_t most) {
  const auto& ladder = reserve_ladder();
  const auto passes = [&](std::size_t steps) { return !test(times(ladder[steps - 1], sizes, frozen_mm)); };
  if (most == 0 || passes(most)) return most;
  std::size_t low = 0;
  std::size_t high = most;
  while (high - low > 1) {
    const std::size_t middle = (low + high) / 2;
    (passes(middle) ? low : high) = middle;
  }
  return low;
}

/// The effort with some time more by the clock, which nothing but an interruption ends before.
Effort with_time_beyond(const Effort& effort, double seconds) {
  return Effort::of_seconds(effort.seconds_left() + seconds).until_interrupted([effort] {
    return effort.end() == Effort::End::interrupted;
  });
}

BenchCount count_of(int benches, int draws) {
  const ProbabilityInterval interval = clopper_pearson(benches, draws);
  return {benches, interval.low, interval.high};
}

/// Do two motions take the body through the same states?
bool same(const PlannedMotion& a, const PlannedMotion& b) {
  if (!(a.from == b.from) || !(a.to == b.to) || a.sweep.has_value() != b.sweep.has_value()) return false;
  return !a.sweep || a.sweep->corners == b.sweep->corners;
}

/// Does most_lock_bend hold of this plan?
bool errors_bounded(const Design& design, const Plan& plan) {
  if (!holds_by_friction(design) || design.carriage().kind == CarriageKind::guide) return true;
  const auto engagements = std::count_if(plan.actions.begin(), plan.actions.end(),
                                         [](const PlannedAction& a) { return a.kind == ActionKind::lock; });
  return engagements <= most_friction_engagements(design);
}

/// What happened on one bench.
struct Outcome {
  bool touches = false;
  bool misses = false;
  bool disengaged = false;
  bool overloads = false;
  bool fails() const { return touches || misses || disengaged || overloads; }
};

}  // namespace

const std::vector<double>& reserve_ladder() {
  static const std::vector<double> ladder = [] {
    std::vector<double> steps;
    for (int k = 1; k <= kFineSteps; ++k) steps.push_back(kFineStep * k);
    for (double x = kCoarseFactor; x <= kMostReserve; x *= kCoarseFactor) steps.push_back(x);
    return steps;
  }();
  return ladder;
}

/// One plan on one bench after another: what is proved under errors of the whole size is not asked.
class Stander::OnBenches {
 public:
  OnBenches(const Stander& stander, const Plan& plan, const std::vector<KnownMotion*>& motions,
            const ElasticSlides& slides)
      : stander_(stander),
        motions_(motions),
        reached_(plan.states[static_cast<std::size_t>(plan.reached_state)]),
        hardware_(stander.hardware_, plan, slides),
        // What is known of motions is known under errors without what friction locks freeze of slides.
        bounded_(errors_bounded(stander.problem_.design, plan) &&
                 frozen_slide_mm(stander.problem_.design, plan, slides) == 0.0),
        engages_(!hardware_.not_engaging(stander.sizes_)),
        switches_(bounded_ && !hardware_.not_switching_as_planned(stander.sizes_)),
        limits_(bounded_ && !hardware_.motions_not_within_limits(stander.sizes_)),
        swept_limits_(bounded_ && !hardware_.sweeps_not_within_limits(stander.sizes_)) {}

  /// All that happens on a bench, or (`touches_too`: no) all but whether the body touches where something
  /// else fails already.
  Outcome run(const ErrorDraw& errors, bool touches_too) const {
    const Design& design = stander_.problem_.design;
    if (!holds_by_friction(design)) return run_with(errors, touches_too);
    Outcome out;
    for (const ErrorDraw& frozen : with_frozen_errors(design, hardware_.switches(), errors,
                                                      stander_.centre_E_, stander_.bend_per_pull_)) {
      const Outcome now = run_with(frozen, touches_too);
      out.touches = out.touches || now.touches;
      out.misses = out.misses || now.misses;
      out.disengaged = out.disengaged || now.disengaged;
      out.overloads = out.overloads || now.overloads;
    }
    return out;
  }

 private:
  /// The same with what friction locks froze.
  Outcome run_with(const ErrorDraw& errors, bool touches_too) const {
    const SearchProblem& problem = stander_.problem_;
    const Bench bench(problem.design, errors, stander_.centre_E_, stander_.bend_per_pull_);
    const BenchHardware on_bench(stander_.hardware_, bench);
    const auto& switches = hardware_.switches();
    const auto within = [&](const State& state) { return on_bench.keeps_limits(state); };
    const auto& states = hardware_.states();
    const auto& rims = hardware_.rims();
    Outcome out;
    out.misses = !bench.hits(reached_, problem.goal);
    out.disengaged = !engages_ && !std::all_of(switches.begin(), switches.end(),
                                               [&](const auto& s) { return on_bench.engages(s); });
    out.overloads = (!switches_ && !std::all_of(switches.begin(), switches.end(),
                                                [&](const auto& s) { return on_bench.switches(s); })) ||
                    (!limits_ && !std::all_of(states.begin(), states.end(), within)) ||
                    (!swept_limits_ && !std::all_of(rims.begin(), rims.end(), within));
    if (touches_too || !out.fails()) out.touches = touches(bench);
    return out;
  }

  bool touches(const Bench& bench) const {
    const ChannelDistance& distance = *stander_.problem_.distance;
    return std::any_of(motions_.begin(), motions_.end(), [&](const KnownMotion* known) {
      if (!bounded_) return bench.contact(known->motion, distance) != Contact::clear;
      if (!known->doubtful) return false;
      const auto cells = known->worst->doubtful_on(*known->doubtful, bench.errors());
      if (!cells) return bench.contact(known->motion, distance) != Contact::clear;
      return !cells_keep_clear(bench, known->motion, known->doubtful->parts, *cells, distance);
    });
  }

  const Stander& stander_;
  const std::vector<KnownMotion*>& motions_;
  const State& reached_;
  ProvedHardware hardware_;
  bool bounded_;
  bool engages_;
  bool switches_;
  bool limits_;
  bool swept_limits_;
};

Stander::Stander(const SearchProblem& problem, const ErrorSizes& sizes, int draws, std::uint64_t seed)
    : problem_(problem),
      hardware_(problem.design),
      sizes_(sizes),
      centre_E_(middle_of(problem.distance->exact().channel())),
      bend_per_pull_(bend_from_pulls(problem.design)),
      triangles_(std::make_shared<const WallTriangles>(problem.distance->exact().channel())),
      seed_(seed),
      draws_(static_cast<std::size_t>(draws)) {
  draw();
}

void Stander::draw() {
  std::mt19937_64 generator(seed_);
  for (ErrorDraw& errors : draws_) errors = draw_errors(problem_.design, sizes_, generator);
}

void Stander::end_with(const Effort& effort) {
  effort_ = effort;
  figures_effort_ = with_time_beyond(effort, 0.5 * shares::kLastFiguresSeconds);
  slides_effort_ = with_time_beyond(effort, shares::kLastFiguresSeconds);
}

void Stander::take(const ErrorSizes& sizes) {
  sizes_ = sizes;
  draw();
  for (const auto& known : known_) known->look(sizes_, effort_);
}

void Stander::KnownMotion::look(const ErrorSizes& sizes, const Effort& effort) {
  worst->end_with(effort);
  doubtful.reset();
  auto found = worst->doubtful(sizes);
  if (!found.empty()) doubtful = std::move(found.front());
}

std::vector<Stander::KnownMotion*> Stander::motions_of(const Plan& plan) const {
  if (known_.size() > shares::kMotionsKept)
    known_.erase(known_.begin(),
                 known_.begin() + static_cast<std::ptrdiff_t>(known_.size() - shares::kMotionsKept));
  std::vector<KnownMotion*> out;
  std::vector<KnownMotion*> fresh;
  for (const PlannedMotion& motion :
       withy::motions_of(plan, MotionVerifier(problem_.design, *problem_.distance))) {
    const auto found = std::find_if(known_.begin(), known_.end(),
                                    [&](const auto& known) { return same(known->motion, motion); });
    if (found != known_.end()) {
      out.push_back(found->get());
      continue;
    }
    known_.push_back(std::make_unique<KnownMotion>());
    known_.back()->motion = motion;
    fresh.push_back(known_.back().get());
    out.push_back(fresh.back());
  }
  tbb::this_task_arena::isolate([&] {
    tbb::parallel_for(std::size_t{0}, fresh.size(), [&](std::size_t i) {
      KnownMotion& known = *fresh[i];
      known.worst = std::make_unique<WorstCase>(problem_, std::vector<PlannedMotion>{known.motion},
                                                known.motion.to, centre_E_, triangles_);
      known.look(sizes_, effort_);
    });
  });
  return out;
}

Standing Stander::judge(const Plan& plan) const {
  return judge_all(plan, {}, figures_effort_);
}

Standing Stander::judge(const Plan& plan, const ElasticSlides& slides, SlidesOf of) const {
  const Standing& without = *plan.standing;
  const auto less = less_by_engaging(plan, slides);
  Standing standing = less ? *less : judge_all(plan, slides, slides_effort_);
  standing.slides = of;
  standing.reserve_without_slides = without.reserve;
  standing.draws_without_slides = without.draws;
  standing.fails_without_slides = without.fails;
  return standing;
}

/// The plan's standing where all locks still engage on every bench, so that slides change nothing but up to
/// where that is proved; nothing where they don't.
std::optional<Standing> Stander::less_by_engaging(const Plan& plan, const ElasticSlides& slides) const {
  if (holds_by_friction(problem_.design)) return std::nullopt;
  const ProvedHardware hardware(hardware_, plan, slides);
  if (hardware.not_engaging(sizes_)) return std::nullopt;
  Standing standing = *plan.standing;
  const auto& ladder = reserve_ladder();
  const auto steps = static_cast<std::size_t>(
      std::upper_bound(ladder.begin(), ladder.end(), standing.reserve) - ladder.begin());
  const Test engaging = [&](const ErrorSizes& e) { return hardware.not_engaging(e); };
  const std::size_t passed = steps_passed(engaging, sizes_, 0.0, steps);
  if (passed == steps) return standing;
  standing.limited_by = *engaging(times(ladder[passed], sizes_));
  standing.reserve = passed == 0 ? 0.0 : ladder[passed - 1];
  return standing;
}

Standing Stander::judge_all(const Plan& plan, const ElasticSlides& slides, const Effort& effort) const {
  const std::vector<KnownMotion*> motions = motions_of(plan);
  Standing standing = chance(plan, static_cast<int>(draws_.size()), motions, effort, slides);
  if (const PlannedAction* missing = plan.without_hunt()) {
    standing.limited_by = fmt::format("the hunt at lock {} {}", missing->lock + 1, missing->hunt->objection);
    return standing;
  }
  if (!errors_bounded(problem_.design, plan)) {
    standing.limited_by = "friction locks engage so often that nothing is proved of what they freeze";
    return standing;
  }
  const WorstCase tip(problem_, {}, plan.states[static_cast<std::size_t>(plan.reached_state)], centre_E_,
                      triangles_);
  const ProvedHardware hardware(hardware_, plan, slides);
  const double frozen_mm = frozen_slide_mm(problem_.design, plan, slides);
  const Test touching = [&](const ErrorSizes& e) -> std::optional<std::string> {
    for (KnownMotion* known : motions) {
      known->worst->end_with(effort);
      if (!known->worst->stands(e, StandsFor::off_the_wall)) return may_touch(known->motion);
    }
    return std::nullopt;
  };
  const auto& ladder = reserve_ladder();
  std::size_t steps = ladder.size();
  standing.limited_by = "nothing up to the largest errors that are tried";
  for (const Test& untimed : tests_of(problem_, tip, hardware, touching)) {
    const Test test = [&](const ErrorSizes& e) -> std::optional<std::string> {
      if (effort.cut_short()) return "the time was over before more was proved";
      return untimed(e);
    };
    const std::size_t passed = steps_passed(test, sizes_, frozen_mm, steps);
    if (passed == steps) continue;
    steps = passed;
    standing.limited_by = *test(times(ladder[passed], sizes_, frozen_mm));
  }
  standing.reserve = steps == 0 ? 0.0 : ladder[steps - 1];
  return standing;
}

Standing Stander::chance(const Plan& plan, int draws) const {
  return chance(plan, draws, motions_of(plan), effort_);
}

Standing Stander::chance(const Plan& plan, int draws, const std::vector<KnownMotion*>& motions,
                         const Effort& effort, const ElasticSlides& slides) const {
  const OnBenches on_benches(*this, plan, motions, slides);
  const auto most = std::min(static_cast<std::size_t>(draws), draws_.size());
  std::vector<Outcome> outcomes(most);
  const auto since = Effort::Clock::now();
  std::size_t n = 0;
  while (n < most && (n == 0 || !effort.cut_short())) {
    const std::size_t to = std::min(most, n + next_batch(n, since));
    tbb::parallel_for(n, to, [&](std::size_t i) { outcomes[i] = on_benches.run(draws_[i], true); });
    n = to;
  }
  outcomes.resize(n);
  const auto counted = [&](auto&& happened) {
    return count_of(static_cast<int>(std::count_if(outcomes.begin(), outcomes.end(), happened)),
                    static_cast<int>(n));
  };
  Standing standing;
  standing.draws = static_cast<int>(n);
  standing.fails = counted([](const Outcome& o) { return o.fails(); });
  standing.touches = counted([](const Outcome& o) { return o.touches; });
  standing.misses = counted([](const Outcome& o) { return o.misses; });
  standing.disengaged = counted([](const Outcome& o) { return o.disengaged; });
  standing.overloads = counted([](const Outcome& o) { return o.overloads; });
  return standing;
}

int Stander::fails(const Plan& plan, int draws, int enough) const {
  const std::vector<KnownMotion*> motions = motions_of(plan);
  const OnBenches on_benches(*this, plan, motions, {});
  const auto n = std::min(static_cast<std::size_t>(draws), draws_.size());
  int fails = 0;
  for (std::size_t from = 0; from < n && fails < enough; from += shares::kRankBatch) {
    if (effort_.cut_short()) return enough;
    const std::size_t to = std::min(n, from + shares::kRankBatch);
    std::vector<char> failed(to - from);
    tbb::parallel_for(from, to, [&](std::size_t i) {
      failed[i - from] = static_cast<char>(on_benches.run(draws_[i], false).fails());
    });
    fails += static_cast<int>(std::count(failed.begin(), failed.end(), 1));
  }
  return fails;
}

std::vector<int> Stander::hunts_that_may_touch(const Plan& plan, int draws, int more_than) const {
  const auto may_touch = [&](const KnownMotion& known, std::size_t i) {
    if (effort_.cut_short()) return false;
    const Bench bench(problem_.design, draws_[i], centre_E_, bend_per_pull_);
    const auto cells = known.worst->doubtful_on(*known.doubtful, bench.errors());
    return !cells ||
           !cells_keep_clear(bench, known.motion, known.doubtful->parts, *cells, *problem_.distance);
  };
  std::vector<int> locks;
  for (const KnownMotion* known : motions_of(plan)) {
    if (!known->motion.sweep || !known->doubtful || known->motion.in_front) continue;
    if (effort_.cut_short()) break;
    const int lock = known->motion.sweep->lock;
    if (std::find(locks.begin(), locks.end(), lock) != locks.end()) continue;
    std::vector<char> touched(std::min(static_cast<std::size_t>(draws), draws_.size()));
    tbb::parallel_for(std::size_t{0}, touched.size(),
                      [&](std::size_t i) { touched[i] = static_cast<char>(may_touch(*known, i)); });
    if (std::count(touched.begin(), touched.end(), 1) > more_than) locks.push_back(lock);
  }
  return locks;
}

int Stander::fails_at(const State& reached, int draws, const std::vector<PlannedSwitch>& way_in) const {
  const auto fails_with = [&](const ErrorDraw& errors) {
    const Bench bench(problem_.design, errors, centre_E_, bend_per_pull_);
    return !bench.hits(reached, problem_.goal) || !BenchHardware(hardware_, bench).keeps_limits(reached);
  };
  int fails = 0;
  const auto n = std::min(static_cast<std::size_t>(draws), draws_.size());
  for (std::size_t i = 0; i < n; ++i) {
    if (effort_.cut_short()) return draws;
    fails +=
        way_in.empty()
            ? fails_with(draws_[i])
            : fails_with(
                  with_frozen_errors(problem_.design, way_in, draws_[i], centre_E_, bend_per_pull_).back());
  }
  return fails;
}

bool stands_more(const Standing& a, const Standing& b) {
  return a.fails.high != b.fails.high ? a.fails.high < b.fails.high : a.reserve > b.reserve;
}

bool stands_more(const Plan& a, const Plan& b) {
  if (stands_more(*a.standing, *b.standing)) return true;
  return !stands_more(*b.standing, *a.standing) && a.clearance_mm > b.clearance_mm;
}

}  // namespace withy
