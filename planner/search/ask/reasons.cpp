// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/reasons.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <deque>
#include <memory>
#include <vector>

#include <fmt/core.h>
#include <oneapi/tbb/collaborative_call_once.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/idle_threads.h"
#include "planner/effort/shares.h"
#include "planner/search/ask/changed_design.h"
#include "planner/search/ask/field_reason.h"
#include "planner/search/ask/nearest_approach.h"
#include "planner/search/ask/via_routes.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

constexpr double kCurvatureFactor = 2.0;
constexpr double kInsertionFactor = 1.5;
// A wire: what is left of the segment's radius.
constexpr double kWireShare = 0.1;

/// The question with a changed design; nothing where the change makes no sound design.
std::optional<SearchProblem> with_parts(const SearchProblem& problem,
                                        const std::function<void(DesignParts&)>& change) {
  DesignParts parts = problem.design.parts();
  change(parts);
  return with_design(problem, std::move(parts));
}

std::optional<SearchProblem> relaxed(const SearchProblem& problem, Relaxation relaxation,
                                     const WithLocks& with_locks) {
  SearchProblem out = problem;
  const Design& design = problem.design;
  switch (relaxation) {
    case Relaxation::field:
      if (!problem.heeded.field || !design.field() || design.lock_count() == 0) return std::nullopt;
      out.heeded.field = false;
      return out;
    case Relaxation::tendons:
      if (!problem.heeded.tendons || !design.tendons()) return std::nullopt;
      out.heeded.tendons = false;
      return out;
    case Relaxation::latch:
      if (!design.latch() || design.lock_count() == 0 ||
          lattice_kind(*design.latch()) == LatticeKind::everything)
        return std::nullopt;
      return with_parts(problem, [](DesignParts& parts) {
        parts.latch->notch_pitch_mm = 0.0;
        parts.latch->hunt_mm = 0.0;  // a friction lock has no notch to hunt for
      });
    case Relaxation::curvature:
      return with_parts(problem,
                        [](DesignParts& parts) { parts.segment.curvature_max_per_mm *= kCurvatureFactor; });
    case Relaxation::insertion:
      return with_parts(problem,
                        [](DesignParts& parts) { parts.carriage.insertion_max_mm *= kInsertionFactor; });
    case Relaxation::clearance:
      if (problem.required_clearance_mm <= 0.0) return std::nullopt;
      out.required_clearance_mm = 0.0;
      return out;
    case Relaxation::thickness:
      out.required_clearance_mm = -(1.0 - kWireShare) * design.segment().radius_mm;
      return out;
    case Relaxation::one_more_lock:
      return with_locks ? with_locks(design.lock_count() + 1) : std::nullopt;
    case Relaxation::walls:
      out.heeded.clearance = false;
      return out;
  }
  return std::nullopt;
}

double largest_curvature(const Design& design, const Route& route) {
  double most = 0.0;
  for (const RouteStep& step : route.steps) most = std::max(most, largest_curvature(design, step.to));
  return most;
}

/// The tightest place of a route, for the body as thick as it is.
struct TightSpot {
  double clearance_mm = kInfinity;
  double depth_mm = 0.0;    ///< how far past the entry plane
  double station_mm = 0.0;  ///< of the segment
};

TightSpot tightest(const SearchProblem& problem, const Route& route, const Effort& effort) {
  TightSpot spot;
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    if (route.steps[i].lock >= 0) continue;
    for (int k = 0; k <= shares::kTightSamples && !effort.cut_short(); ++k) {
      const Shape shape(problem.design, interpolate(route.state_before(i), route.steps[i].to,
                                                    static_cast<double>(k) / shares::kTightSamples));
      for (double s = 0.0; s <= problem.design.length_mm(); s += 1.0) {
        const Eigen::Vector3d p = shape.point_E(s);
        if (p.z() <= 0.0) continue;
        const double c = problem.distance->signed_exact(p) - problem.design.body_radius(s);
        if (c < spot.clearance_mm) spot = {c, p.z(), s};
      }
    }
  }
  return spot;
}

/// The frozen bend of the route that lies farthest off a notch: its lock, and by how much (degrees).
std::string off_the_notches(const SearchProblem& problem, const Route& route) {
  const LatchHardware latch = exact_latch(*problem.design.latch());
  double worst = 0.0;
  int lock = 0;
  for (const RouteStep& step : route.steps) {
    if (step.lock < 0 || !step.engages) continue;
    const Eigen::Vector2d sum = bend_up_to_lock(step.to, step.lock);
    const double spacing = latch.notch_pitch_mm / latch.backbone_radius_mm;
    double off = kInfinity;
    if (lattice_kind(latch) == LatticeKind::points)
      for (const Eigen::Vector2d& point : lattice_points(latch, sum, 2.0 * spacing))
        off = std::min(off, (point - sum).norm());
    if (std::isfinite(off) && off > worst) {
      worst = off;
      lock = step.lock;
    }
  }
  return fmt::format("with lock {} holding a bend {:.2g} degrees off the nearest notch", lock + 1,
                     degrees(worst));
}

