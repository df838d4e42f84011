// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/stand/standing.h"

#include <functional>
#include <numbers>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/segment/shape.h"
#include "planner/stand/advice.h"
#include "planner/stand/hunt_advice.h"
#include "planner/stand/improve.h"
#include "tests/planner/stand/shipped_case.h"

using namespace withy;
using namespace withy::testing;

TEST_CASE("the ladder of reserves rises from a twentieth to ten") {
  const auto& ladder = reserve_ladder();
  CHECK(std::abs(ladder.front() - 0.05) < 1e-12);
  CHECK(std::abs(ladder[19] - 1.0) < 1e-12);
  CHECK(std::abs(ladder[20] - 1.1) < 1e-12);
  CHECK(ladder.back() <= 10.0);
  CHECK(ladder.back() * 1.1 > 10.0);
}

TEST_CASE("no advice puts tendons outside the body") {
  DesignParts parts;
  parts.segment.radius_mm = 1.5;
  parts.tendons = TendonHardware();
  parts.tendons->radius_mm = 0.7;
  CHECK(wider_tendons(parts).size() == 4);
  parts.tendons->radius_mm = 1.2;
  for (const double radius : wider_tendons(parts)) CHECK(radius <= 1.5);
  parts.tendons->radius_mm = 1.5;
  CHECK(wider_tendons(parts).empty());
}

TEST_CASE("advice whose look was cut short denies nothing") {
  AdviceList list;
  list.needed = true;
  CHECK(advice_text(list).find("no error, lowered, brings") != std::string::npos);
  CHECK(advice_text(list).find("no single change") != std::string::npos);
  list.cut_short = true;
  CHECK(advice_text(list).find("no error") == std::string::npos);
  CHECK(advice_text(list).find("no single change") == std::string::npos);
  CHECK(advice_text(list).find("was cut short") != std::string::npos);
}

TEST_CASE("of plans that stand alike the wider one stands more, and only of those") {
  Plan narrow;
  narrow.clearance_mm = 1.4;
  narrow.standing = Standing();
  narrow.standing->fails.high = 0.01;
  narrow.standing->reserve = 0.5;
  Plan wide = narrow;
  wide.clearance_mm = 6.0;
  CHECK(stands_more(wide, narrow));
  CHECK_FALSE(stands_more(narrow, wide));
  CHECK_FALSE(stands_more(wide, wide));
  narrow.standing->reserve = 0.55;
  CHECK(stands_more(narrow, wide));
  wide.standing->fails.high = 0.009;
  CHECK(stands_more(wide, narrow));
}

TEST_CASE("benches that a proof or a bound leaves out would not have failed") {
  // The slow twin asks every bench everything. A stander without time proves nothing before, and asks those
  // benches that it asks in any case.
  constexpr auto kDraws = static_cast<int>(shares::kRankBatch);
  for (const auto& [scene, locks] : {std::pair{"fold-chamber", 1}, {"guide-narrow", 0}}) {
    CAPTURE(scene, locks);
    const Case of(scene, locks);
    // Errors so large that some of everything goes wrong.
    const ErrorSizes sizes = times(2.0, of.sizes);
    std::mt19937_64 generator(7);
    Standing plain;
    int close = 0;  // those that touch among them
    for (int i = 0; i < kDraws; ++i) {
      const Asked asked = ask_all(of, draw_errors(of.problem->design, sizes, generator));
      plain.touches.benches += asked.touches;
      close += asked.close;
      plain.misses.benches += asked.misses;
      plain.disengaged.benches += asked.disengaged;
      plain.overloads.benches += asked.overloads;
      plain.fails.benches += asked.touches || asked.misses || asked.disengaged || asked.overloads;
    }
    for (const double seconds : {kInfinity, 0.0}) {
      CAPTURE(close, plain.touches.benches, seconds);
      Stander stander(*of.problem, sizes, 2 * kDraws, 7);
      stander.end_with(Effort::of_seconds(seconds));
      const Standing standing = stander.chance(of.plan, seconds > 0.0 ? kDraws : 2 * kDraws);
      CHECK(standing.draws == kDraws);
      // What is too close for one of them to tell need not be for the other.
      CHECK(standing.touches.benches >= plain.touches.benches);
      CHECK(standing.touches.benches <= close);
      CHECK(standing.misses.benches == plain.misses.benches);
      CHECK(standing.disengaged.benches == plain.disengaged.benches);
      CHECK(standing.overloads.benches == plain.overloads.benches);
      CHECK(standing.fails.benches >= plain.fails.benches);
      CHECK(standing.fails.benches <= plain.fails.benches + close - plain.touches.benches);
      CHECK(standing.misses.benches > 0);
    }
  }
}

