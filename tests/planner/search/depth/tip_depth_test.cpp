// SPDX-License-Identifier: GPL-3.0-or-later
// How deep the tip gets: where geometry alone tells, and the set of places against its definition.
#include "planner/search/depth/tip_depth.h"

#include <algorithm>
#include <cmath>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/tip_over_box.h"
#include "planner/search/route/nearest_state.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"

using namespace withy;
using namespace withy::questions;

namespace {

/// As good as straight (remedies_test.cpp says why).
const Eigen::Vector2d kNearlyStraight(1e-6, 2.5e-6);

/// Points 1 mm apart up the axis; and, beside the way, points across at its end.
TargetWay straight_way(int points, int target, int beside = 0) {
  TargetWay way;
  for (int k = 0; k < points; ++k)
    way.points.push_back(
        {static_cast<double>(k), {0.0, 0.0, static_cast<double>(k)}, 0, static_cast<double>(k)});
  for (int k = 1; k <= beside; ++k)
    way.beside.emplace_back(static_cast<double>(k), 0.0, static_cast<double>(points - 1));
  way.target = static_cast<std::size_t>(target);
  return way;
}

TipDepth depth_of(const SearchProblem& asked, const TargetWay& way, std::optional<Approach>& approach) {
  RouteSearchSettings settings;
  settings.relaxations = true;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  return find_tip_depth(asked, way, Effort::of_work(20000000), approach);
}

}  // namespace

TEST_CASE("A place lies from a point of the way on where that, or one after it, is nearest of all") {
  const std::uint32_t seed = 20;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> along(-3.0, 25.0), across(-8.0, 8.0);
  const TargetWay way = straight_way(20, 15, 6);
  for (int k = 0; k < 2000; ++k) {
    const Eigen::Vector3d p(across(random), across(random), along(random));
    const auto from = static_cast<std::size_t>(1 + k % 19);
    const auto region = places_from(way, from);
    // By the definition, point by point.
    double nearest = 1e9;
    bool ahead = false;
    const auto meet = [&](const Eigen::Vector3d& q, bool is_ahead) {
      if ((p - q).norm() >= nearest) return;
      nearest = (p - q).norm();
      ahead = is_ahead;
    };
    for (std::size_t i = 0; i < way.points.size(); ++i) meet(way.points[i].p_E, i >= from);
    for (const Eigen::Vector3d& q : way.beside) meet(q, false);
    const bool in_set = ahead && p.z() >= 0.0;
    const double outside = region->outside_mm(p);
    if (std::abs(outside) > 1e-9) CHECK((outside < 0.0) == in_set);
    const Eigen::Vector3d other(across(random), across(random), along(random));
    if (region->outside_mm(other) <= 0.0) CHECK(outside <= (p - other).norm() + 1e-9);
  }
}

TEST_CASE(
    "Along a straight way a place is as far from the set as from the plane half-way between two points") {
  std::mt19937 random(21);
  std::uniform_real_distribution<double> along(0.0, 19.0), across(-8.0, 8.0);
  const TargetWay way = straight_way(20, 15);
  for (int k = 0; k < 500; ++k) {
    const Eigen::Vector3d p(across(random), across(random), along(random));
    const auto from = static_cast<std::size_t>(1 + k % 19);
    const double before_mm = static_cast<double>(from) - 0.5 - p.z();
    if (before_mm > 0.0) CHECK(std::abs(places_from(way, from)->outside_mm(p) - before_mm) <= 1e-9);
  }
}

