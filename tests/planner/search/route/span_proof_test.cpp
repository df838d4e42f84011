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
#include "planner/search/ask/solve.h"
#include "planner/search/route/certificate_leaves.h"
#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"
#include "tests/support/certificate_outcome.h"

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
  for (const double station : without) {
    CAPTURE(station);
    const SearchProblem asked = with_station(prepared, station);
    SpanProof spans(asked, asked.goal);
    REQUIRE(spans.run(Effort::of_work(1000000)));
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
    CHECK_FALSE(SpanProof(asked, asked.goal).run(Effort::of_work(20000000)));
  }
}

TEST_CASE("A question asked for the soonest answer has the verdict that it has anyway") {
  const PreparedScene prepared = double_bend();
  for (const double station : {41.0, 50.0}) {
    const SearchProblem asked = with_station(prepared, station);
    SolveSettings settings;
    settings.effort = Effort::of_work(20000000);
    settings.explain = false;
    settings.prefer = Preference::quick;
    const Answer usual = solve(asked, settings);
    settings.soonest = true;
    const Answer soonest = solve(asked, settings);
    CHECK(soonest.verdict == usual.verdict);
    const bool by_spans = soonest.why.find("no lock switch leads to where") != soonest.why.npos;
    CHECK(by_spans == (usual.verdict == Verdict::unreachable));
    CHECK(usual.why.find("no lock switch leads to where") == usual.why.npos);
  }
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
    SpanProof spans(asked, asked.goal);
    const bool none = spans.run(Effort::of_work(100000));
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
