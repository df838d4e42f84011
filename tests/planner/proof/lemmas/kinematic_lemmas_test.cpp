// SPDX-License-Identifier: GPL-3.0-or-later
// Lemmas 1 to 6, of what a box of states does to the body, against the plain implementation's bodies of
// states drawn from the box.
#include <algorithm>
#include <cmath>
#include <limits>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/cell_reach.h"
#include "planner/proof/lemmas/cell_slide.h"
#include "planner/proof/lemmas/limits_over_box.h"
#include "planner/proof/lemmas/tip_over_box.h"
#include "tests/support/lemma_cases.h"

using namespace withy;
using namespace withy::testing;

namespace {

constexpr int kCases = 10000;
// Two plain bodies of up to 100 mm, each right to about this (mm, rad).
constexpr double kRounding_mm = 1e-9;
// The angle between two unit vectors that are right to 1e-16, by their cross product, and by 1e-8 where the
// arcs are that small.
constexpr double kRounding_rad = 1e-9;

struct Cell {
  LemmaDesign of;
  BendChart chart;
  Leaf leaf;
  Box box;

  explicit Cell(Random& random) : of(random_lemma_design(random)), chart(of.design, false) {
    const State about = random_lemma_state(of, random);
    leaf = leaf_of(chart, about);
    box = random_lemma_box(of, chart, leaf, about, random);
  }
  Cell(const Cell&) = delete;
  State draw(Random& random) const { return draw_from(of, chart, leaf, box, random); }
};

/// Bends make the way from coordinates to a state and back, which rounds.
bool within(const Box& box, const std::array<double, kMaxDimensions>& x) {
  for (int k = 0; k < box.dimensions; ++k)
    if (x[Box::idx(k)] < box.low[Box::idx(k)] - 1e-14 || x[Box::idx(k)] > box.high[Box::idx(k)] + 1e-14)
      return false;
  return true;
}

/// Lengths of the design in extended precision.
struct ExtendedLengths {
  const Design& design;

  long double first_exposed(double insertion_mm) const {
    if (design.carriage().kind == CarriageKind::free) return 0.0L;
    const long double L = design.length_mm();
    return std::clamp(L - static_cast<long double>(insertion_mm), 0.0L, L);
  }
  /// Of the flexible parts of [from, to].
  long double flexible(long double from, long double to) const {
    long double length = std::max(0.0L, to - from);
    const auto leave_out = [&](long double low, long double high) {
      length -= std::max(0.0L, std::min(high, to) - std::max(low, from));
    };
    const long double half = 0.5L * design.lock().body_length_mm;
    for (int i = 0; i < design.lock_count(); ++i)
      leave_out(design.station_mm(i) - half, design.station_mm(i) + half);
    leave_out(static_cast<long double>(design.length_mm()) - design.segment().tip_rigid_mm,
              design.length_mm());
    return std::max(0.0L, length);
  }
};

/// Lemma 3's constants, by its statement.
struct ExtendedLevers {
  long double free_from = 0.0L;
  long double exposed_from = 0.0L;
  long double turning_to = 0.0L;
  long double kappa = 0.0L;

  ExtendedLevers(const Design& design, const Leaf& leaf, const Box& box, const State& centre) {
    const auto stretches = stretches_of(design, leaf.engaged);
    free_from = stretches.back().from_mm;
    const ExtendedLengths lengths{design};
    exposed_from = turning_to = lengths.first_exposed(box.high[0]);
    if (design.carriage().kind == CarriageKind::free) return;
    const long double cut_to = lengths.first_exposed(box.low[0]);
    for (std::size_t r = 0; r < stretches.size(); ++r) {
      const Stretch& s = stretches[r];
      if (s.from_mm > cut_to || s.to_mm < exposed_from) continue;
      turning_to = s.to_mm;
      kappa = std::max(kappa,
                       r < leaf.base.size() ? frozen(lengths, s, centre.theta_frozen[r], cut_to) : free(box));
    }
  }
  static long double free(const Box& box) {
    const auto most = [&](std::size_t k) {
      return static_cast<long double>(std::max(std::abs(box.low[k]), std::abs(box.high[k])));
    };
    return std::hypot(most(1), most(2));
  }
  static long double frozen(const ExtendedLengths& lengths, const Stretch& s, const Eigen::Vector2d& theta,
                            long double cut_to) {
    const long double limit = lengths.design.segment().curvature_max_per_mm;
    const long double bend =
        std::hypot(static_cast<long double>(theta.x()), static_cast<long double>(theta.y()));
    const long double f = lengths.flexible(std::max<long double>(s.from_mm, cut_to), s.to_mm);
    if (bend <= 0.0L) return 0.0L;
    return f > 0.0L ? std::min(limit, bend / f) : limit;
  }
  long double insertion_lever(double s) const {
    return 1.0L + kappa * std::max(0.0L, std::min<long double>(s, turning_to) - exposed_from);
  }
  long double curvature_lever(double s) const {
    const long double l = std::max(0.0L, static_cast<long double>(s) - std::max(free_from, exposed_from));
    return 0.5L * l * l;
  }
};

double angle_between(const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
  return std::atan2(a.cross(b).norm(), a.dot(b));
}

}  // namespace