/// What the tendons or locks run into on a route that was found without their limits.
std::string overload(const SearchProblem& problem, const Route& route) {
  const Hardware hardware(problem.design);
  for (std::size_t i = 0; i < route.steps.size(); ++i) {
    if (route.steps[i].lock >= 0) continue;
    if (const auto breach = hardware.motion_breach(route.state_before(i), route.steps[i].to))
      return breach->sentence();
  }
  return "the tendons or lock loads break their limits";
}

/// What a route of a relaxed question shows, to be followed by what it is relaxed to.
std::string would_be_reached(const SearchProblem& asked, const char* what = "it") {
  if (asked.vias.empty()) return fmt::format("{} would be reached", what);
  return "the target would be reached by way of all places to pass";
}

/// Of those whose sentence has a value that a remedy may have too (remedies.h); else empty.
std::string without_value(Relaxation relaxation, const SearchProblem& asked) {
  if (relaxation == Relaxation::curvature)
    return fmt::format("it needs more curvature than the limit of {:.4g} per mm",
                       asked.design.segment().curvature_max_per_mm);
  if (relaxation == Relaxation::clearance)
    return fmt::format("the lumen is too narrow for the required clearance of {:.2f} mm",
                       asked.required_clearance_mm);
  return {};
}

std::string sentence_for(Relaxation relaxation, const SearchProblem& asked, const SearchProblem& eased,
                         const Route& route, const Effort& effort) {
  const Design& design = asked.design;
  switch (relaxation) {
    case Relaxation::field:
      return field_reason(design, route);
    case Relaxation::tendons:
      return fmt::format("on the route there {}; without limits of tendons and lock loads {}",
                         overload(asked, route), would_be_reached(asked, "the target"));
    case Relaxation::latch:
      return fmt::format("the notches are too coarse: {} {}", would_be_reached(asked, "the target"),
                         off_the_notches(asked, route));
    case Relaxation::curvature:
      return fmt::format("{}: {} with {:.4g} per mm", without_value(relaxation, asked),
                         would_be_reached(asked), largest_curvature(eased.design, route));
    case Relaxation::insertion:
      return fmt::format("it needs more insertion than the carriage's {:.4g} mm",
                         design.carriage().insertion_max_mm);
    case Relaxation::clearance: {
      const TightSpot spot = tightest(asked, route, effort);
      return fmt::format("{}: {} with {:.2f} mm, tightest {:.1f} mm past the entry plane",
                         without_value(relaxation, asked), would_be_reached(asked),
                         std::max(0.0, spot.clearance_mm), spot.depth_mm);
    }
    case Relaxation::thickness: {
      const TightSpot spot = tightest(asked, route, effort);
      return fmt::format(
          "the lumen is too narrow for this body: on the best route found for a wire the body would be "
          "{:.2f} "
          "mm into the wall "
          "{:.1f} mm past the entry plane, at segment station {:.0f} mm",
          std::max(0.0, -spot.clearance_mm), spot.depth_mm, spot.station_mm);
    }
    case Relaxation::one_more_lock:
      return fmt::format("it needs one more frozen bend: with {} {} {}", eased.design.lock_count(),
                         eased.design.lock_count() == 1 ? "lock" : "locks", would_be_reached(asked));
    case Relaxation::walls:
      return "the walls stop even a wire; without walls the segment would reach the target";
  }
  return {};
}

/// In the order in which they are said: what comes first is the reason.
constexpr std::array kRelaxations = {Relaxation::field,     Relaxation::tendons,       Relaxation::latch,
                                     Relaxation::curvature, Relaxation::insertion,     Relaxation::clearance,
                                     Relaxation::thickness, Relaxation::one_more_lock, Relaxation::walls};

}  // namespace

/// Every limit's relaxed question, asked by all threads that take part. A thread takes the next question in
/// the order above; none after one that was found is asked to its end. So one thread asks what it must, and
/// more threads ask ahead.
class RelaxedQuestions {
 public:
  RelaxedQuestions(const SearchProblem& problem, Effort effort, const WithLocks& with_locks)
      : effort_(std::move(effort)) {
    for (const Relaxation relaxation : kRelaxations)
      if (auto eased = relaxed(problem, relaxation, with_locks))
        questions_.push_back({relaxation, std::move(*eased), nullptr, SearchOutcome::stopped});
    first_found_ = questions_.size();
    asked_ = std::vector<tbb::collaborative_once_flag>(questions_.size());
    done_ = std::vector<std::atomic<std::int64_t>>(questions_.size());
  }