TEST_CASE("No place of the set is nearer than is said, however the way winds, and where points coincide") {
  std::mt19937 random(22);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  const auto point = [&](double size) -> Eigen::Vector3d {
    return size * Eigen::Vector3d(any(random), any(random), any(random));
  };
  int in_set = 0;
  for (int round = 0; round < 40; ++round) {
    TargetWay way;
    Eigen::Vector3d at(0.0, 0.0, 10.0);
    for (int k = 0; k < 30; ++k) {
      way.points.push_back({static_cast<double>(k), at, 0, static_cast<double>(k)});
      if (k % 10 != 5) at += point(1.5);
    }
    for (int k = 0; k < 10; ++k) way.beside.push_back(at + point(6.0));
    way.beside.push_back(way.points.back().p_E);
    const auto region = places_from(way, static_cast<std::size_t>(1 + round % 29));
    std::vector<Eigen::Vector3d> places;
    for (int k = 0; k < 400; ++k)
      places.push_back(way.points[static_cast<std::size_t>(k % 30)].p_E + point(8.0));
    for (const Eigen::Vector3d& q : places) {
      if (region->outside_mm(q) > 0.0) continue;
      ++in_set;
      for (const Eigen::Vector3d& p : places) {
        const double outside = region->outside_mm(p);
        if (outside > (p - q).norm() + 1e-9) FAIL_CHECK(outside << " of " << (p - q).norm() << " mm");
      }
    }
  }
  CHECK(in_set > 1000);
}

TEST_CASE("A tube that tapers stops the tip where the lumen is as narrow as the body with its clearance") {
  // The radius falls from 5 to 0.5 mm between 20 and 65 mm: by a tenth of a millimetre on each. The wall is a
  // cone of slope 0.1, so a ball of radius r on the axis touches it where its radius is r sqrt(1 + 0.01).
  const Tube channel =
      tube({{70.0, kNearlyStraight}}, {{0.0, 5.0}, {20.0, 5.0}, {65.0, 0.5}, {70.0, 0.5}}, 0.4);
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 60.0}, 0.5);
  const double stop = 20.0 + (5.0 - (kRadius + kRequired) * std::sqrt(1.01)) / 0.1;
  const double facets = (channel.facets_inside_mm + channel.facets_outside_mm) / 0.1;
  std::optional<Approach> approach;
  const TipDepth depth = depth_of(asked, straight_way(70, 60), approach);
  CAPTURE(depth.reached_mm, depth.at_most_mm, stop, facets);
  CHECK(depth.proved);
  CHECK(depth.stops_short());
  CHECK(depth.at_most_mm >= stop - facets - 0.5);  // a place belongs to the nearest point: half a millimetre
  CHECK(depth.at_most_mm <= stop + facets + 0.5 + 2.0);
  CHECK(depth.reached_mm <= stop + facets + 0.5);
  CHECK(depth.reached_mm >= stop - facets - 0.5 - 2.0);
  REQUIRE(approach);
  CHECK(approach->distance_mm == Approx(60.0 - depth.reached_mm).margin(2.0));
}

TEST_CASE("A carriage that ends too early stops the tip at its insertion") {
  const Tube channel = tube({{150.0, kNearlyStraight}}, {{0.0, 6.0}});
  const SearchProblem asked = question(segment({}), channel, {0.0, 0.0, 120.0});  // insertion ends at 100
  std::optional<Approach> approach;
  const TipDepth depth = depth_of(asked, straight_way(150, 120), approach);
  CAPTURE(depth.reached_mm, depth.at_most_mm);
  CHECK(depth.proved);
  CHECK(depth.at_most_mm >= 100.0);
  CHECK(depth.at_most_mm <= 103.0);
  CHECK(depth.reached_mm <= 100.5);
  CHECK(depth.reached_mm >= 98.0);
}