TEST_CASE("no bench within a plan's reserve fails, extreme ones neither") {
  const auto seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937_64 generator(seed);
  for (const auto& [scene, locks] : {std::pair{"fold-chamber", 1}, {"straight", 0}, {"guide-narrow", 0}}) {
    CAPTURE(scene, locks);
    Case of(scene, locks);
    const Hardware hardware(of.problem->design);
    const StepJudge judge(*of.problem, hardware);
    const Stander stander(*of.problem, of.sizes, 1000);
    of.plan = made_to_stand(judge, stander, of.plan, Effort());
    of.plan.standing = stander.judge(of.plan);
    const double reserve = of.plan.standing->reserve;
    CAPTURE(reserve, of.plan.standing->limited_by);
    CHECK(reserve > 0.0);
    const ErrorSizes sizes = times(reserve, of.sizes);
    for (int i = 0; i < 40; ++i) {
      const Asked asked = ask_all(of, extreme(of.problem->design, sizes, generator));
      CHECK_FALSE(asked.close);
      CHECK_FALSE(asked.misses);
      CHECK_FALSE(asked.disengaged);
      CHECK_FALSE(asked.overloads);
    }
  }
}

namespace {

/// The same plan's sweeps alone.
std::vector<PlannedMotion> sweeps_of(const Case& of) {
  auto motions = motions_of(of.plan, MotionVerifier(of.problem->design, *of.problem->distance));
  std::erase_if(motions, [](const PlannedMotion& motion) { return !motion.sweep; });
  return motions;
}

void tendons_in_one_plane(DesignParts& parts) {
  parts.tendons->angle_rad = {0.0, std::numbers::pi};
  parts.latch->hunt_mm = 0.03;
}

void no_tendons(DesignParts& parts) {
  parts.tendons.reset();
}

}  // namespace

TEST_CASE("what a hunt keeps from the wall under errors is no more than any bench of theirs keeps") {
  // Every chord of the sweep run on each bench by itself, against what is proved of all benches.
  const auto seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937_64 generator(seed);
  struct Hunted {
    const char* scene;
    int locks;
    std::function<void(DesignParts&)> change;
  };
  for (const auto& [scene, locks, change] : {Hunted{"miniature", 2, {}}, Hunted{"miniature", 2, no_tendons},
                                             Hunted{"planar-s", 1, tendons_in_one_plane}}) {
    CAPTURE(scene, locks);
    const Case of(scene, locks, change);
    const auto sweeps = sweeps_of(of);
    REQUIRE(!sweeps.empty());
    const Eigen::Vector3d centre = middle_of(of.problem->distance->exact().channel());
    WorstCase worst(*of.problem, sweeps, sweeps.front().to, centre);
    for (const double x : {0.0, 0.1, 0.4}) {
      const ErrorSizes sizes = times(x, of.sizes);
      const double kept = worst.clearance_kept(sizes);
      CAPTURE(x, kept);
      for (int i = 0; i < (x > 0.0 ? 8 : 1); ++i) {
        const ErrorDraw errors = extreme(of.problem->design, sizes, generator);
        const Bench bench(of.problem->design, errors, centre);
        double least = kInfinity;
        for (const PlannedMotion& sweep : sweeps)
          least = std::min(least, bench.clearance(sweep, *of.problem->distance).upper_mm);
        CHECK(kept <= least);
        // Without errors no more is lost than the slack of what is verified.
        if (x == 0.0) CHECK(kept > least - 2.0 * kClearanceSlack_mm);
      }
    }
  }
}

