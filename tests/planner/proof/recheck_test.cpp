// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates of shipped questions hold; false ones don't; and the checker shares nothing with the search.
#include <algorithm>
#include <atomic>
#include <filesystem>
#include <fstream>
#include <random>
#include <regex>
#include <set>
#include <string>

#include <catch2/catch.hpp>

#include "planner/plan/plan.h"
#include "planner/proof/plans/check_plan.h"
#include "planner/proof/recheck/check_proof.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "tests/support/certificate_outcome.h"
#include "tests/support/forgeries.h"

using namespace withy;
using withy_test::outcome_of;

namespace {

const std::filesystem::path kSource = WITHY_SOURCE_DIR;
constexpr std::int64_t kWork = 20000000;

PreparedScene scene_of(const char* name) {
  auto prepared = prepare_scene(kSource / "scenes" / name / "scene.toml");
  REQUIRE(prepared);
  return std::move(*prepared);
}

/// By the cells of the search, or by spans of insertion (planner/search/cells/span_proof.h).
recheck::Certificate proof_of(const PreparedScene& prepared, const SearchProblem& problem,
                              bool by_spans = false) {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(kWork);
  settings.spans = by_spans;
  settings.span_work = kWork;
  RouteSearch search(problem, settings);
  REQUIRE(search.run(problem.goal) == SearchOutcome::proved_none);
  REQUIRE((search.proof() == ProofKind::no_switch_in) == by_spans);
  auto certificate = certify(problem, search, settings);
  name_scene(certificate, prepared.scene, prepared.wall().channel(), "scene.toml");
  return certificate;
}

}  // namespace

