// SPDX-License-Identifier: GPL-3.0-or-later
// A lock count judged wherever its locks sit: lemma 27 attacked by random layouts, boxes against their
// definition, proofs against random layouts, and against their checker.
#include "planner/search/layouts/anywhere.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/links.h"
#include "planner/proof/recheck/check_proof.h"
#include "planner/search/ask/certify.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"
#include "tests/support/hopeless_counts.h"
#include "tests/support/scene_asking.h"

using namespace withy;
using namespace withy::questions;

namespace {

using Random = std::mt19937;

double uniform(Random& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

DesignParts with_stations(const SearchProblem& asked, const Stations& stations) {
  DesignParts parts = asked.design.parts();
  parts.layout.station_mm = stations;
  parts.layout.clock_rad.assign(stations.size(), 0.0);
  return parts;
}

/// Stations that a design may have.
Stations random_layout(Random& random, const DesignParts& parts, int locks) {
  for (;;) {
    Stations stations;
    for (int i = 0; i < locks; ++i) {
      const StationRange range = station_range(parts, locks, i);
      stations.push_back(uniform(random, range.low_mm, range.high_mm));
    }
    bool apart = true;
    for (std::size_t i = 1; i < stations.size(); ++i)
      apart = apart && stations[i] - stations[i - 1] >= parts.lock->body_length_mm;
    if (apart) return stations;
  }
}

/// A state whose bends are latched and keep the curvature limit.
State random_state(Random& random, const Design& design) {
  State state;
  const double kappa = design.segment().curvature_max_per_mm;
  state.insertion_mm = uniform(random, 0.0, design.carriage().insertion_max_mm);
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  double from = 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    if (random() % 2 == 0) continue;
    const double most = kappa * design.flexible_length(from, design.station_mm(lock));
    const auto held = lattice_points(exact_latch(*design.latch()), sum, most);
    if (held.empty()) continue;
    const Eigen::Vector2d next = held[random() % held.size()];
    if ((next - sum).norm() > most) continue;
    state.engaged.set(static_cast<std::size_t>(lock));
    state.theta_frozen.push_back(next - sum);
    sum = next;
    from = design.station_mm(lock);
  }
  const double size = kappa * std::sqrt(uniform(random, 0.0, 1.0)), way = uniform(random, 0.0, 2.0 * M_PI);
  state.u_free = {size * std::cos(way), size * std::sin(way)};
  return state;
}

/// A wide room: nothing but the limits and the target count.
Tube room() {
  return tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 40.0}}, 6.0);
}

}  // namespace