TEST_CASE("lemmas 1 and 2: what a box allows holds its allowed states, and its curvature verdict them all") {
  const std::uint32_t seed = 601;
  INFO("seed " << seed);
  Random random(seed);
  int blocked = 0;
  int free = 0;
  int at_limit = 0;
  for (int i = 0; i < kCases; ++i) {
    const Cell cell(random);
    const AllowedBox allowed_box = AllowedBox::of(cell.of.design, cell.chart, cell.leaf, cell.box);
    const CellStatus status = curvature_over(cell.of.design, cell.chart, cell.leaf, cell.box);
    blocked += status == CellStatus::blocked ? 1 : 0;
    free += status == CellStatus::free ? 1 : 0;
    for (int n = 0; n < 8; ++n) {
      const State q = cell.draw(random);
      CAPTURE(i, n, cell.of.channel->name, q.insertion_mm, q.u_free.transpose());
      if (status == CellStatus::free) REQUIRE(allowed(cell.of, q, 2e-9));
      if (!allowed(cell.of, q)) continue;
      REQUIRE(status != CellStatus::blocked);
      REQUIRE(within(allowed_box.box(), coordinates_of(cell.chart, q)));
      at_limit += allowed(cell.of, q, -1e-6) ? 0 : 1;
    }
  }
  CHECK(blocked > 500);
  CHECK(free > 500);
  CHECK(at_limit > 1000);
}

TEST_CASE("lemmas 3 and 5: no station of an allowed state is farther from the centre's than a cell's reach") {
  const std::uint32_t seed = 602;
  INFO("seed " << seed);
  Random random(seed);
  int compared = 0;
  int past_the_limit = 0;
  double tightest = 0.0;
  double tightest_turn = 0.0;
  for (int i = 0; i < kCases; ++i) {
    const Cell cell(random);
    const AllowedBox box = AllowedBox::of(cell.of.design, cell.chart, cell.leaf, cell.box);
    const State centre = centre_state(cell.chart, cell.leaf, box.box());
    if (!placeable(cell.of, centre)) continue;
    const CellReach reach = CellReach::of(cell.of.design, cell.chart, cell.leaf, box, centre);
    const withy_plain::Body at_centre(cell.of.robot, plain_of(cell.of, centre));
    for (int n = 0; n < 6; ++n) {
      const State q = cell.draw(random);
      if (!allowed(cell.of, q)) continue;
      past_the_limit += allowed(cell.of, centre) ? 0 : 1;
      const withy_plain::Body body(cell.of.robot, plain_of(cell.of, q));
      for (int k = 0; k < 8; ++k) {
        const double s = cell.of.robot.scene.length_mm * (k == 0 ? 1.0 : random.between(0.0, 1.0));
        const Eigen::Isometry3d there = body.pose_E(s);
        const Eigen::Isometry3d here = at_centre.pose_E(s);
        const double moved = (there.translation() - here.translation()).norm();
        const double turned = angle_between(there.linear().col(2), here.linear().col(2));
        CAPTURE(i, n, s, cell.of.channel->name, q.insertion_mm, centre.insertion_mm, q.engaged.to_string());
        REQUIRE(moved <= reach.at(s) + kRounding_mm);
        REQUIRE(turned <= reach.turn_at(s) + kRounding_rad);
        ++compared;
        if (reach.at(s) > 1e-3) tightest = std::max(tightest, moved / reach.at(s));
        if (reach.turn_at(s) > 1e-3) tightest_turn = std::max(tightest_turn, turned / reach.turn_at(s));
      }
    }
  }
  CHECK(compared > 100000);
  CHECK(past_the_limit > 1000);
  CHECK(tightest > 0.99);
  CHECK(tightest_turn > 0.99);
}

TEST_CASE("lemma 3: rounding never makes a lever too short, whatever is next to the entry plane") {
  const std::uint32_t seed = 605;
  INFO("seed " << seed);
  Random random(seed);
  int guides = 0;
  int compared = 0;
  int tight = 0;
  for (int i = 0; i < kCases; ++i) {
    const Cell cell(random);
    const Design& design = cell.of.design;
    const AllowedBox box = AllowedBox::of(design, cell.chart, cell.leaf, cell.box);
    const State centre = centre_state(cell.chart, cell.leaf, box.box());
    const MotionBounds bounds = motion_bounds(design, StateRange::of_cell(box, centre));
    const ExtendedLevers levers(design, cell.leaf, box.box(), centre);
    const MotionBounds any = motion_bounds(design);
    guides += cell.of.robot.scene.guide ? 1 : 0;
    for (int k = 0; k < 8; ++k) {
      const double L = design.length_mm();
      const double next =
          static_cast<double>(levers.exposed_from) + std::pow(10.0, random.between(-16.0, 1.0));
      const double s = k == 0 ? L : k < 4 ? std::min(L, next) : random.between(0.0, L);
      CAPTURE(i, k, s, cell.of.robot.scene.guide, box.box().low[0], box.box().high[0]);
      const auto insertion = static_cast<long double>(bounds.insertion_lever(s));
      const auto curvature = static_cast<long double>(bounds.curvature_lever_mm2(s));
      REQUIRE(insertion >= levers.insertion_lever(s));
      REQUIRE(curvature >= levers.curvature_lever(s));
      CHECK(curvature <= levers.curvature_lever(s) + 1e-9L);
      ++compared;
      tight += insertion <= levers.insertion_lever(s) * (1.0L + 1e-8L) ? 1 : 0;
      if (curvature_range(box.box()).second > design.segment().curvature_max_per_mm) continue;
      REQUIRE(any.insertion_lever(s) >= bounds.insertion_lever(s) * (1.0 - 1e-12));
      REQUIRE(any.curvature_lever_mm2(s) >= bounds.curvature_lever_mm2(s));
    }
  }
  CHECK(guides > 1000);
  CHECK(tight > compared * 9 / 10);
}