TEST_CASE("a hunt that would touch the wall on some benches is made farther out") {
  const Case of("miniature", 2);
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  constexpr int kDraws = 300;
  const Stander stander(*of.problem, of.sizes, kDraws);
  const Standing before = stander.judge(of.plan);
  CAPTURE(before.limited_by, before.touches.benches);
  CHECK(!stander.hunts_that_may_touch(of.plan, kDraws, 0).empty());
  // The slow twin, of the sweeps alone: nothing else of this plan touches.
  const Eigen::Vector3d centre = middle_of(of.problem->distance->exact().channel());
  const auto sweeps = sweeps_of(of);
  std::mt19937_64 generator(1);
  int touch = 0;
  int close = 0;
  for (int i = 0; i < kDraws; ++i) {
    const ErrorDraw errors = draw_errors(of.problem->design, of.sizes, generator);
    const Bench bench(of.problem->design, errors, centre);
    Contact worst = Contact::clear;
    for (const PlannedMotion& sweep : sweeps)
      worst = std::max(worst, bench.contact(sweep, *of.problem->distance));
    touch += worst == Contact::touches;
    close += worst != Contact::clear;
  }
  CHECK(touch > kDraws / 20);
  CHECK(before.touches.benches >= touch);
  CHECK(before.touches.benches <= close);
  const Plan after = made_to_stand(judge, stander, of.plan, Effort());
  CHECK(stander.hunts_that_may_touch(after, kDraws, 0).empty());
  // What is left is the other lock's, which engages in front of the entry.
  CHECK(2 * stander.chance(after, kDraws).touches.benches < before.touches.benches);
}

TEST_CASE("a plan that is made to stand fails on no more benches, and its tip is nearer to the middle") {
  Case of("fold-chamber", 1);
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  const Stander stander(*of.problem, of.sizes, 1000);
  const Standing before = stander.chance(of.plan, 1000);
  const auto tip_error = [&](const Plan& plan) {
    return of.problem->goal.distance(plan.states[static_cast<std::size_t>(plan.reached_state)].tip_E);
  };
  const Plan after = made_to_stand(judge, stander, of.plan, Effort());
  CHECK(stander.fails(after, 1000, 1000) <= before.fails.benches);
  // One look at a time, or all at once.
  CHECK(stander.fails(of.plan, 1000, 1000) == before.fails.benches);
  CHECK(tip_error(after) <= tip_error(of.plan));
  CHECK(after.states.front() == start_state());
  CHECK(after.states.back() == start_state());
}

TEST_CASE("a plan that passes places is not made to stand at their cost") {
  Case of("single-bend", 1);
  const auto middle = static_cast<std::size_t>(of.plan.reached_state) / 2;
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  const Stander stander(*of.problem, of.sizes, 1000);
  const auto same = [&](const Plan& other) {
    return std::equal(other.states.begin(), other.states.end(), of.plan.states.begin(), of.plan.states.end(),
                      [](const State& a, const State& b) { return a == b; });
  };
  CHECK(!same(made_to_stand(judge, stander, of.plan, Effort())));
  Goal place;
  place.point_E = of.plan.states[middle].tip_E.translation();
  place.tolerance_mm = 0.1;
  of.problem->vias.push_back(place);
  CHECK(same(made_to_stand(judge, stander, of.plan, Effort())));
}

TEST_CASE("a lock that engages straight lets fewer benches miss where none is needed") {
  Case of("straight", 1);
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  const Stander stander(*of.problem, in_their_places(of.sizes), 1000);
  const int before = stander.fails(of.plan, 1000, 1000);
  const Plan after = made_to_stand(judge, stander, of.plan, Effort());
  CHECK(after.actions.front().lock == 0);
  CHECK(2 * stander.fails(after, 1000, 1000) < before);
}

