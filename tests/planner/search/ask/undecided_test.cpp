// SPDX-License-Identifier: GPL-3.0-or-later
// What is said of a search that decided nothing: how far it got.
#include "planner/search/ask/undecided.h"

#include <string>

#include <catch2/catch.hpp>

#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

std::string sentence_of(const Coverage& coverage) {
  const SearchProblem asked =
      question(segment({}), tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}}, 0.5), {0.0, 0.0, 40.0});
  return undecided_sentence(asked, Effort::of_work(1), coverage, std::nullopt);
}

}  // namespace

TEST_CASE(
    "A search that ends while it still seeks cells of the target does not speak of cells that are open") {
  Coverage coverage;
  coverage.cells_examined = 675594;
  const std::string sentence = sentence_of(coverage);
  CAPTURE(sentence);
  CHECK(sentence.find("within the work allowed neither a plan nor a proof: 675594 cells were looked at") ==
        0);
  CHECK(sentence.find("the tip may be at the target") != std::string::npos);
  CHECK(sentence.find(" open") == std::string::npos);
}

TEST_CASE("A search that ends among its cells says how many are proved and how many open") {
  Coverage coverage;
  coverage.cells_examined = 90;
  coverage.cells_excluded = 40;
  coverage.cells_left = 7;
  coverage.cells_reached = 9;
  coverage.finest_cell_mm = 0.25;
  const std::string sentence = sentence_of(coverage);
  CAPTURE(sentence);
  CHECK(sentence.find("40 are proved to be no way and 7 are still open, the finest 0.250 mm") !=
        std::string::npos);
}
