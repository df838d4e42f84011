// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 28: what spans of insertion prove goes before the checker of certificates, which shares nothing with
// them, and is held against the complete search and against plans.
#include "planner/search/cells/span_proof.h"

#include <filesystem>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/route/certificate_leaves.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"
#include "tests/support/certificate_outcome.h"
#include "tests/support/lemma_cases.h"

using namespace withy;

namespace {

using Random = std::mt19937_64;

double uniform(Random& random, double low, double high) {
  return std::uniform_real_distribution(low, high)(random);
}

PreparedScene double_bend() {
  auto prepared = prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/double-bend/scene.toml");
  REQUIRE(prepared);
  return std::move(*prepared);
}

SearchProblem with_station(const PreparedScene& prepared, double station_mm) {
  auto asked = make_problem(prepared, 1);
  REQUIRE(asked);
  DesignParts parts = asked->design.parts();
  parts.layout.station_mm = {station_mm};
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  asked->design = std::move(*design);
  return std::move(*asked);
}

/// The set of spans that were met, as the certificate of a proof.
recheck::Certificate certificate_of(const PreparedScene& prepared, const SearchProblem& asked,
                                    const SpanProof& spans) {
  recheck::Certificate certificate;
  recheck::CertificateHeader& header = certificate.header;
  header.claim = "unreachable";
  header.locks = asked.design.lock_count();
  header.required_clearance_mm = asked.required_clearance_mm;
  header.limits = {"insertion", "curvature", "clearance", "latch", "tendons", "field"};
  header.layout = recheck::ProvedLayout{asked.design.layout().station_mm, asked.design.layout().clock_rad};
  certificate.leaves = certificate_leaves(spans.cells(), nullptr, 1);
  header.leaves = certificate.leaves.size();
  name_scene(certificate, prepared.scene, prepared.wall().channel(), "scene.toml");
  return certificate;
}

}  // namespace

TEST_CASE(
    "Spans prove stations of double-bend away, and the checker agrees; where a plan is they prove nothing") {
  const PreparedScene prepared = double_bend();
  // Stations on either side of where plans begin, and some at random between.
  Random random(28);
  std::vector<double> without = {30.0, 39.5, 44.9, 65.0};
  without.push_back(uniform(random, 31.0, 45.0));
  // Here the lock comes in last, whole slices have legal states, and planes must part the leaf.
  without.insert(without.end(), {14.0, 17.0, 22.0});
  for (const double station : without) {
    CAPTURE(station);
    const SearchProblem asked = with_station(prepared, station);
    SpanProof spans(asked);
    spans.begin(asked.goal);
    REQUIRE(spans.run(Effort::of_work(1000000)) == SpanProof::Outcome::proved);
    const auto certificate = certificate_of(prepared, asked, spans);
    const recheck::Outcome outcome = withy_test::outcome_of(prepared, certificate);
    CAPTURE(outcome.why);
    CHECK(outcome.verdict == recheck::Verdict::holds);
    // It would not, were a leaf left out.
    if (certificate.leaves.empty()) continue;
    recheck::Certificate less = certificate;
    less.leaves.pop_back();
    less.header.leaves = less.leaves.size();
    CHECK(withy_test::outcome_of(prepared, less).verdict != recheck::Verdict::holds);
  }
  for (const double station : {46.0, 48.0, 53.0, 58.0, 60.0}) {
    CAPTURE(station);
    const SearchProblem asked = with_station(prepared, station);
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(3000000);
    REQUIRE(RouteSearch(asked, settings).run(asked.goal) == SearchOutcome::found);
    SpanProof spans(asked);
    spans.begin(asked.goal);
    CHECK(spans.run(Effort::of_work(20000000)) == SpanProof::Outcome::no_proof);
  }
}