TEST_CASE("Lemma 27: states of layouts in a box go over to eased states of its middle, switches too") {
  const std::uint32_t seed = 27;
  CAPTURE(seed);
  Random random(seed);
  const Tube channel = room();
  double tightest = 0.0;
  int switches = 0;
  for (int k = 0; k < 4000; ++k) {
    const int locks = 1 + k % 3;
    Stations middle(static_cast<std::size_t>(locks));
    const SearchProblem asked = question(segment({.stations = locks == 1   ? Stations{30.0}
                                                              : locks == 2 ? Stations{20.0, 40.0}
                                                                           : Stations{15.0, 30.0, 45.0},
                                                  .notch_pitch = 0.15}),
                                         channel, {0.0, 0.0, 60.0});
    const DesignParts& parts = asked.design.parts();
    const Stations stations = random_layout(random, parts, locks);
    const double half = std::pow(10.0, uniform(random, -2.0, 0.3));
    StationBox box{stations, half};
    for (double& s : box.middle_mm) s += uniform(random, -half, half);
    REQUIRE(holds_layouts(parts, box));
    const auto over = question_over(asked, box);
    if (!over) continue;
    for (std::size_t i = 0; i < stations.size(); ++i)
      REQUIRE(std::abs(stations[i] - over->covers.middle_mm[i]) <= over->covers.half_mm);
    const auto there = Design::make(with_stations(asked, stations));
    REQUIRE(there);
    const State state = random_state(random, *there);
    // The bends keep the eased limit.
    const Design& eased = over->problem.design;
    const double kappa = eased.segment().curvature_max_per_mm;
    const auto regions = regions_of(eased, state);
    for (std::size_t r = 0; r < state.theta_frozen.size(); ++r)
      CHECK(state.theta_frozen[r].norm() <= kappa * regions[r].flexible_mm * (1.0 + 1e-9) + 1e-12);
    // Points, and the tip's direction, move no farther than is counted: half of it before the body is set
    // back.
    const double moved = 0.5 * (asked.required_clearance_mm - over->problem.required_clearance_mm);
    const Shape here(eased, state), other(*there, state);
    for (double s = 0.0; s <= kLength; s += 0.5) {
      const double apart = (here.point_E(s) - other.point_E(s)).norm();
      CHECK(apart <= moved);
      tightest = std::max(tightest, apart / moved);
    }
    const double cosine = here.tip_E().linear().col(2).dot(other.tip_E().linear().col(2));
    CHECK(std::acos(std::clamp(cosine, -1.0, 1.0)) <= 2.0 * kCurvatureMax * over->covers.half_mm + 1e-7);
    // A switch of the layout is a link of the eased question.
    const BendChart chart(eased, false, over->problem.station_play_mm);
    for (int lock = 0; lock < locks; ++lock) {
      State before = state;
      if (state.engaged.test(static_cast<std::size_t>(lock))) continue;
      if (region_index(state.engaged, lock) == state.theta_frozen.size()) {
        // Bend the free region so that the lock falls on a notch.
        const double from = regions_of(*there, state).back().from_mm;
        const double f = there->flexible_length(from, stations[static_cast<std::size_t>(lock)]);
        Eigen::Vector2d sum = Eigen::Vector2d::Zero();
        for (const Eigen::Vector2d& t : state.theta_frozen) sum += t;
        const auto held = lattice_points(exact_latch(*there->latch()), sum, kCurvatureMax * f);
        if (held.empty() || f <= 0.0) continue;
        before.u_free = (held[random() % held.size()] - sum) / f;
        if (before.u_free.norm() > kCurvatureMax) continue;
      } else {
        continue;
      }
      const State after = after_lock(*there, before, lock);
      const Leaf leaf = leaf_of(chart, before);
      std::vector<SwitchLink> links;
      Box point;
      const auto x = coordinates_of(chart, before);
      for (int c = 0; c < 3; ++c) point.low[Box::idx(c)] = point.high[Box::idx(c)] = x[Box::idx(c)];
      links_of(eased, chart, leaf, point, links);
      const LeafKey wanted = leaf_of(chart, after).key();
      CHECK(std::any_of(links.begin(), links.end(), [&](const SwitchLink& link) {
        return link.lock == lock && link.engages && link.other.key() == wanted;
      }));
      ++switches;
    }
  }
  CHECK(switches > 500);
  CHECK(tightest > 0.1);  // the bound is one, and not a hundred times too wide
}

TEST_CASE("A layout lies in a box only where each station lies within it, locks apart") {
  const std::uint32_t seed = 5;
  CAPTURE(seed);
  Random random(seed);
  const Tube channel = room();
  const SearchProblem asked =
      question(segment({.stations = {20.0, 40.0}, .notch_pitch = 0.5}), channel, {0.0, 0.0, 60.0});
  const DesignParts& parts = asked.design.parts();
  for (int k = 0; k < 2000; ++k) {
    const StationBox box{{uniform(random, 0.0, 60.0), uniform(random, 0.0, 60.0)}, uniform(random, 0.1, 8.0)};
    bool found = false;
    for (int t = 0; t < 400 && !found; ++t) {
      Stations stations = box.middle_mm;
      for (double& s : stations) s += uniform(random, -box.half_mm, box.half_mm);
      found = design_with(parts, stations, {0.0, 0.0}).has_value();
    }
    if (found) CHECK(holds_layouts(parts, box));
  }
}

