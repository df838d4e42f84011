// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates of what the tip alone proves: the checker holds them, and none that is false.
#include <cmath>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "planner/proof/recheck/check_proof.h"
#include "planner/search/ask/certify.h"
#include "planner/search/layouts/anywhere.h"
#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"
#include "tests/support/hopeless_counts.h"
#include "tests/support/scene_asking.h"

namespace {

using namespace withy;
using Json = nlohmann::json;
using recheck::Certificate;

/// By way of the file, so that what is written is what is checked.
recheck::Outcome checked(const SearchProblem& asked, const Certificate& certificate) {
  Certificate named = certificate;
  const Scene scene = withy::testing::scene_asking(asked);
  name_scene(named, scene, asked.distance->exact().channel(), "scene.toml");
  const auto read = recheck::read_certificate(recheck::write_certificate(named), "proof");
  REQUIRE(read);
  return recheck::check_proof(*read, scene, asked.distance->exact(), {}).outcome;
}

SearchProblem hopeless(const std::string& name) {
  return withy::testing::hopeless_counts({name}).front().asked;
}

/// The throat's question with its target before the throat, which the segment reaches.
SearchProblem before_the_throat() {
  SearchProblem asked = hopeless("throat");
  asked.goal.point_E = {0.0, 0.0, 10.0};
  return asked;
}

std::size_t cubes_of(const Certificate& certificate) {
  std::size_t count = 0;
  for (const recheck::CubeRow& row : certificate.cubes)
    for (const auto& [first, last] : row.runs) count += static_cast<std::size_t>(last - first + 1);
  return count;
}

}  // namespace

TEST_CASE("What the tip alone proves has a certificate of its own, which holds wherever the locks sit") {
  const SearchProblem asked = hopeless("throat");
  std::vector<Certificate> certificates;
  AnywhereSettings settings;
  settings.certified = [&](Certificate certificate) { certificates.push_back(std::move(certificate)); };
  const AnywhereAnswer answer = reach_anywhere(asked, settings);
  REQUIRE(answer.by_tip_alone);
  REQUIRE(certificates.size() == 1);
  CHECK_FALSE(certificates[0].header.layout);
  CHECK(cubes_of(certificates[0]) > 100);
  const auto outcome = checked(asked, certificates[0]);
  CAPTURE(outcome.why);
  CHECK(outcome.verdict == recheck::Verdict::holds);
}

TEST_CASE("A target beside all curves, and one that they can't point along, take no cubes") {
  const SearchProblem aside = hopeless("aside");
  const auto one = certify_passage(aside, aside.goal, {});
  REQUIRE(one);
  CHECK(one->cubes.empty());
  CHECK(checked(aside, *one).verdict == recheck::Verdict::holds);
  SearchProblem turned = before_the_throat();
  // 30 mm of 0.03 / mm, less 1 mm of tip and 3 mm of lock, turn the tip by 0.78 rad.
  turned.goal.direction_E = Eigen::Vector3d(std::sin(1.0), 0.0, std::cos(1.0));
  turned.goal.direction_tolerance_rad = 0.15;
  const auto two = certify_passage(turned, turned.goal, {});
  REQUIRE(two);
  CHECK(two->cubes.empty());
  CHECK(checked(turned, *two).verdict == recheck::Verdict::holds);
  turned.goal.direction_tolerance_rad = 0.25;
  CHECK(checked(turned, *two).verdict != recheck::Verdict::holds);
}

TEST_CASE("One cube less, or a row, and the certificate of a throat does not hold") {
  const SearchProblem asked = hopeless("throat");
  const auto made = certify_passage(asked, asked.goal, {});
  REQUIRE(made);
  for (std::size_t k = 0; k < made->cubes.size(); k += 7) {
    Certificate changed = *made;
    auto& runs = changed.cubes[k].runs;
    if (runs[0][0] < runs[0][1])
      ++runs[0][0];
    else
      runs.erase(runs.begin());
    CAPTURE(k);
    // The cube that was left out is open by lemma 13, which is less exact than the checker is.
    CHECK((checked(asked, changed).verdict != recheck::Verdict::holds ||
           cubes_of(changed) + 1 == cubes_of(*made)));
    changed.cubes.resize(k);
    CHECK(checked(asked, changed).verdict != recheck::Verdict::holds);
  }
  Certificate none = *made;
  none.cubes.clear();
  none.header.cubes = 0;
  CHECK(checked(asked, none).verdict != recheck::Verdict::holds);
}

TEST_CASE("No certificate by the tip holds of a target that is reached, whatever its cubes") {
  const SearchProblem asked = before_the_throat();
  RouteSearch search(asked, {});
  REQUIRE(search.run(asked.goal) == SearchOutcome::found);
  CHECK_FALSE(certify_passage(asked, asked.goal, {}));
  // That of the place behind the throat, of this target; that of a body too thick for the tube; no cubes; all
  // cubes up to the second from the plane, and up to the first.
  const SearchProblem behind = hopeless("throat");
  Certificate forged = *certify_passage(behind, behind.goal, {});
  CHECK(checked(asked, forged).verdict != recheck::Verdict::holds);
  forged.cubes.clear();
  CHECK(checked(asked, forged).verdict != recheck::Verdict::holds);
  SearchProblem thick = asked;
  thick.required_clearance_mm = 4.5;
  const auto of_thick = certify_passage(thick, thick.goal, {});
  REQUIRE(of_thick);
  CHECK(checked(thick, *of_thick).verdict == recheck::Verdict::holds);
  Certificate thinner = *of_thick;
  thinner.header.required_clearance_mm = asked.required_clearance_mm;
  CHECK(checked(asked, thinner).verdict != recheck::Verdict::holds);
  for (const std::int64_t lowest : {2, 1, 0}) {
    Certificate filled = forged;
    for (std::int64_t z = lowest; z < 30; ++z)
      for (std::int64_t y = -8; y < 8; ++y) filled.cubes.push_back({y, z, {{-8, 7}}});
    CAPTURE(lowest);
    CHECK(checked(asked, filled).verdict == recheck::Verdict::does_not_hold);
  }
}