TEST_CASE(
    "a sweep in front of the entry that would touch its rim on a bench that stands nearer is not taken up") {
  // The tube's radius is 5 mm; a hunt of 0.1 mm swings the tip some 8 mm to either side. An outsider's own
  // draw, which shares nothing with the project, had 28 to 32 % of benches touch.
  Case of("straight", 1);
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  const Plan swept =
      made_to_stand(judge, Stander(*of.problem, in_their_places(of.sizes), 1000), of.plan, Effort());
  REQUIRE(swept.actions.front().lock == 0);
  const Stander stander(*of.problem, of.sizes, 2000);
  const Standing standing = stander.judge(swept);
  CHECK(standing.touches.benches > 0.25 * standing.draws);
  CHECK(standing.touches.benches < 0.36 * standing.draws);
  CAPTURE(standing.reserve, standing.limited_by);
  CHECK(standing.limited_by == "the hunt at lock 1 may touch the wall at the rim of the entry");
  CHECK(made_to_stand(judge, stander, of.plan, Effort()).actions.front().lock < 0);
}

TEST_CASE("the aim puts the tip on the target where nothing is in the way") {
  Case of("straight", 0);
  const State& reached = of.plan.states[static_cast<std::size_t>(of.plan.reached_state)];
  const auto state =
      aimed(of.problem->design, of.problem->goal, reached, of.problem->design.segment().curvature_max_per_mm);
  REQUIRE(state);
  const Eigen::Isometry3d tip = Shape(of.problem->design, *state).tip_E();
  CHECK(of.problem->goal.distance(tip) < 0.02 * of.problem->goal.tolerance_mm);
}

TEST_CASE("advice does what it says") {
  const Case of("fold-chamber", 1);
  const AdviceList list = find_advice(*of.problem, of.plan, times(2.0, of.sizes));
  if (!list.needed) return;
  for (const Advice& advice : list.errors) {
    ErrorSizes sizes = times(2.0, of.sizes);
    for (const AdvisedChange& change : advice.changes)
      for (std::size_t kind = 0; kind < kErrorKinds; ++kind)
        if (error_names()[kind].key == change.key)
          sizes.most[kind] = change.to * error_names()[kind].per_file_unit;
    // Other benches than those that the advice was found with.
    const Standing standing = Stander(*of.problem, sizes, 1000, 99).chance(of.plan, 1000);
    if (list.errors_enough) CHECK(standing.fails.low < kChanceWanted);
  }
}

TEST_CASE("a plan whose hunt would touch the wall is told of one that would not") {
  const Case of("double-bend", 1);
  REQUIRE(of.plan.without_hunt() != nullptr);
  const auto hunt = find_smaller_hunt(*of.problem, of.plan, of.sizes);
  REQUIRE(hunt);
  CHECK(hunt->covers_errors);
  CHECK(hunt->standing.disengaged.benches == 0);
  CHECK(hunt->standing.reserve > 0.0);
  // What it has to cover, worked out by hand. Four tendons at right angles, each zero off by o, bend the
  // segment by up to sqrt(2) o / r_t; the gain g adds g |Theta|. Of that the part of the bent length before
  // the lock shows at it, as slide r_b times it. The radius and 0.94 windows (proved_hardware.h) cover it.
  const PlannedAction& action = *of.plan.without_hunt();
  const Region region =
      regions_of(of.problem->design, of.plan.states[static_cast<std::size_t>(action.from)]).front();
  const double before_lock_mm = 50.0 - 2.0;  // the lock's station, half its body
  const double bent_mm = 100.0 - 4.0 - 3.0;  // the length, the lock's body, the rigid tip
  const double off_rad = std::sqrt(2.0) * 0.05 / 1.2 + 0.01 * bent_mm * region.u.norm();
  const double slide_mm = 1.2 * before_lock_mm / bent_mm * off_rad;
  const double least_mm = slide_mm - 0.94 * 0.02;
  CAPTURE(least_mm, hunt->radius_mm);
  CHECK(hunt->radius_mm >= least_mm);
  CHECK(hunt->radius_mm < least_mm + 0.1 * hunt->instead_of_mm);
  // Planned anew with it, the question has a plan with every hunt.
  SearchProblem smaller = *of.problem;
  DesignParts parts = smaller.design.parts();
  parts.latch->hunt_mm = hunt->radius_mm;
  smaller.design = *Design::make(std::move(parts));
  SolveSettings settings;
  settings.prefer = Preference::quick;
  const Answer answer = solve(smaller, settings);
  REQUIRE(answer.plan);
  CHECK(answer.plan->without_hunt() == nullptr);
  // With it, nothing more is said.
  CHECK(!find_smaller_hunt(smaller, *answer.plan, of.sizes));
}