TEST_CASE("Spans that are stopped go on where they stopped, and what they proved serves the next goal") {
  const PreparedScene prepared = double_bend();
  const SearchProblem asked = with_station(prepared, 39.5);
  SpanProof at_once(asked);
  at_once.begin(asked.goal);
  REQUIRE(at_once.run(Effort::of_work(1000000)) == SpanProof::Outcome::proved);
  SpanProof bit_by_bit(asked);
  bit_by_bit.begin(asked.goal);
  int stops = 0;
  std::int64_t most = 50;
  while (bit_by_bit.run(Effort::of_work(most)) == SpanProof::Outcome::stopped) {
    most += most / 2;
    REQUIRE(++stops < 100);
  }
  CHECK(stops > 1);
  const auto proof = certificate_of(prepared, asked, at_once);
  CHECK(recheck::write_certificate(certificate_of(prepared, asked, bit_by_bit)) ==
        recheck::write_certificate(proof));
  // The same goal again takes no more than asking which leaves may hold it.
  const std::int64_t first = at_once.looks_at_goal();
  at_once.begin(asked.goal);
  CHECK(at_once.run(Effort::of_work(10000000)) == SpanProof::Outcome::proved);
  CHECK(at_once.looks_at_goal() < first);
  CHECK(recheck::write_certificate(certificate_of(prepared, asked, at_once)) ==
        recheck::write_certificate(proof));
  // No walls: the start's own tip is a goal that no proof may part it from.
  Goal home = asked.goal;
  home.point_E = Shape(asked.design, start_state()).tip_E().translation();
  home.direction_E.reset();
  at_once.begin(home);
  CHECK(at_once.run(Effort::of_work(10000000)) == SpanProof::Outcome::no_proof);
}

TEST_CASE("Where spans have to wait for the cells the answer is the same, and its certificate holds") {
  auto prepared = prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/miniature/scene.toml");
  REQUIRE(prepared);
  const auto asked = make_problem(*prepared, 3);
  REQUIRE(asked);
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(10000000);
  settings.spans = true;
  settings.span_work = 0;
  RouteSearch search(*asked, settings);
  REQUIRE(search.run(asked->goal) == SearchOutcome::proved_none);
  CHECK(search.proof() == ProofKind::no_switch_in);
  CHECK(search.checks() > 0);
  // Many targets: spans are buried with what cells prove.
  search.bury();
  Goal beside = asked->goal;
  beside.point_E.z() += 0.2;
  REQUIRE(search.run(beside) == SearchOutcome::proved_none);
  search.bury();
  auto certificate = certify_targets(*asked, search);
  name_scene(certificate, prepared->scene, prepared->wall().channel(), "scene.toml");
  const Eigen::Isometry3d& X_SE = prepared->scene.entry.X_SE;
  name_targets(certificate, {X_SE * asked->goal.point_E, X_SE * beside.point_E}, asked->goal.tolerance_mm);
  for (recheck::ProvedTarget& target : certificate.header.targets) {
    target.direction_S = prepared->scene.target.direction_S;
    target.direction_tolerance_rad = prepared->scene.target.direction_tolerance_rad;
  }
  const recheck::Outcome outcome = withy_test::outcome_of(*prepared, certificate);
  CAPTURE(outcome.why);
  CHECK(outcome.verdict == recheck::Verdict::holds);
}