TEST_CASE("Where the tip gets as deep as the target, its distance is bounded instead") {
  // A wide chamber, the target at its side: the tip bends at most off(L) aside (lemma 25's closed form, which
  // known curves attain).
  const Tube channel = tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 50.0}}, 4.0);
  const SearchProblem asked = question(segment({}), channel, {45.0, 0.0, 40.0}, 1.0);
  std::optional<Approach> approach;
  const TipDepth depth = depth_of(asked, straight_way(90, 40), approach);
  CHECK(depth.reached_mm >= 39.0);
  REQUIRE(depth.no_nearer_mm);
  REQUIRE(approach);
  CHECK(*depth.no_nearer_mm >= 1.0);
  CHECK(*depth.no_nearer_mm <= approach->distance_mm);
  CHECK(approach->distance_mm <= 1.3 * *depth.no_nearer_mm + 0.1);
  // The nearest state is one: its tip is where it says.
  CHECK((Shape(asked.design, approach->state).tip_E().translation() - asked.goal.point_E).norm() ==
        Approx(approach->distance_mm));
}

TEST_CASE("A place is as deep as the nearest place of the line's halves next to its point") {
  const std::uint32_t seed = 21;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> anywhere(-3.0, 25.0);
  TargetWay way;  // a helix, its points a little less than 1 mm apart
  for (int k = 0; k < 24; ++k) {
    const Eigen::Vector3d p(5.0 * std::cos(0.15 * k), 5.0 * std::sin(0.15 * k), 0.6 * k);
    const double before = k == 0 ? 0.0 : way.points.back().station_mm + (p - way.points.back().p_E).norm();
    way.points.push_back({before, p, 0, before});
  }
  for (int n = 0; n < 300; ++n) {
    const Eigen::Vector3d p(anywhere(random), anywhere(random), anywhere(random));
    const std::size_t k = *way.point_of(p);
    double least = 1e9, deep = 0.0;
    for (int step = -500; step <= 500; ++step) {
      if ((step < 0 && k == 0) || (step > 0 && k + 1 == way.points.size())) continue;
      const WayPoint& next = way.points[step < 0 ? k - 1 : step > 0 ? k + 1 : k];
      const double share = std::abs(step) / 1000.0;
      const Eigen::Vector3d q = way.points[k].p_E + share * (next.p_E - way.points[k].p_E);
      if ((q - p).norm() >= least) continue;
      least = (q - p).norm();
      deep = way.points[k].station_mm + share * (next.station_mm - way.points[k].station_mm);
    }
    CHECK(*way.depth_of(p) == Approx(deep).margin(2e-3));
    if (k + 1 < way.points.size()) CHECK(*way.depth_of(p) <= way.depth_before(k + 1) + 1e-12);
  }
}

TEST_CASE(
    "A tip that stops just before the target is not said to get as deep, and a bound beyond it is told") {
  const Tube channel = tube({{150.0, kNearlyStraight}}, {{0.0, 6.0}});
  const SearchProblem asked =
      question(segment({}), channel, {0.0, 0.0, 100.4}, 0.3);  // insertion ends at 100
  std::optional<Approach> approach;
  const TipDepth depth = depth_of(asked, straight_way(150, 100), approach);
  CHECK(depth.target_mm == Approx(100.4));
  CHECK(depth.reached_mm <= 100.0 + 1e-9);
  CHECK(depth.reached_mm >= 99.5);
  const std::string sentence = depth.sentence(depth.place_E);
  CAPTURE(sentence);
  CHECK(sentence.find("as deep as") == std::string::npos);
  CHECK(sentence.find(" mm deep at least and 100.5 mm at most (proved") != std::string::npos);
  CHECK(sentence.find("; the target is 100.4 mm deep") != std::string::npos);
  REQUIRE(depth.no_nearer_mm);
  CHECK(*depth.no_nearer_mm <= 0.4 + 1e-9);
}

namespace {

/// A tube that turns aside more sharply than the body bends: 10 mm straight, a quarter of a circle of 12 mm
/// radius towards x, 18 mm straight. Its middle line is known.
struct SharpTurn {
  static constexpr double kStraight = 10.0, kTurn = 12.0, kAside = 18.0, kWide = 4.0;
  static constexpr double kArc = 0.5 * M_PI * kTurn;