TEST_CASE("a plan stands when aimed where it does as it is or as it is made to stand") {
  for (const auto& [scene, locks] : {std::pair{"fold-chamber", 1}, {"straight", 0}}) {
    CAPTURE(scene, locks);
    const Case of(scene, locks);
    const Hardware hardware(of.problem->design);
    const StepJudge judge(*of.problem, hardware);
    constexpr int kDraws = 400;
    const Stander stander(*of.problem, of.sizes, kDraws);
    const int own = stander.fails(of.plan, kDraws, kDraws);
    bool stood = false;
    int least = kDraws + 1;  // with which it stands
    for (const int enough : {0, 1, 5, 10, 20, 40, 100, kDraws}) {
      CAPTURE(own, enough);
      const bool stands = stands_when_aimed(judge, stander, of.plan, kDraws, enough);
      if (own < enough) CHECK(stands);
      CHECK(!(stood && !stands));  // where it stands with fewer, it does with more
      if (stands && !stood) least = enough;
      stood = stands;
    }
    CHECK(least > 0);
    // The aim alone does no more than all that makes a plan stand.
    const Plan most = made_to_stand(judge, stander, of.plan, Effort());
    CHECK(stander.fails(most, kDraws, kDraws) < least);
  }
}

namespace {

/// No errors at all, of locks that were never engaged neither.
ErrorSizes no_errors() {
  return ErrorSizes();
}

/// Slides of a lock action: those of the bend `bend_mm`, and `rest_mm` more, in turn to either side.
Eigen::VectorXd slides(const LatchHardware& latch, const Eigen::Vector2d& bend_mm, double rest_mm) {
  Eigen::VectorXd out(std::ssize(latch.backbone_angle_rad));
  for (Eigen::Index k = 0; k < out.size(); ++k) {
    const double angle = latch.backbone_angle_rad[static_cast<std::size_t>(k)];
    out[k] =
        std::cos(angle) * bend_mm.x() + std::sin(angle) * bend_mm.y() + (k % 2 == 0 ? rest_mm : -rest_mm);
  }
  return out;
}

std::size_t first_engagement(const Plan& plan) {
  const auto found = std::find_if(plan.actions.begin(), plan.actions.end(),
                                  [](const PlannedAction& a) { return a.kind == ActionKind::lock; });
  REQUIRE(found != plan.actions.end());
  return static_cast<std::size_t>(found - plan.actions.begin());
}

/// What a stander says with slides at the plan's first engagement.
Standing with_slides(const Stander& stander, Plan plan, const Eigen::VectorXd& off_mm) {
  plan.standing = stander.judge(plan);
  const Standing without = *plan.standing;
  const Standing with =
      stander.judge(plan, {{static_cast<int>(first_engagement(plan)), off_mm}}, SlidesOf::ideal_pulls);
  // A share without slides is of the benches that were asked without them.
  CHECK(with.draws_without_slides == without.draws);
  CHECK(with.fails_without_slides.benches == without.fails.benches);
  return with;
}

}  // namespace

