// SPDX-License-Identifier: GPL-3.0-or-later
// What would have to change, where the change that is needed follows from geometry alone.
#include "planner/search/ask/remedies.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <catch2/catch.hpp>

#include "planner/search/ask/layout_remedies.h"
#include "planner/search/ask/obstacles.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/search/route/route_search.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

constexpr double kTolerance = 1.0;  // of question()
// Steps of the factor, and three digits.
constexpr double kFound = 1.02 * 1.01;

std::optional<SearchProblem> no_other(int) {
  return std::nullopt;
}

/// As good as straight: 0.03 mm aside in 150 mm. In a tube that is straight to the last digit all faces about
/// a place of the axis are equally far, and which is nearest takes exact numbers to tell: that is most of the
/// time.
const Eigen::Vector2d kNearlyStraight(1e-6, 2.5e-6);

Remedies remedies_of(const SearchProblem& asked) {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  return find_remedies(asked, 0, Effort::of_work(20000000), no_other, in_larger_channel);
}

/// What is printed must have a plan; found anew, apart from the look.
void check_that_it_would_do(const SearchProblem& asked, const std::vector<ChangedSize>& sizes) {
  const auto changed = with_sizes(asked, sizes, no_other, in_larger_channel);
  REQUIRE(changed);
  std::int64_t work = 0;
  CHECK(has_plan(*changed, Effort::of_work(20000000), work));
}

}  // namespace

TEST_CASE("Where the carriage is too short, the insertion that is missing would do, and hardly less") {
  const Tube channel = tube({{150.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 120.0});  // insertion ends at 100
  const Remedies remedies = remedies_of(asked);
  REQUIRE(remedies.sizes.size() == 1);
  REQUIRE(remedies.sizes[0].size() == 1);
  const ChangedSize& size = remedies.sizes[0][0];
  CHECK(size.what == SizeChange::insertion);
  CHECK(size.from == 100.0);
  CHECK(size.to >= 120.0 - kTolerance);
  CHECK(size.to <= (120.0 - kTolerance) * kFound);
  check_that_it_would_do(asked, remedies.sizes[0]);
}

TEST_CASE("In a straight tube that is too narrow, a section that leaves the clearance would do") {
  // Twice the radius that the tube holds without clearance: only a thinner body gets in.
  const double a = 0.8 * kRadius;
  const Tube channel = tube({{50.0, kNearlyStraight}}, {{0.0, a}}, 0.3);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  const Remedies remedies = remedies_of(asked);
  REQUIRE(remedies.sizes.size() == 1);
  REQUIRE(remedies.sizes[0].size() == 1);
  const ChangedSize& size = remedies.sizes[0][0];
  CHECK(size.what == SizeChange::section);
  CHECK(size.to <= a - kRequired + channel.facets_outside_mm);
  CHECK(size.to >= (a - kRequired - channel.facets_inside_mm) / kFound - 0.01);
  check_that_it_would_do(asked, remedies.sizes[0]);
}

TEST_CASE("Where two limits stand in the way, both are named and none beside them") {
  const double a = 0.8 * kRadius;
  const Tube channel = tube({{150.0, kNearlyStraight}}, {{0.0, a}}, 0.5);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 120.0});
  const Remedies remedies = remedies_of(asked);
  REQUIRE(remedies.sizes.size() == 1);
  REQUIRE(remedies.sizes[0].size() == 2);
  CHECK(remedies.sizes[0][0].what == SizeChange::insertion);
  CHECK(remedies.sizes[0][1].what == SizeChange::section);
  check_that_it_would_do(asked, remedies.sizes[0]);
  for (const ChangedSize& alone : remedies.sizes[0]) {
    const auto changed = with_sizes(asked, {alone}, no_other, in_larger_channel);
    std::int64_t work = 0;
    CHECK_FALSE(has_plan(*changed, Effort::of_work(20000000), work));
  }
  const auto sentences = remedies.sentences();
  REQUIRE_FALSE(sentences.empty());
  CHECK(sentences[0].find(" mm of insertion instead of 100 and a body of ") != std::string::npos);
}