  static Eigen::Vector3d place(double station) {
    if (station <= kStraight) return {0.0, 0.0, station};
    const double angle = std::min(station - kStraight, kArc) / kTurn;
    const double past = std::max(0.0, station - kStraight - kArc);
    return {kTurn * (1.0 - std::cos(angle)) + past, 0.0, kStraight + kTurn * std::sin(angle)};
  }
  static TargetWay way(double target) {
    TargetWay out;
    for (double s = 0.0; s < kStraight + kArc + kAside; s += 1.0) out.points.push_back({s, place(s), 0, s});
    out.target = *out.point_of(place(target));
    return out;
  }
  static Tube channel() {
    return tube({{kStraight, Eigen::Vector2d::Zero()},
                 {kArc, Eigen::Vector2d(1.0 / kTurn, 0.0)},
                 {kAside, Eigen::Vector2d::Zero()}},
                {{0.0, kWide}});
  }
};

/// Flood over insertion and bend in the plane of the turn, with the arc's own formula and the exact distance:
/// the greatest depth of a tip past the entry plane, of states that hang together with the start's.
double flooded_depth(const SearchProblem& asked, const TargetWay& way) {
  const DesignParts& parts = asked.design.parts();
  const double length = parts.segment.length_mm, bends = length - parts.segment.tip_rigid_mm;
  constexpr int kInsertions = 201, kBends = 161;
  const auto place = [&](double d, double u, double s) -> Eigen::Vector3d {
    const double arc = std::min(s, bends), rest = s - arc, angle = u * arc;
    const double across = std::abs(u) < 1e-9 ? 0.0 : (1.0 - std::cos(angle)) / u;
    const double along = std::abs(u) < 1e-9 ? arc : std::sin(angle) / u;
    return {across + rest * std::sin(angle), 0.0, d - length + along + rest * std::cos(angle)};
  };
  const auto insertion = [&](int i) { return parts.carriage.insertion_max_mm * i / (kInsertions - 1); };
  const auto bend = [&](int j) {
    return parts.segment.curvature_max_per_mm * (2.0 * j / (kBends - 1) - 1.0);
  };
  const auto legal = [&](int i, int j) {
    for (double s = length; s >= 0.0; s -= 1.0) {
      const Eigen::Vector3d p = place(insertion(i), bend(j), s);
      if (p.z() > 0.0 &&
          asked.distance->signed_exact(p) < parts.segment.radius_mm + asked.required_clearance_mm)
        return false;
    }
    return true;
  };
  std::vector<char> met(static_cast<std::size_t>(kInsertions) * kBends, 0);
  std::vector<std::pair<int, int>> open = {{0, kBends / 2}};
  met[kBends / 2] = 1;
  double deepest = 0.0;
  while (!open.empty()) {
    const auto [i, j] = open.back();
    open.pop_back();
    const Eigen::Vector3d tip = place(insertion(i), bend(j), length);
    if (tip.z() > 0.0) deepest = std::max(deepest, way.depth_of(tip).value_or(0.0));
    for (const auto& [di, dj] : {std::pair(1, 0), std::pair(-1, 0), std::pair(0, 1), std::pair(0, -1)}) {
      const int a = i + di, b = j + dj;
      if (a < 0 || a >= kInsertions || b < 0 || b >= kBends) continue;
      char& known = met[static_cast<std::size_t>(a) * kBends + static_cast<std::size_t>(b)];
      if (known != 0) continue;
      known = 1;
      if (legal(a, b)) open.emplace_back(a, b);
    }
  }
  return deepest;
}

}  // namespace