TEST_CASE(
    "What spans prove of shipped scenes with other bodies, locks and carriages holds before the checker") {
  const unsigned seed = 2802;
  CAPTURE(seed);
  Random random(seed);
  int held = 0;
  for (int k = 0; k < 24 && held < 8; ++k) {
    CAPTURE(k);
    const char* name = k % 2 == 0 ? "single-bend" : "double-bend";
    auto prepared = prepare_scene(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes" / name / "scene.toml");
    REQUIRE(prepared);
    DesignParts& parts = prepared->scene.parts;
    parts.segment.tip_rigid_mm = uniform(random, 0.0, 12.0);
    parts.lock->body_length_mm = uniform(random, 1.0, 20.0);
    parts.lock->body_radius_mm = parts.segment.radius_mm * uniform(random, 1.0, 1.6);
    if (k % 3 == 1) {
      parts.carriage.kind = CarriageKind::guide;
      parts.carriage.insertion_max_mm = parts.segment.length_mm;
    }
    const int locks = k % 3;
    const auto asked = make_problem(*prepared, locks);
    if (!asked) continue;
    SpanProof spans(*asked);
    spans.begin(asked->goal);
    if (spans.run(Effort::of_work(60000)) != SpanProof::Outcome::proved) continue;
    const recheck::Outcome outcome =
        withy_test::outcome_of(*prepared, certificate_of(*prepared, *asked, spans));
    CAPTURE(name, locks, outcome.why);
    CHECK(outcome.verdict == recheck::Verdict::holds);
    ++held;
  }
  CHECK(held >= 5);
}

TEST_CASE("With spans and without, the search says the same and finds the same ways, in every regime") {
  const unsigned seed = 2803;
  CAPTURE(seed);
  Random random(seed);
  withy::testing::Random cases(seed);
  int found = 0, by_spans = 0, both = 0, more = 0;
  for (int k = 0; k < 160; ++k) {
    CAPTURE(k);
    const withy::testing::LemmaDesign of =
        withy::testing::random_lemma_design(cases, {.channel = -1, .hardware = k % 3 == 0});
    const State at = withy::testing::random_lemma_state(of, cases, true);
    if (!withy::testing::placeable(of, at)) continue;
    SearchProblem asked{of.design, of.channel->distance, {}, of.required_mm, {}};
    const Eigen::Isometry3d tip = Shape(of.design, at).tip_E();
    asked.goal.point_E = tip.translation();
    asked.goal.tolerance_mm = of.channel->lumen_mm * uniform(random, 0.05, 1.0);
    if (k % 4 == 0) {
      asked.goal.direction_E = tip.linear().col(2);
      asked.goal.direction_tolerance_rad = uniform(random, 0.05, 0.6);
    }
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(120000);
    settings.twin_work = 20000;
    RouteSearch without(asked, settings);
    const SearchOutcome plain = without.run(asked.goal);
    settings.spans = true;
    RouteSearch with(asked, settings);
    const SearchOutcome outcome = with.run(asked.goal);
    REQUIRE((plain == SearchOutcome::found) == (outcome == SearchOutcome::found));
    if (plain == SearchOutcome::proved_none) CHECK(outcome == SearchOutcome::proved_none);
    found += plain == SearchOutcome::found;
    if (outcome == SearchOutcome::proved_none && with.proof() == ProofKind::no_switch_in) {
      ++by_spans;
      both += plain == SearchOutcome::proved_none;
      more += plain == SearchOutcome::stopped;
    }
    if (outcome != SearchOutcome::found) continue;
    REQUIRE(with.route().steps.size() == without.route().steps.size());
    for (std::size_t i = 0; i < with.route().steps.size(); ++i) {
      CHECK(with.route().steps[i].lock == without.route().steps[i].lock);
      CHECK(with.route().steps[i].to == without.route().steps[i].to);
    }
    CHECK(with.work() == without.work());
  }
  CAPTURE(found, by_spans, both, more);
  CHECK(found >= 10);
  CHECK(by_spans >= 10);
}

TEST_CASE("What spans prove unreachable in small tubes the complete search never reaches") {
  const unsigned seed = 2801;
  CAPTURE(seed);
  Random random(seed);
  const questions::Tube channels[] = {
      questions::tube({{10.0, {0.0, 0.0}}, {20.0, {0.03, 0.0}}, {30.0, {0.0, 0.0}}}, {{0.0, 6.0}}, 1.2),
      questions::tube({{20.0, {0.0, 0.0}}, {35.0, {0.01, 0.015}}}, {{0.0, 4.0}, {18.0, 4.0}, {24.0, 9.0}},
                      1.2)};
  int proved = 0, reached = 0, both = 0;
  for (int k = 0; k < 60; ++k) {
    CAPTURE(k);
    questions::SegmentMakeup makeup;
    makeup.carriage = k % 3 == 0 ? CarriageKind::guide : CarriageKind::free;
    makeup.stations = {uniform(random, 15.0, 45.0)};
    makeup.notch_pitch = uniform(random, 0.15, 0.6);
    makeup.lock_radius = questions::kRadius + (k % 2) * 0.4;
    const Design design = questions::segment(makeup);
    const Eigen::Vector3d target(uniform(random, -12.0, 12.0), uniform(random, -12.0, 12.0),
                                 uniform(random, 15.0, 55.0));
    SearchProblem asked = questions::question(design, channels[k % 2], target, uniform(random, 0.7, 3.0));
    if (k % 4 == 1) {
      asked.goal.direction_E =
          Eigen::Vector3d(uniform(random, -1.0, 1.0), uniform(random, -1.0, 1.0), 1.0).normalized();
      asked.goal.direction_tolerance_rad = 0.4;
    }
    SpanProof spans(asked);
    spans.begin(asked.goal);
    const bool none = spans.run(Effort::of_work(20000)) == SpanProof::Outcome::proved;
    RouteSearchSettings settings;
    settings.effort = Effort::of_work(400000);
    const SearchOutcome outcome = RouteSearch(asked, settings).run(asked.goal);
    proved += none;
    reached += outcome == SearchOutcome::found;
    both += none && outcome == SearchOutcome::proved_none;
    CHECK_FALSE((none && outcome == SearchOutcome::found));
  }
  CAPTURE(proved, reached, both);
  CHECK(proved >= 5);
  CHECK(reached >= 5);
}