TEST_CASE(
    "Of all pairs the one with the smallest largest factor is told first, held against factors of every "
    "pair") {
  // The tube leaves the body 0.13 mm of the 0.2 that are asked for, and insertion ends 3.5 mm too early. With
  // more insertion a thinner body would do as well as less clearance, and takes the smaller factor.
  const Tube channel = tube({{50.0, kNearlyStraight}}, {{0.0, kRadius + 0.133}}, 0.3);
  DesignParts parts = segment({}).parts();
  parts.carriage.insertion_max_mm = 30.0;
  const SearchProblem asked = question(Design::make(std::move(parts)).value(), channel, {0.0, 0.0, 34.5});
  const Remedies remedies = find_remedies(asked, 0, Effort::of_work(3000000), no_other, in_larger_channel);

  constexpr std::array kAll = {SizeChange::insertion, SizeChange::clearance, SizeChange::tolerance,
                               SizeChange::section, SizeChange::bend_radius};
  constexpr int kSteps = 4;
  const auto factor = [](int k) { return std::pow(2.0, static_cast<double>(k) / kSteps); };
  const auto reaches = [&](SizeChange a, int i, SizeChange b, int j) {
    const auto changed =
        with_sizes(asked, {changed_size(asked, a, factor(i)), changed_size(asked, b, factor(j))}, no_other,
                   in_larger_channel);
    std::int64_t work = 0;
    return changed && has_plan(*changed, Effort::of_work(30000), work);
  };
  int least = kSteps + 1;
  std::array<SizeChange, 2> best{};
  for (std::size_t a = 0; a < kAll.size(); ++a)
    for (std::size_t b = a + 1; b < kAll.size(); ++b)
      for (int i = 0; i <= kSteps; ++i)
        for (int j = 0; j <= kSteps; ++j)
          if (std::max(i, j) < least && reaches(kAll[a], i, kAll[b], j)) {
            least = std::max(i, j);
            best = {kAll[a], kAll[b]};
          }
  REQUIRE(least <= kSteps);
  REQUIRE_FALSE(remedies.sizes.empty());
  const std::vector<ChangedSize>& first = remedies.sizes[0];
  REQUIRE(first.size() == 2);
  CHECK(first[0].what == best[0]);
  CHECK(first[1].what == best[1]);
  const double largest = std::max(first[0].factor, first[1].factor);
  CHECK(largest <= factor(least) * kFound);
  CHECK(largest >= factor(least - 1) / kFound);  // with no pair of so small factors is it reached
  CHECK(remedies.sizes.size() >= 2);             // less clearance does too
  CHECK(std::is_sorted(remedies.sizes.begin(), remedies.sizes.end(), smaller_change));
  for (const auto& sizes : remedies.sizes) check_that_it_would_do(asked, sizes);
}

TEST_CASE("A combination is as large as its largest factor, and then as the product") {
  const auto change = [](SizeChange what, double factor) {
    return ChangedSize{what, factor, 1.0, factor, {}};
  };
  const std::vector<ChangedSize> even = {change(SizeChange::section, 1.4), change(SizeChange::length, 1.4)};
  const std::vector<ChangedSize> uneven = {change(SizeChange::section, 1.5),
                                           change(SizeChange::length, 1.01)};
  const std::vector<ChangedSize> more = {change(SizeChange::section, 1.5), change(SizeChange::length, 1.02)};
  const std::vector<ChangedSize> lock = {change(SizeChange::one_more_lock, 1.0)};
  CHECK(smaller_change(even, uneven));
  CHECK(smaller_change(uneven, more));
  CHECK(smaller_change(more, lock));
  CHECK_FALSE(smaller_change(lock, more));
}

TEST_CASE("Where nothing within a factor of two helps, that is said") {
  const Tube channel = tube({{500.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}}, 2.0);
  // Past twice the insertion, and with a channel twice as large twice as far off.
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 300.0});
  const Remedies remedies = remedies_of(asked);
  CHECK(remedies.sizes.empty());
  CHECK(remedies.sizes_tried);
  CHECK(remedies.sentences()[0] == "nothing was found within a factor of two of all limits");
}

TEST_CASE("A channel twice as large has twice the distances, at its entry too") {
  const Tube channel = tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}}, 0.5);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  const SearchProblem larger = in_larger_channel(asked, 2.0);
  CHECK(larger.goal.point_E.z() == 80.0);
  for (const Eigen::Vector3d& p : {Eigen::Vector3d(0.0, 0.0, 20.0), Eigen::Vector3d(1.0, -2.0, 3.0),
                                   Eigen::Vector3d(0.5, 0.5, 0.0), Eigen::Vector3d(6.0, 0.0, 10.0)})
    CHECK(larger.distance->signed_exact(2.0 * p) ==
          Approx(2.0 * asked.distance->signed_exact(p)).margin(1e-9));
}