TEST_CASE("what the elastic body is off a notch joins the slides of the errors, as geometry says") {
  // One error, the pulls' gain g': the slide at the lock is r_b s g' Theta, s the share of the bent length
  // before the lock (48 of 93 mm). The hunt can't be made, so all four backbones must be within the window.
  const Case of("double-bend", 1);
  ErrorSizes sizes = no_errors();
  const double gain = sizes[ErrorKind::pull_gain] = 0.01;
  const Stander stander(*of.problem, sizes);
  const std::size_t at = first_engagement(of.plan);
  const Eigen::Vector2d u = of.plan.states[static_cast<std::size_t>(of.plan.actions[at].from)].u_free;
  const Eigen::Vector2d slide_of_gain = 1.2 * 48.0 * u;
  const LatchHardware& latch = *of.problem->design.latch();
  const Eigen::Vector2d way = slide_of_gain.normalized();
  for (const double rest_mm : {0.0, 0.004}) {
    for (const double along_mm : {0.015, 0.022, -0.024}) {
      CAPTURE(rest_mm, along_mm);
      const Eigen::VectorXd off = slides(latch, along_mm * way, rest_mm);
      constexpr int kGrid = 20001;
      int engaging = 0;
      for (int i = 0; i < kGrid; ++i) {
        const double g = gain * (2.0 * (i + 0.5) / kGrid - 1.0);
        bool all = true;
        for (std::size_t k = 0; k < 4; ++k) {
          const double angle = (45.0 + 90.0 * static_cast<double>(k)) * std::numbers::pi / 180.0;
          const double slide =
              g * (std::cos(angle) * slide_of_gain.x() + std::sin(angle) * slide_of_gain.y());
          all = all && std::abs(slide + off[static_cast<Eigen::Index>(k)]) <= 0.02;
        }
        engaging += all;
      }
      const double share = 1.0 - static_cast<double>(engaging) / kGrid;
      const Standing standing = with_slides(stander, of.plan, off);
      CAPTURE(share, standing.disengaged.benches);
      // Five standard deviations of so many draws, and what the grid leaves.
      const double spread = 5.0 * std::sqrt(share * (1.0 - share) / standing.draws) + 2.0 / kGrid;
      CHECK(std::abs(static_cast<double>(standing.disengaged.benches) / standing.draws - share) <= spread);
      CHECK(standing.fails.benches >= standing.disengaged.benches);
      CHECK(standing.fails_without_slides.benches <= standing.fails.benches);
    }
  }
}

TEST_CASE("an elastic slide takes of a reserve what it is, at any size of the errors") {
  // Pull offsets alone: four tendons at right angles, each off by o, bend the straight segment by up to
  // sqrt(2) o / r_t; s of that shows at the lock. The hunt's rim and 0.94 windows reach it, or what a slide
  // leaves of that (proved_hardware.h), and errors x times as large as long as that does.
  Case of("straight", 1);
  const Hardware hardware(of.problem->design);
  const StepJudge judge(*of.problem, hardware);
  Plan plan = made_to_stand(judge, Stander(*of.problem, in_their_places(of.sizes), 1000), of.plan, Effort());
  of.problem->goal.tolerance_mm = 50.0;  // the tip is not what limits it
  ErrorSizes sizes = no_errors();
  sizes[ErrorKind::pull_offset] = 0.05;
  const Stander stander(*of.problem, sizes, 2000);
  const PlannedAction& action = plan.actions[first_engagement(plan)];
  REQUIRE(action.hunt);
  REQUIRE(action.hunt->made());
  const State& before = plan.states[static_cast<std::size_t>(action.from)];
  const double before_lock_mm = of.problem->design.station_mm(action.lock) - 2.0;
  const double bent_mm = 100.0 - 4.0 - 3.0;  // the length, the lock's body, the rigid tip
  REQUIRE(before.u_free.norm() == 0.0);
  const double by_errors_mm = 1.2 * before_lock_mm / bent_mm * std::sqrt(2.0) * 0.05 / 1.2;
  for (const auto& [slide_mm, rest_mm] : {std::pair{0.1, 0.0}, {0.1, 0.003}, {0.11, 0.0}, {0.098, 0.0}}) {
    const double most = (0.1 + 0.94 * 0.02 - rest_mm - slide_mm) / by_errors_mm;
    const Standing standing = with_slides(
        stander, plan, slides(*of.problem->design.latch(), Eigen::Vector2d(0.6, 0.8) * slide_mm, rest_mm));
    const auto& ladder = reserve_ladder();
    const auto above = std::upper_bound(ladder.begin(), ladder.end(), most);
    CAPTURE(slide_mm, rest_mm, most, standing.reserve, standing.reserve_without_slides, standing.limited_by);
    REQUIRE(standing.reserve_without_slides > most);
    CHECK(standing.reserve == (above == ladder.begin() ? 0.0 : *(above - 1)));
    CHECK(standing.limited_by.find("may not engage") != std::string::npos);
  }
  // More than hunt and window reach: none engages.
  const Standing beyond =
      with_slides(stander, plan, slides(*of.problem->design.latch(), Eigen::Vector2d(0.6, 0.8) * 0.17, 0.0));
  CHECK(beyond.reserve == 0.0);
  CHECK(beyond.disengaged.benches == beyond.draws);
  // Too far into its own window for the next one: a rest that no hunt makes up for.
  const Standing apart =
      with_slides(stander, plan, slides(*of.problem->design.latch(), Eigen::Vector2d::Zero(), 0.021));
  CHECK(apart.reserve == 0.0);
  CHECK(apart.disengaged.benches == apart.draws);
}