TEST_CASE("Certificates of throats in bent tubes hold, however near their room comes to what is needed") {
  const std::uint32_t seed = 77;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  constexpr double kNeed_mm = questions::kRadius + questions::kRequired;
  for (int k = 0; k < 8; ++k) {
    // 20 mm straight, 15 mm of arc, 15 mm straight; the throat from 25 to 30 mm.
    const double turn = 0.2 + uniform(random);
    const double r = 15.0 / turn;
    const double throat = kNeed_mm - (k == 0 ? 0.02 : 0.4 * uniform(random) + 0.02);
    CAPTURE(k, turn, throat);
    const questions::Tube channel =
        questions::tube({{20.0, {0.0, 0.0}}, {15.0, {1.0 / r, 0.0}}, {15.0, {0.0, 0.0}}},
                        {{0.0, 4.0}, {22.0, 4.0}, {25.0, throat}, {30.0, throat}, {33.0, 4.0}, {50.0, 4.0}});
    SearchProblem asked = hopeless("throat");
    asked.distance = channel.distance;
    asked.design = questions::segment({});
    asked.required_clearance_mm = questions::kRequired;
    asked.goal = {};
    asked.goal.point_E = Eigen::Vector3d(r * (1.0 - std::cos(turn)), 0.0, 20.0 + r * std::sin(turn)) +
                         8.0 * Eigen::Vector3d(std::sin(turn), 0.0, std::cos(turn));
    asked.goal.tolerance_mm = 1.0;
    const auto made = certify_passage(asked, asked.goal, {});
    REQUIRE(made);
    CHECK(cubes_of(*made) > 100);
    const auto outcome = checked(asked, *made);
    CAPTURE(outcome.why);
    CHECK(outcome.verdict == recheck::Verdict::holds);
  }
}

TEST_CASE("A target that is wide, far or about the entry plane is no target of cubes") {
  SearchProblem asked = before_the_throat();
  Certificate none = *certify_passage(hopeless("aside"), hopeless("aside").goal, {});
  Scene scene = withy::testing::scene_asking(asked);
  for (const double tolerance : {9.9999, 10.0, 1e4, 1e6, 3e9, 1e18, 1e19, 1e155, 1e300}) {
    CAPTURE(tolerance);
    name_scene(none, scene, asked.distance->exact().channel(), "scene.toml");
    none.header.targets[0].tolerance_mm = tolerance;
    CHECK(recheck::check_proof(none, scene, asked.distance->exact(), {}).outcome.verdict !=
          recheck::Verdict::holds);
  }
  // A place that is not the scene's to the last digit is another.
  name_scene(none, scene, asked.distance->exact().channel(), "scene.toml");
  none.header.targets[0].point_S.z() += 1e-12;
  CHECK(recheck::check_proof(none, scene, asked.distance->exact(), {}).outcome.why ==
        "its target is not the scene's");
}

TEST_CASE("Cubes are read strictly") {
  const SearchProblem asked = hopeless("throat");
  Certificate made = *certify_passage(asked, asked.goal, {});
  name_scene(made, withy::testing::scene_asking(asked), asked.distance->exact().channel(), "scene.toml");
  const std::string text = recheck::write_certificate(made);
  const std::size_t second = text.find('\n') + 1;
  const std::string head = text.substr(0, second);
  const auto refused = [&](const std::function<void(Json&)>& change, const std::string& row,
                           const std::string& why) {
    Json header = Json::parse(head);
    header["cubes"] = row.empty() ? 0 : 1;
    change(header);
    const auto read = recheck::read_certificate(header.dump() + "\n" + row, "proof");
    CAPTURE(row, why);
    REQUIRE(!read);
    CHECK(read.error().problem.find(why) != std::string::npos);
    CHECK(read.error().line == (row.empty() ? 1 : 2));
  };
  const auto as_is = [](Json&) {};
  refused(as_is, R"({"y":0,"z":-1,"x":[[0,1]]})", "z must be from 0 to");
  refused(as_is, R"({"y":0,"z":1,"x":[[1,0]]})", "x must be from 1 to");
  refused(as_is, R"({"y":0,"z":1,"x":[[0,1,2]]})", "x must hold the first and the last");
  refused(as_is, R"({"y":0.5,"z":1,"x":[]})", "y must be a whole number");
  refused(as_is, R"({"y":0,"z":1})", "key \"x\" is missing");
  refused(as_is, R"({"y":0,"z":1,"x":[],"u":0})", "unknown key \"u\"");
  refused([](Json& h) { h["leaves"] = 1; }, "", "cubes belong to");
  refused([](Json& h) { h["claim"] = "targets"; }, "", "cubes belong to");
  refused([](Json& h) { h["limits"] = {"insertion", "curvature"}; }, "", "cubes belong to");
  refused([](Json& h) { h["cubes"] = -1; }, "", "cubes must be from 0 to");
  refused([](Json& h) { h["via"] = 0; }, "", "via must be from 1 to");
}