TEST_CASE(
    "the checker includes nothing of the planner but the reader of scenes, of geometry but meshes and "
    "distances") {
  const std::set<std::string> allowed = {"planner/scene/scene.h", "planner/files/input_error.h",
                                         "planner/files/json_depth.h", "planner/files/json_reader.h",
                                         "geometry/channel/wall_distance.h"};
  const std::regex include(R"re(^\s*#include "([^"]+)")re");
  int files = 0;
  for (const auto& entry : std::filesystem::recursive_directory_iterator(kSource / "planner/proof")) {
    // The lemmas are the search's.
    const std::string room = entry.path().parent_path().filename().string();
    if (room != "interval" && room != "recheck" && room != "plans" && room != "layouts") continue;
    std::ifstream in(entry.path());
    ++files;
    for (std::string line; std::getline(in, line);) {
      std::smatch match;
      if (!std::regex_search(line, match, include)) continue;
      const std::string what = match[1];
      CAPTURE(entry.path().filename().string(), what);
      CHECK((what == "planner/proof/interval/interval.h" ||
             (room != "interval" && what.rfind("planner/proof/recheck/", 0) == 0) ||
             (room != "recheck" && what.rfind("planner/proof/" + room + "/", 0) == 0) ||
             allowed.count(what) == 1));
    }
  }
  CHECK(files > 20);
}

TEST_CASE("certificates of shipped questions hold") {
  const auto [name, locks] = GENERATE(std::pair("single-bend", 0), std::pair("single-bend", 2),
                                      std::pair("triple-bend", 1), std::pair("weak-tendons", 0));
  const bool by_spans = GENERATE(false, true);
  CAPTURE(name, locks, by_spans);
  const PreparedScene prepared = scene_of(name);
  const auto problem = make_problem(prepared, locks);
  REQUIRE(problem);
  const auto outcome = outcome_of(prepared, proof_of(prepared, *problem, by_spans));
  CAPTURE(outcome.why);
  CHECK(outcome.verdict == recheck::Verdict::holds);
}

TEST_CASE("a check that is stopped says neither that it holds nor that it doesn't") {
  const PreparedScene prepared = scene_of("triple-bend");
  const auto problem = make_problem(prepared, 1);
  REQUIRE(problem);
  recheck::CheckSettings settings;
  std::atomic<int> asked{0};
  settings.stop = [&] { return ++asked > 20; };
  const auto proof =
      recheck::check_proof(proof_of(prepared, *problem), prepared.scene, prepared.wall(), settings);
  CHECK(proof.outcome.verdict == recheck::Verdict::could_not_decide);
  CHECK(proof.outcome.why == "all of it before it was stopped");
  CHECK(proof.looks < 200);
  const PreparedScene reached = scene_of("straight");
  const auto question = make_problem(reached, 0);
  REQUIRE(question);
  const std::string plan =
      write_plan({reached.scene, question->design, solve(*question, {}), reached.scene.file.string()});
  for (const int questions : {0, 3}) {
    asked = 0;
    settings.stop = [&] { return ++asked > questions; };
    const auto report = recheck::check_plan(plan, "plan", reached.scene, reached.wall(), settings);
    REQUIRE(report);
    CHECK(report->outcome.verdict == recheck::Verdict::could_not_decide);
    CHECK(report->outcome.why == "all of it before it was stopped");
  }
}

TEST_CASE("a certificate says where its locks are, and proves nothing of others") {
  const PreparedScene prepared = scene_of("triple-bend");
  const auto problem = make_problem(prepared, 1);
  REQUIRE(problem);
  recheck::Certificate certificate = proof_of(prepared, *problem);
  const std::vector<double> station = problem->design.layout().station_mm;
  certificate.header.layout = recheck::ProvedLayout{station, std::vector<double>{0.0}};
  CHECK(outcome_of(prepared, certificate).verdict == recheck::Verdict::holds);
  if (!certificate.header.uses("field")) {
    certificate.header.layout->clock_rad.reset();
    CHECK(outcome_of(prepared, certificate).verdict == recheck::Verdict::holds);
  }
  certificate.header.layout->station_mm = {300.0};  // past the tip
  CHECK(outcome_of(prepared, certificate).verdict == recheck::Verdict::does_not_hold);
  // Single-bend is reached with its lock at 50 mm and not with one next to the base: that proof is none of
  // it.
  const PreparedScene single = scene_of("single-bend");
  const auto asked = make_problem(single, 1);
  REQUIRE(asked);
  DesignParts parts = asked->design.parts();
  parts.layout.station_mm = {4.0};
  SearchProblem elsewhere = *asked;
  elsewhere.design = Design::make(parts).value();
  recheck::Certificate other = proof_of(single, elsewhere);
  CHECK(outcome_of(single, other).verdict != recheck::Verdict::holds);
  other.header.layout = recheck::ProvedLayout{{4.0}, std::vector<double>{0.0}};
  CHECK(outcome_of(single, other).verdict == recheck::Verdict::holds);
}

TEST_CASE("proofs of harder questions don't hold where a plan is known") {
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 1);
  REQUIRE(problem);
  const auto forgeries = withy_test::forgeries_of(prepared, *problem, 500000);
  CHECK(forgeries.size() >= 10);
  for (const auto& forgery : forgeries) {
    CAPTURE(forgery.what);
    CHECK(outcome_of(prepared, forgery.certificate).verdict != recheck::Verdict::holds);
  }
}

TEST_CASE("one thing changed in a certificate is noticed, or changes nothing") {
  constexpr std::uint64_t kSeed = 16;
  CAPTURE(kSeed);
  std::mt19937_64 random(kSeed);
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 2);
  REQUIRE(problem);
  const bool by_spans = GENERATE(false, true);
  CAPTURE(by_spans);
  const auto certificate = proof_of(prepared, *problem, by_spans);
  REQUIRE(!certificate.leaves.empty());
  withy_test::Outsider outsider(prepared.scene.file, problem->design.layout(), kSeed);
  int refused = 0;
  for (int i = 0; i < 12; ++i) {
    const auto mutant = withy_test::mutant_of(certificate, random);
    if (!mutant) continue;
    CAPTURE(i, mutant->what, mutant->leaf);
    if (outcome_of(prepared, mutant->certificate).verdict != recheck::Verdict::holds) {
      ++refused;
      continue;
    }
    const auto legal = withy_test::legal_in_difference(*problem, certificate, *mutant, 100, random);
    REQUIRE(legal);
    CHECK(outsider.crossings(*problem, mutant->certificate, *legal, 30) == 0);
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
    return outcome_of(prepared, bad).verdict == recheck::Verdict::does_not_hold;
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

TEST_CASE("hostile certificates are refused in one line") {
  const PreparedScene prepared = scene_of("single-bend");
  const auto problem = make_problem(prepared, 0);
  REQUIRE(problem);
  const std::string header = recheck::write_certificate(proof_of(prepared, *problem));
  const auto with = [&](const std::string& from, const std::string& to) {
    std::string text = header;
    const auto at = text.find(from);
    REQUIRE(at != std::string::npos);
    return text.replace(at, from.size(), to);
  };
  const auto refused = [](const std::string& text) {
    const auto read = recheck::read_certificate(text, "x.proof");
    return !read && read.error().message().find('\n') == std::string::npos;
  };
  CHECK(!refused(header));
  CHECK(refused(with("\"leaves\":0", "\"leaves\":99999999")));
  CHECK(refused(with("\"leaves\":0", "\"leaves\":18446744073709551615")));
  CHECK(refused(with("\"leaves\":0", "\"leaves\":0.0")));
  CHECK(refused(with("\"locks\":0", "\"locks\":1e9")));
  CHECK(refused(with("\"tolerance_mm\":2.0", "\"tolerance_mm\":NaN")));
  CHECK(refused(with("\"tolerance_mm\":2.0", "\"tolerance_mm\":1e999")));
  CHECK(refused(with("\"version\":1", "\"version\":2")));
  CHECK(refused(with("\"claim\":", "\"claim_\":")));
  CHECK(refused(with("\"required_clearance_mm\":", "\"required_clearance_mm\":-")));
  CHECK(refused(with("\"tolerance_mm\":2.0", "\"tolerance_mm\":-2.0")));
  CHECK(refused(with("\"limits\":[\"insertion\",", "\"limits\":[\"insertion\",\"insertion\",")));
  CHECK(refused(with("\"limits\":[\"insertion\",", "\"limits\":[")));
  CHECK(refused(with("\"curvature\",", "")));
  CHECK(refused(std::string(100000, '[')));
  CHECK(refused(header + std::string("\0\0\0", 3)));
  // Cuts that nest without end, a tree that never ends, one that goes on.
  recheck::Cell whole;
  whole.low = {0.0, -1.0, -1.0};
  whole.high = {1e300, 1.0, 1.0};
  recheck::Cover cover;
  CHECK(!cover.read(whole, std::string(100000, 'a')));
  CHECK(!cover.read(whole, std::string(1500, 'a') + std::string(1501, '0')));
  CHECK(!cover.read(whole, "a0"));
  CHECK(!cover.read(whole, "111"));
  CHECK(!cover.read(whole, "z00"));
  CHECK(cover.read(whole, "a0b10"));
}

TEST_CASE("what gzip holds is unpacked up to a size, whole, or refused") {
  const std::string text(1 << 20, 'x');
  const std::string gzip = recheck::packed(text);
  CHECK(recheck::unpacked(gzip, "x", 1 << 20).value() == text);
  CHECK(!recheck::unpacked(gzip, "x", 1 << 16));  // a bomb
  CHECK(!recheck::unpacked(gzip.substr(0, gzip.size() / 2), "x", 1 << 21));
  CHECK(!recheck::unpacked(gzip + "more", "x", 1 << 21));
  std::string damaged = gzip;
  damaged[gzip.size() / 2] ^= 0x55;
  damaged[gzip.size() - 6] ^= 0x55;  // its check sum
  CHECK(!recheck::unpacked(damaged, "x", 1 << 21));
  CHECK(!recheck::unpacked("\x1f\x8b", "x", 1 << 21));
  CHECK(recheck::unpacked("", "x", 1 << 21).value().empty());
}

TEST_CASE("a key that stands twice is refused at its place, escapes or not") {
  const auto place_of = [](const std::string& text) {
    const auto read = recheck::read_certificate(text, "x.proof");
    REQUIRE(!read);
    CAPTURE(read.error().message());
    CHECK(read.error().problem.find("stands twice") != std::string::npos);
    return std::pair(read.error().line, read.error().column);
  };
  CHECK(place_of(R"({"locks":1,"locks":2})") == std::pair(1, 12));
  CHECK(place_of(R"({"scene":{"file":"a", "file":"b"}})") == std::pair(1, 23));
  CHECK(place_of(R"({"a":[{"b":0},{"b":0}],"c\"\\":0,"c\"\u005c":1})") == std::pair(1, 34));
  const PreparedScene prepared = scene_of("triple-bend");
  const auto problem = make_problem(prepared, 1);
  REQUIRE(problem);
  const std::string text = recheck::write_certificate(proof_of(prepared, *problem));
  REQUIRE(recheck::read_certificate(text, "x.proof"));
  REQUIRE(std::count(text.begin(), text.end(), '\n') == 1);
  CHECK(place_of(text + "{\"level\":0,\"level\":0}\n") == std::pair(2, 12));
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