  struct Question {
    Relaxation relaxation;
    SearchProblem eased;
    std::unique_ptr<RouteSearch> search;  // of `eased`, which stays where it is; where it found a route
    SearchOutcome outcome;
    Route route = {};  // by all places to pass, where there is one
  };

  /// Takes questions in turn with other threads until none is left to be begun.
  void take_turns() {
    for (std::size_t i = next_++; i < questions_.size(); i = next_++) {
      if (i > first_found_ || done_before(i) > effort_.work() || effort_.cut_short()) return;
      ask(i);
    }
  }

  /// The first question that was found, all before it answered within the effort's work, itself included;
  /// none else. The same on any number of threads, but where the effort is cut short.
  const Question* first_found() {
    take_turns();
    std::int64_t left = effort_.work();
    for (std::size_t i = 0; i < questions_.size(); ++i) {
      if (left < 0 || effort_.cut_short()) return nullptr;
      ask(i);
      left -= done_[i];
      if (effort_.cut_short() || left < 0) return nullptr;
      if (questions_[i].outcome == SearchOutcome::found) return &questions_[i];
    }
    return nullptr;
  }

 private:
  /// As far as it is known: what is not done yet only adds.
  std::int64_t done_before(std::size_t end) const {
    std::int64_t sum = 0;
    for (std::size_t i = 0; i < end; ++i) sum += done_[i];
    return sum;
  }

  /// Once: waits where another thread is at it.
  void ask(std::size_t i) {
    tbb::collaborative_call_once(asked_[i], [&] { ask_now(i); });
  }

  void ask_now(std::size_t i) {
    Question& question = questions_[i];
    RouteSearchSettings settings;
    settings.relaxations = settings.spans = true;
    settings.effort = effort_.renewed(std::min(shares::kReasonWork, effort_.work())).until_stop([this, i] {
      return first_found_ < i;
    });
    auto search = std::make_unique<RouteSearch>(question.eased, settings);
    ViaRoute by = route_by_vias(question.eased, *search);
    question.outcome = by.outcome;
    done_[i] = search->work();
    if (question.outcome != SearchOutcome::found) return;
    question.route = std::move(by.route);
    question.search = std::move(search);
    std::size_t first = first_found_;
    while (i < first && !first_found_.compare_exchange_weak(first, i)) {
    }
  }

  const Effort effort_;
  std::deque<Question> questions_;  // searches refer to what is in it
  std::vector<tbb::collaborative_once_flag> asked_;
  std::atomic<std::size_t> next_{0};
  std::atomic<std::size_t> first_found_{0};
  std::vector<std::atomic<std::int64_t>> done_;  // work of each question
};

ReasonLook::ReasonLook(const SearchProblem& problem, std::size_t place, Effort effort,
                       const WithLocks& with_locks)
    : problem_(problem),
      place_(place),
      effort_(std::move(effort)),
      questions_(std::make_unique<RelaxedQuestions>(problem, effort_, with_locks)) {}

ReasonLook::~ReasonLook() = default;

void ReasonLook::help() {
  questions_->take_turns();
}

std::optional<Reason> ReasonLook::run() {
  const RelaxedQuestions::Question* found = questions_->first_found();
  if (found == nullptr) return std::nullopt;
  const Relaxation relaxation = found->relaxation;
  // Tidied, a route would miss the places.
  const Route route =
      problem_.vias.empty() ? tidy(found->search->judge(), found->route, effort_) : found->route;
  Reason reason = {relaxation, sentence_for(relaxation, problem_, found->eased, route, effort_),
                   without_value(relaxation, problem_)};
  if (relaxation != Relaxation::one_more_lock) {
    SearchProblem there = problem_;
    there.goal = goal_at(problem_, place_);
    const Hardware hardware(problem_.design);
    reason.approach = approach_along(StepJudge(there, hardware), route, effort_);
  }
  // Figures of a look that was cut short may be wrong.
  return effort_.cut_short() ? std::nullopt : std::optional(std::move(reason));
}

std::optional<Reason> find_reason(const SearchProblem& problem, std::size_t place, const Effort& effort,
                                  const WithLocks& with_locks) {
  ReasonLook look(problem, place, effort, with_locks);
  std::optional<Reason> reason;
  with_idle_threads([&] { look.help(); }, [&] { reason = look.run(); });
  return reason;
}

}  // namespace withy