TEST_CASE("lemma 4: no station of an allowed state is farther aside than a cell's slide") {
  const std::uint32_t seed = 603;
  INFO("seed " << seed);
  Random random(seed);
  int compared = 0;
  int past_the_limit = 0;
  double tightest = 0.0;
  for (int i = 0; i < kCases; ++i) {
    const Cell cell(random);
    const auto slide = CellSlide::of(cell.of.design, cell.chart, cell.leaf,
                                     AllowedBox::of(cell.of.design, cell.chart, cell.leaf, cell.box));
    if (!slide) continue;
    const double L = cell.of.robot.scene.length_mm;
    std::vector<double> stations;
    for (int k = 0; k < 9; ++k) stations.push_back(random.between(0.0, L));
    stations.push_back(L);
    std::sort(stations.begin(), stations.end());
    std::vector<double> deepest;
    std::vector<double> shallowest;
    slide->about_deepest(stations, deepest);
    slide->about_shallowest(stations, shallowest);
    for (int n = 0; n < 4; ++n) {
      const State q = cell.draw(random);
      if (!allowed(cell.of, q)) continue;
      const withy_plain::Body body(cell.of.robot, plain_of(cell.of, q));
      State end = q;
      const auto compare = [&](double insertion, double sign, const std::vector<double>& aside) {
        end.insertion_mm = insertion;
        // The body at the cell's end need not be within the limits itself, as long as it has a place.
        if (!placeable(cell.of, end)) return;
        past_the_limit += allowed(cell.of, end) ? 0 : 1;
        const withy_plain::Body at_end(cell.of.robot, plain_of(cell.of, end));
        for (std::size_t j = 0; j < stations.size(); ++j) {
          const double s = stations[j] + sign * std::abs(insertion - q.insertion_mm);
          if (s < 0.0 || s > L) continue;
          const Eigen::Vector3d p = body.point_E(s);
          if (p.z() <= 0.0) continue;  // inside the guide, or in front of the channel
          const double off = (p - at_end.point_E(stations[j])).norm();
          CAPTURE(i, n, sign, s, cell.of.channel->name, q.insertion_mm, insertion, q.engaged.to_string());
          REQUIRE(off <= aside[j] + kRounding_mm);
          ++compared;
          if (aside[j] > 1e-3) tightest = std::max(tightest, off / aside[j]);
        }
      };
      compare(cell.box.high[0], 1.0, deepest);
      compare(cell.box.low[0], -1.0, shallowest);
    }
  }
  CHECK(compared > 50000);
  CHECK(past_the_limit > 50);
  CHECK(tightest > 0.6);
}

TEST_CASE("lemma 6: a cell's tip range holds the tips of its allowed states, and does not hold everything") {
  const std::uint32_t seed = 604;
  INFO("seed " << seed);
  Random random(seed);
  int ranges = 0;
  int held = 0;
  int told_apart = 0;
  for (int i = 0; i < kCases; ++i) {
    const Cell cell(random);
    TipOverBox tips(cell.of.design, cell.chart);
    const auto range = tips.range(cell.leaf, AllowedBox::of(cell.of.design, cell.chart, cell.leaf, cell.box));
    if (!range) continue;
    ++ranges;
    for (int n = 0; n < 8; ++n) {
      const State q = cell.draw(random);
      if (!allowed(cell.of, q)) continue;
      const Eigen::Isometry3d tip =
          withy_plain::Body(cell.of.robot, plain_of(cell.of, q)).pose_E(cell.of.robot.scene.length_mm);
      const Eigen::Vector3d middle = range->middle_E().linear().col(2);
      CAPTURE(i, n, cell.of.channel->name, q.insertion_mm, q.engaged.to_string());
      REQUIRE(range->may_come_within(0.0, tip.translation()));
      REQUIRE(range->may_point_within(0.0, angle_between(tip.linear().col(2), middle)));
      ++held;
    }
    const double far = cell.of.robot.scene.length_mm;
    if (!range->may_come_within(0.0, range->middle_E().translation() + far * random.direction()))
      ++told_apart;
  }
  CHECK(ranges > 5000);
  CHECK(held > 10000);
  CHECK(told_apart > 3000);
}