TEST_CASE("No layout of one lock gets round a corner that is too tight: proved, checked, and not broken") {
  const SearchProblem asked = withy::testing::hopeless_counts({"corner"}).front().asked;
  const Scene scene = withy::testing::scene_asking(asked);
  std::vector<recheck::Certificate> certificates;
  AnywhereSettings settings;
  settings.certified = [&](recheck::Certificate certificate) {
    name_scene(certificate, scene, asked.distance->exact().channel(), "scene.toml");
    certificates.push_back(std::move(certificate));
  };
  const AnywhereAnswer answer = reach_anywhere(asked, settings);
  CHECK(answer.verdict == Verdict::unreachable);
  CHECK_FALSE(answer.by_tip_alone);
  REQUIRE(std::ssize(certificates) == answer.boxes_proved);
  // Every layout lies in a box.
  Random random(7);
  const auto share = [&] { return uniform(random, 0.0, 1.0); };
  for (int k = 0; k < 5000; ++k) {
    const Stations at = withy::testing::random_stations(asked.design.parts(), 1, share);
    CHECK(std::any_of(certificates.begin(), certificates.end(), [&](const recheck::Certificate& box) {
      return std::abs(box.header.layout->station_mm[0] - at[0]) <= box.header.layout->within_mm;
    }));
  }
  // The checker agrees, and refuses a box that is not eased enough.
  const recheck::Certificate& one = certificates[certificates.size() / 2];
  const auto read = recheck::read_certificate(recheck::write_certificate(one), "box");
  REQUIRE(read);
  const auto report = recheck::check_proof(*read, scene, asked.distance->exact(), {});
  CAPTURE(report.outcome.why);
  CHECK(report.outcome.verdict == recheck::Verdict::holds);
  using Change = std::function<void(recheck::ProvedLayout&)>;
  const std::vector<Change> changes = {
      [](auto& l) { l.within_mm *= 1.001; }, [](auto& l) { l.eased.clearance_mm += 1e-5; },
      [](auto& l) { l.eased.tolerance_mm -= 1e-5; }, [](auto& l) { l.eased.curvature_per_mm *= 0.99999; },
      [](auto& l) { l.station_mm[0] -= 0.01; }};
  int refused = 0;
  for (const Change& change : changes) {
    recheck::Certificate changed = *read;
    change(*changed.header.layout);
    const auto outcome = recheck::check_proof(changed, scene, asked.distance->exact(), {}).outcome;
    refused += outcome.verdict != recheck::Verdict::holds &&
               outcome.why.find("not eased enough") != std::string::npos;
  }
  CHECK(refused >= 4);  // where the first region is the shortest, a station nearer to the base eases more
  // Random layouts, asked one by one.
  for (int k = 0; k < 12; ++k) {
    const SearchProblem one_layout =
        withy::testing::with_locks_at(asked, withy::testing::random_stations(asked.design.parts(), 1, share));
    RouteSearchSettings bounded;
    bounded.effort = Effort::of_work(30000);
    CHECK(RouteSearch(one_layout, bounded).run(one_layout.goal) != SearchOutcome::found);
  }
}

TEST_CASE("What the tip alone proves needs no boxes, whatever the count") {
  for (const auto& [name, asked] : withy::testing::hopeless_counts({"throat", "aside", "turned"}))
    for (const int locks : {1, 2}) {
      Stations middle;
      for (int i = 0; i < locks; ++i) middle.push_back(10.0 * (i + 1));
      const SearchProblem with = withy::testing::with_locks_at(asked, middle);
      const AnywhereAnswer answer = reach_anywhere(with, {});
      CAPTURE(name, locks);
      CHECK(answer.verdict == Verdict::unreachable);
      CHECK(answer.by_tip_alone);
      CHECK(answer.boxes_proved == 0);
    }
}