TEST_CASE("Sizes are rounded to three digits, to the side that eases") {
  const Tube channel = tube({{50.0, Eigen::Vector2d::Zero()}}, {{0.0, 4.0}}, 0.5);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  const ChangedSize insertion = changed_size(asked, SizeChange::insertion, 1.2345);
  CHECK(insertion.to == Approx(124.0));
  const ChangedSize section = changed_size(asked, SizeChange::section, 1.2345);
  CHECK(section.to <= kRadius / 1.2345);
  CHECK(section.to > kRadius / 1.2345 - 0.01);
  CHECK(changed_size(asked, SizeChange::insertion, 1.0).to == asked.design.carriage().insertion_max_mm);
}

TEST_CASE("One station moved would do where a lock sits just too far out for the bend that is needed") {
  // As in the known answers: what is past a straight tube of 20 mm must bend on 26 mm of arc to reach 11 mm
  // beside the axis; a lock at 30 mm leaves that free, one at 45 does not.
  const double kappa = 0.03, turn = kappa * 26.0;
  const Eigen::Vector3d target((1.0 - std::cos(turn)) / kappa + 2.0 * std::sin(turn), 0.0,
                               54.0 - 30.0 + 2.0 + std::sin(turn) / kappa + 2.0 * std::cos(turn));
  const double a = 1.8 + kRequired + 0.2;
  const Tube channel =
      tube({{70.0, Eigen::Vector2d::Zero()}}, {{0.0, a}, {20.0, a}, {24.0, 15.0}, {70.0, 15.0}}, 0.3);
  SegmentMakeup makeup{CarriageKind::free, {45.0}, 0.5};
  makeup.lock_radius = 1.8;
  const SearchProblem asked = question(segment(makeup), channel, target);
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  std::int64_t work = 0;
  const auto found = find_layout_remedies(asked, Effort::of_work(20000000), work);
  CHECK(work > 0);
  REQUIRE_FALSE(found.empty());
  CHECK(found[0].find("lock 1 at ") == 0);
  CHECK(found[0].find(" mm instead of 45") != std::string::npos);
}

TEST_CASE("Without its lock would do where a straight tube holds the body and not the lock") {
  const double a = 1.8;  // the body of 1.5 and the clearance of 0.2 fit, a lock of 1.8 does not
  const Tube channel = tube({{50.0, kNearlyStraight}}, {{0.0, a}}, 0.3);
  SegmentMakeup makeup{CarriageKind::free, {50.0}, 0.5};
  makeup.lock_radius = 1.8;
  const Eigen::Vector3d target(0.0, 0.0, 40.0);
  const SearchProblem asked = question(segment(makeup), channel, target);
  const auto with_locks = [&](int locks) -> std::optional<SearchProblem> {
    if (locks == 0) return question(segment({}), channel, target);
    return std::nullopt;
  };
  std::int64_t work = 0;
  CHECK(find_fewer_locks(asked, Effort::of_work(20000000), with_locks, work) == "0 locks instead of 1");
  CHECK(work > 0);
  CHECK_FALSE(find_fewer_locks(asked, Effort::of_work(20000000), no_other, work));
  const auto too_far = [&](int) -> std::optional<SearchProblem> {
    return question(segment({}), channel, {0.0, 0.0, 48.0 + 10.0});  // past the tube's end
  };
  CHECK_FALSE(find_fewer_locks(asked, Effort::of_work(20000000), too_far, work));
}

TEST_CASE("A look for remedies that was cut short says so where it found nothing") {
  const Tube channel = tube({{500.0, Eigen::Vector2d::Zero()}}, {{0.0, 6.0}}, 2.0);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 300.0});
  const Remedies remedies = find_remedies(asked, 0, Effort::of_work(1), no_other, in_larger_channel);
  CHECK_FALSE(remedies.sizes_tried);
  REQUIRE(remedies.sentences().size() == 1);
  CHECK(remedies.sentences()[0] ==
        "nothing was found within a factor of two of the limits before that look had done its share of work");
  // A larger budget would help where the clock ended it.
  const Remedies timed =
      find_remedies(asked, 0, Effort::of_seconds(1e-9).part(20000000), no_other, in_larger_channel);
  CHECK_FALSE(timed.sizes_tried);
  REQUIRE(timed.sentences().size() == 1);
  CHECK(timed.sentences()[0].find("cut short by the clock: a larger --budget") != std::string::npos);
}