TEST_CASE("a friction lock keeps what the elastic body is off when it engages") {
  Case of("single-bend", 1, [](DesignParts& parts) {
    parts.latch->notch_pitch_mm = 0.0;
    parts.latch->hunt_mm = 0.0;
  });
  const Design& design = of.problem->design;
  const Eigen::Vector2d slide_mm(0.04, -0.03);
  State reached = of.plan.states[static_cast<std::size_t>(of.plan.reached_state)];
  REQUIRE(reached.theta_frozen.size() == 1);
  // The frozen bend is off by d / r_b, the tendons hold the whole: the free part is off the other way.
  reached.theta_frozen[0] += slide_mm / 1.2;
  reached.u_free -= slide_mm / 1.2 / regions_of(design, reached).back().flexible_mm;
  const double off_mm = of.problem->goal.distance(Shape(design, reached).tip_E());
  const ErrorSizes sizes = no_errors();
  for (const double share : {0.999, 1.001}) {
    of.problem->goal.tolerance_mm = share * off_mm;
    const Stander stander(*of.problem, sizes, 20);
    const Standing standing = with_slides(stander, of.plan, slides(*design.latch(), slide_mm, 0.0));
    CAPTURE(share, off_mm, standing.limited_by);
    CHECK(standing.disengaged.benches == 0);
    CHECK(standing.misses.benches == (share < 1.0 ? 20 : 0));
    if (share < 1.0) CHECK(standing.reserve == 0.0);
  }
}

TEST_CASE("ends of friction locks are sorted by what the locks keep") {
  // The slow twin: all that is asked of a bench, whose locks keep what the errors had bent.
  Case of("single-bend", 1, [](DesignParts& parts) {
    parts.latch->notch_pitch_mm = 0.0;
    parts.latch->hunt_mm = 0.0;
  });
  constexpr int kDraws = 400;
  const Stander stander(*of.problem, of.sizes, kDraws);
  const Standing standing = stander.chance(of.plan, kDraws);
  std::vector<PlannedSwitch> way_in;
  for (const PlannedSwitch& planned : switches_in(of.problem->design, of.plan))
    if (of.plan.actions[static_cast<std::size_t>(planned.action)].leg == Leg::in) way_in.push_back(planned);
  const State& reached = of.plan.states[static_cast<std::size_t>(of.plan.reached_state)];
  const int with_kept = stander.fails_at(reached, kDraws, way_in);
  CAPTURE(with_kept, standing.misses.benches, standing.overloads.benches, stander.fails_at(reached, kDraws));
  CHECK(with_kept >= standing.misses.benches);
  CHECK(with_kept <= standing.misses.benches + standing.overloads.benches);
}