TEST_CASE(
    "Where the channel turns back beside its entry the depth has a bound, which a flood does not pass") {
  // In front of the channel the body may curl up until its tip is beside the entry, nearer to the far end of
  // the middle line than to its beginning. That is no tip in the channel.
  const TargetWay way = SharpTurn::way(40.0);
  const SearchProblem asked = question(segment({}), SharpTurn::channel(), SharpTurn::place(40.0), 1.0);
  State curled = start_state();
  curled.u_free = {0.8 * kCurvatureMax, 0.0};
  Eigen::Vector3d beside = Shape(asked.design, curled).tip_E().translation();
  beside.z() = 0.0;
  REQUIRE(way.depth_of(beside).value() > 40.0);
  std::optional<Approach> approach;
  const TipDepth depth = depth_of(asked, way, approach);
  const double flooded = flooded_depth(asked, way);
  CAPTURE(depth.reached_mm, depth.at_most_mm, flooded);
  CHECK(depth.proved);
  CHECK(depth.stops_short());
  CHECK(flooded <= depth.at_most_mm);
  CHECK(depth.reached_mm <= depth.at_most_mm);
  CHECK(depth.at_most_mm <= flooded + 3.0);
  CHECK(depth.reached_mm >= flooded - 3.0);
}

TEST_CASE("With hardly any effort a depth still has both figures") {
  const TargetWay way = SharpTurn::way(40.0);
  const SearchProblem asked = question(segment({}), SharpTurn::channel(), SharpTurn::place(40.0), 1.0);
  std::optional<Approach> approach;
  const TipDepth depth = find_tip_depth(asked, way, Effort::of_work(1), approach);
  CHECK(depth.reached_mm <= flooded_depth(asked, way));
  CHECK(flooded_depth(asked, way) <= depth.at_most_mm);
  const std::string sentence = depth.sentence(depth.place_E);
  CAPTURE(sentence);
  CHECK(sentence.find(" mm deep at least and ") != std::string::npos);
  CHECK(sentence.find(" mm at most") != std::string::npos);
}

TEST_CASE(
    "What a tip points off the wanted direction is printed with digits enough to tell it from what it may") {
  Goal goal;
  goal.direction_E = Eigen::Vector3d(0.0, 0.0, 1.0);
  const auto words = [&](double off_deg, double allowed_deg) {
    goal.direction_tolerance_rad = allowed_deg * M_PI / 180.0;
    Eigen::Isometry3d tip = Eigen::Isometry3d::Identity();
    tip.linear() = Eigen::AngleAxisd(off_deg * M_PI / 180.0, Eigen::Vector3d::UnitX()).toRotationMatrix();
    return direction_miss(goal, tip);
  };
  const std::string points = "the tip points ", off = " degrees off the wanted direction (";
  CHECK(words(24.2, 12.0) == points + "24" + off + "12 are allowed)");
  CHECK(words(9.0, 0.3) == points + "9.0" + off + "0.3 are allowed)");
  CHECK(words(9.0, 0.004) == points + "9.000" + off + "0.004 are allowed)");
  CHECK(words(12.3, 12.0) == points + "12.3" + off + "12.0 are allowed)");
  CHECK(words(7.9, 7.5) == points + "7.9" + off + "7.5 are allowed)");
  CHECK(words(0.7, 0.0) == points + "1" + off + "0 are allowed)");
}

TEST_CASE("A tip in front of the channel does not count as near to a target in it") {
  const SearchProblem asked =
      question(segment({}), tube({{90.0, Eigen::Vector2d::Zero()}}, {{0.0, 15.0}}, 2.0), {10.0, 0.0, 4.0});
  State bent = start_state();
  bent.u_free = {0.0055, 0.0};  // at no insertion: the tip beside the axis and before the entry plane
  const Eigen::Vector3d tip = Shape(asked.design, bent).tip_E().translation();
  REQUIRE(tip.z() < 0.0);
  REQUIRE((tip - asked.goal.point_E).norm() < asked.goal.point_E.norm());
  NearestState nearest(asked.design, asked.goal);
  nearest.visit(bent);
  CHECK(nearest.state() == start_state());
  Goal in_front = asked.goal;
  in_front.point_E.z() = -4.0;
  NearestState there(asked.design, in_front);
  there.visit(bent);
  CHECK(there.state() == bent);
}