TEST_CASE("What would do for a place to pass does for the places after it as well") {
  // Insertion ends at 100: it has to grow to the farther place, though the nearer one decides.
  const Tube channel = tube({{150.0, kNearlyStraight}}, {{0.0, 6.0}});
  SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  for (const double deep : {110.0, 130.0}) {
    Goal place;
    place.point_E = {0.0, 0.0, deep};
    place.tolerance_mm = kTolerance;
    asked.vias.push_back(place);
  }
  const Remedies remedies = find_remedies(asked, 0, Effort::of_work(20000000), no_other, in_larger_channel);
  CHECK(remedies.by_places);
  REQUIRE(remedies.sizes.size() == 1);
  REQUIRE(remedies.sizes[0].size() == 1);
  CHECK(remedies.has_alone(SizeChange::insertion));
  CHECK(remedies.sizes[0][0].to >= 130.0 - kTolerance);
  CHECK(remedies.sizes[0][0].to <= (130.0 - kTolerance) * kFound);
  check_that_it_would_do(asked, remedies.sizes[0]);
  CHECK(remedies.sentences()[0].find("the target would be reached by way of all places to pass with ") == 0);
}

TEST_CASE("The tolerance that would do is that of the place which decides") {
  const Tube channel = tube({{150.0, kNearlyStraight}}, {{0.0, 6.0}});
  SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  Goal place;
  place.point_E = {0.0, 0.0, 101.5};  // insertion ends at 100
  place.tolerance_mm = kTolerance;
  asked.vias = {place};
  const Remedies remedies = find_remedies(asked, 0, Effort::of_work(20000000), no_other, in_larger_channel);
  const auto tolerance = std::find_if(remedies.sizes.begin(), remedies.sizes.end(), [](const auto& sizes) {
    return sizes.size() == 1 && sizes[0].what == SizeChange::tolerance;
  });
  REQUIRE(tolerance != remedies.sizes.end());
  CHECK((*tolerance)[0].place == std::optional<std::size_t>(0));
  CHECK((*tolerance)[0].to >= 1.5);
  CHECK((*tolerance)[0].to <= 1.5 * kFound);
  check_that_it_would_do(asked, *tolerance);
}

TEST_CASE("A reason that the target would be reached is true of its places to pass as well") {
  const Tube channel = tube({{200.0, kNearlyStraight}}, {{0.0, 6.0}}, 1.0);
  SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 120.0});  // insertion ends at 100
  Goal place;
  place.tolerance_mm = kTolerance;
  const auto reason_by_way_of = [&](double deep) {
    place.point_E = {0.0, 0.0, deep};
    asked.vias = {place};
    return find_reason(asked, 1, Effort::of_work(20000000), no_other);
  };
  // Half as much insertion again gets to 150 mm.
  const auto near = reason_by_way_of(140.0);
  REQUIRE(near);
  CHECK(near->relaxed == Relaxation::insertion);
  CHECK_FALSE(reason_by_way_of(170.0));
}

TEST_CASE("A limit has one figure: the reason leaves its own out where one that would do is printed") {
  // The tube holds the body with 0.15 mm about it, and 0.2 are asked for.
  const Tube channel = tube({{50.0, kNearlyStraight}}, {{0.0, kRadius + 0.15}}, 0.3);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 40.0});
  SolveSettings settings;
  settings.effort = Effort::of_work(20000000);
  const std::string about = "the lumen is too narrow for the required clearance of 0.20 mm";
  const Answer alone = solve(asked, settings);
  CHECK(alone.why.find(about + ": it would be reached with ") != std::string::npos);
  settings.remedies = true;
  const Answer both = solve(asked, settings);
  CHECK(both.why.find(about) != std::string::npos);
  CHECK(both.why.find("it would be reached with") == std::string::npos);
  CHECK(std::any_of(both.remedies.begin(), both.remedies.end(), [](const std::string& sentence) {
    return sentence.find("it would be reached with a required clearance of ") == 0;
  }));
}

TEST_CASE("A target that lies too deep or too far aside is said to lie where it lies") {
  const Tube channel = tube({{50.0, kNearlyStraight}}, {{0.0, 25.0}}, 4.0);
  DesignParts parts = segment({}).parts();
  parts.segment.curvature_max_per_mm = 0.01;  // 17.5 mm aside at most
  parts.carriage.insertion_max_mm = 30.0;
  const SearchProblem asked = question(Design::make(std::move(parts)).value(), channel, {0.0, 22.0, 40.0});
  const auto found =
      target_obstacles(asked.design, asked.goal, asked.required_clearance_mm, asked.distance->exact());
  REQUIRE(found.size() == 2);
  CHECK(found[0] ==
        "the target lies 40.00 mm past the entry plane, with a tolerance of 1 mm, and insertion ends at "
        "30.00 mm");
  CHECK(found[1].find("the target lies 22.00 mm beside the entry's axis, with a tolerance of 1 mm") == 0);
}
