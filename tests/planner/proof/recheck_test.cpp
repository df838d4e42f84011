// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates of shipped questions hold; false ones don't; and the checker shares nothing with the search.
#include <filesystem>
#include <fstream>
#include <random>
#include <regex>
#include <set>
#include <string>

#include <catch2/catch.hpp>

#include "planner/proof/recheck/check_proof.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "tests/support/forgeries.h"

using namespace withy;

namespace {

const std::filesystem::path kSource = WITHY_SOURCE_DIR;
constexpr std::int64_t kWork = 20000000;

PreparedScene scene_of(const char* name) {
  auto prepared = prepare_scene(kSource / "scenes" / name / "scene.toml");
  REQUIRE(prepared);
  return std::move(*prepared);
}

recheck::Certificate proof_of(const PreparedScene& prepared, const SearchProblem& problem) {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(kWork);
  RouteSearch search(problem, settings);
  REQUIRE(search.run(problem.goal) == SearchOutcome::proved_none);
  auto certificate = certify(problem, search, settings);
  name_scene(certificate, prepared.scene, prepared.wall().channel(), "scene.toml");
  return certificate;
}

recheck::Outcome check(const PreparedScene& prepared, const recheck::Certificate& certificate) {
  // By way of the file, so that what is written is what is checked.
  const auto read = recheck::read_certificate(recheck::write_certificate(certificate), "certificate");
  REQUIRE(read);
  return recheck::check_proof(*read, prepared.scene, prepared.wall(), {}).outcome;
}

}  // namespace

TEST_CASE(
    "the checker includes nothing of the planner but the readers of scenes, files and JSON, of geometry but "
    "meshes "
    "and distances") {
  const std::set<std::string> allowed = {"planner/scene/scene.h",       "planner/files/input_error.h",
                                         "planner/files/input_file.h",  "planner/files/json_depth.h",
                                         "planner/files/json_reader.h", "geometry/channel/wall_distance.h"};
  const std::regex include(R"re(^\s*#include "([^"]+)")re");
  int files = 0;
  for (const auto& entry : std::filesystem::directory_iterator(kSource / "planner/proof/recheck")) {
    std::ifstream in(entry.path());
    ++files;
    for (std::string line; std::getline(in, line);) {
      std::smatch match;
      if (!std::regex_search(line, match, include)) continue;
      const std::string what = match[1];
      CAPTURE(entry.path().filename().string(), what);
      CHECK((what.rfind("planner/proof/recheck/", 0) == 0 || allowed.count(what) == 1));
    }
  }
  CHECK(files > 20);
}

TEST_CASE("certificates of shipped questions hold") {
  const auto [name, locks] = GENERATE(std::pair("single-bend", 0), std::pair("single-bend", 2),
                                      std::pair("triple-bend", 1), std::pair("weak-tendons", 0));
  CAPTURE(name, locks);
  const PreparedScene prepared = scene_of(name);
  const auto problem = make_problem(prepared, locks);
  REQUIRE(problem);
  const auto outcome = check(prepared, proof_of(prepared, *problem));
  CAPTURE(outcome.why);
  CHECK(outcome.verdict == recheck::Verdict::holds);
}

TEST_CASE("proofs of harder questions don't hold where a plan is known") {
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 1);
  REQUIRE(problem);
  const auto forgeries = withy_test::forgeries_of(prepared, *problem, 500000);
  CHECK(forgeries.size() >= 10);
  for (const auto& forgery : forgeries) {
    CAPTURE(forgery.what);
    CHECK(check(prepared, forgery.certificate).verdict != recheck::Verdict::holds);
  }
}

TEST_CASE("one thing changed in a certificate is noticed, or changes nothing") {
  constexpr std::uint64_t kSeed = 16;
  CAPTURE(kSeed);
  std::mt19937_64 random(kSeed);
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 2);
  REQUIRE(problem);
  const auto certificate = proof_of(prepared, *problem);
  REQUIRE(!certificate.leaves.empty());
  int refused = 0;
  for (int i = 0; i < 12; ++i) {
    const auto mutant = withy_test::mutant_of(certificate, random);
    if (!mutant) continue;
    CAPTURE(i, mutant->what, mutant->leaf);
    if (check(prepared, mutant->certificate).verdict == recheck::Verdict::holds)
      CHECK(withy_test::legal_in_difference(*problem, certificate, *mutant, 100, random) == 0);
    else
      ++refused;
  }
  CHECK(refused > 0);
}

TEST_CASE("a certificate of another scene, target or start is refused by its header or by itself") {
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 0);
  REQUIRE(problem);
  const auto good = proof_of(prepared, *problem);
  const auto refused = [&](const std::function<void(recheck::Certificate&)>& change) {
    recheck::Certificate bad = good;
    change(bad);
    return check(prepared, bad).verdict == recheck::Verdict::does_not_hold;
  };
  CHECK(refused([](auto& c) { c.header.scene_sha256[0] ^= 1; }));
  CHECK(refused([](auto& c) { c.header.mesh_sha256[0] ^= 1; }));
  CHECK(refused([](auto& c) { c.header.targets[0].point_S.x() += 1.0; }));
  CHECK(refused([](auto& c) { c.header.targets[0].tolerance_mm *= 0.5; }));
  CHECK(refused([](auto& c) { c.header.openings.clear(); }));
  CHECK(refused([](auto& c) {
    recheck::CertificateLeaf all;
    all.whole.low = {0.0, -0.04, -0.04};
    all.whole.high = {160.0, 0.04, 0.04};
    all.parts = "1";
    c.leaves.push_back(all);
    c.header.leaves = 1;
  }));
}

TEST_CASE("what is no certificate is refused with its line") {
  const auto line_of = [](const std::string& text) {
    const auto read = recheck::read_certificate(text, "x.proof");
    REQUIRE(!read);
    return read.error().line;
  };
  CHECK(line_of("") == 1);
  CHECK(line_of("{\"format\":\"withy-proof\"}\n") == 1);
  CHECK(line_of("not json\n") == 1);
}