TEST_CASE("Where a layout reaches, the best that is found has a plan") {
  const Tube channel = tube(
      {{30.0, Eigen::Vector2d::Zero()}, {40.0, Eigen::Vector2d(0.02, 0.0)}, {15.0, Eigen::Vector2d::Zero()}},
      {{0.0, 8.0}});
  const SearchProblem asked =
      question(segment({.stations = {50.0}, .notch_pitch = 0.5}), channel, {14.0, 0.0, 66.0}, 1.0);
  const AnywhereAnswer answer = reach_anywhere(asked, {});
  REQUIRE(answer.verdict == Verdict::reached);
  REQUIRE(answer.best);
  SearchProblem best = asked;
  best.design =
      *design_with(asked.design.parts(), answer.best->layout.station_mm, answer.best->layout.clock_rad);
  RouteSearchSettings bounded;
  bounded.effort = Effort::of_work(4000000);
  CHECK(RouteSearch(best, bounded).run(best.goal) == SearchOutcome::found);
}

TEST_CASE("A thick lock at the very tip keeps the tip of no other layout out of a throat") {
  // 1.5 mm of segment and 0.2 mm of clearance go through 2 mm, the lock of 2.5 mm does not; with the tip at
  // the target it stays before the throat where it sits less than 28 mm from the base.
  const Tube channel = tube({{90.0, Eigen::Vector2d::Zero()}},
                            {{0.0, 6.0}, {40.0, 6.0}, {44.0, 2.0}, {48.0, 2.0}, {52.0, 6.0}, {90.0, 6.0}});
  const SearchProblem asked =
      question(segment({.stations = {58.0}, .notch_pitch = 0.5, .lock_radius = 2.5, .tip_rigid = 0.0}),
               channel, {0.0, 0.0, 70.0}, 1.0);
  RouteSearchSettings bounded;
  bounded.relaxations = true;
  bounded.effort = Effort::of_work(4000000);
  RouteSearch of_this(asked, bounded);
  CHECK(of_this.run(asked.goal) == SearchOutcome::proved_none);
  CHECK(of_this.proof() == ProofKind::cells);
  const AnywhereAnswer answer = reach_anywhere(asked, {});
  CAPTURE(answer.why);
  CHECK(answer.verdict == Verdict::reached);
}

TEST_CASE("A place to pass that no layout gets to proves as much as the target, with certificates") {
  for (const char* name : {"corner", "aside"}) {
    CAPTURE(name);
    SearchProblem asked = withy::testing::hopeless_counts({name}).front().asked;
    asked.vias = {asked.goal, asked.goal};
    for (Goal* easy : {&asked.vias[0], &asked.goal}) {
      easy->point_E = {0.0, 0.0, 2.0};
      easy->tolerance_mm = 1.0;
    }
    AnywhereSettings settings;
    int certificates = 0;
    settings.certified = [&](const recheck::Certificate& certificate) {
      ++certificates;
      CHECK(certificate.header.via == 1U);
    };
    const AnywhereAnswer answer = reach_anywhere(asked, settings);
    CHECK(answer.verdict == Verdict::unreachable);
    CHECK(certificates == (answer.by_tip_alone ? 1 : answer.boxes_proved));
    CHECK(answer.boxes_by_place == answer.boxes_proved);
    if (answer.by_tip_alone)
      CHECK(answer.why.find("place 2 of those to pass: ") == 0);
    else
      CHECK(answer.why.find("by a place to pass that can't be reached") != std::string::npos);
    CHECK(answer.by_tip_alone == (std::string(name) == "aside"));
  }
}

TEST_CASE("A box eases its places to pass as it eases the target") {
  SearchProblem asked = withy::testing::hopeless_counts({"corner"}).front().asked;
  asked.goal.direction_E = Eigen::Vector3d::UnitZ();
  asked.goal.direction_tolerance_rad = 0.1;
  asked.vias = {asked.goal};
  const auto over = question_over(asked, {{15.0}, 0.5});
  REQUIRE(over);
  CHECK(over->problem.goal.tolerance_mm > asked.goal.tolerance_mm);
  CHECK(over->problem.vias[0].tolerance_mm == over->problem.goal.tolerance_mm);
  CHECK(over->problem.goal.direction_tolerance_rad > asked.goal.direction_tolerance_rad);
  CHECK(over->problem.vias[0].direction_tolerance_rad == over->problem.goal.direction_tolerance_rad);
}
