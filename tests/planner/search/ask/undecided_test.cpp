// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of a search that decided nothing: how far it got.
#include "planner/search/ask/undecided.h"

#include <string>
#include <utility>

#include <catch2/catch.hpp>

#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

/// A search that ends with so much work, before it has decided.
std::string sentence_after(std::int64_t work, Coverage& coverage) {
  // A notch pitch as fine as that makes thousands of leaves, all of which are asked about the target first.
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 20.0}}, 4.0);
  DesignParts parts = segment({CarriageKind::free, {20.0, 40.0}, 0.5}).parts();
  parts.latch->notch_pitch_mm = 0.01;
  parts.latch->engage_window_mm = parts.latch->backlash_mm = 0.001;
  const SearchProblem asked =
      question(Design::make(std::move(parts)).value(), channel, {0.0, 15.0, 60.0}, 0.001);
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(work);
  settings.direct_work = 0;
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::stopped);
  coverage = search.coverage();
  return undecided_sentence(asked, settings.effort, coverage, std::nullopt);
}

}  // namespace

TEST_CASE(
    "A search that ends while it still looks for cells of the target does not speak of cells that are open") {
  Coverage coverage;
  const std::string sentence = sentence_after(2000, coverage);
  CAPTURE(sentence);
  REQUIRE(coverage.cells_examined > 0);
  REQUIRE(coverage.cells_excluded + coverage.cells_left + coverage.cells_reached == 0);
  CHECK(sentence.find("within the work allowed neither a plan nor a proof: " +
                      std::to_string(coverage.cells_examined) + " cells were looked at") == 0);
  CHECK(sentence.find("the tip may be at the target") != std::string::npos);
  CHECK(sentence.find(" open") == std::string::npos);
}

TEST_CASE("A search that ends among its cells says how many are proved and how many open") {
  const SearchProblem asked =
      question(segment({}), tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}}, 0.5), {0.0, 0.0, 40.0});
  Coverage coverage;
  coverage.cells_examined = 90;
  coverage.cells_excluded = 40;
  coverage.cells_left = 7;
  coverage.cells_reached = 9;
  coverage.finest_cell_mm = 0.25;
  const std::string sentence = undecided_sentence(asked, Effort::of_work(1), coverage, std::nullopt);
  CAPTURE(sentence);
  CHECK(sentence.find("40 are proved to be no way and 7 are still open, the finest 0.250 mm") !=
        std::string::npos);
}
