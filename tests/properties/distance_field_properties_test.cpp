// SPDX-License-Identifier: GPL-3.0-or-later
// The field's bounds against the exact distance (CGAL, geometry/channel/wall_distance.h, itself held against
// brute force and FCL elsewhere), and its two builds against each other.
#include <algorithm>
#include <cmath>
#include <memory>
#include <vector>

#include <catch2/catch.hpp>

#include "geometry/distance/ball_margins.h"
#include "geometry/distance/distance_field.h"
#include "geometry/distance/lanes.h"
#include "geometry/numbers/numbers.h"
#include "tests/support/random_bodies.h"

using namespace withy;
using testing::Random;
using testing::TubeShape;

namespace {

constexpr int kCases = 10000;

/// A point in or about a tube, by one of several habits that a look-up might trip over.
Eigen::Vector3d awkward_point(const TubeShape& shape, const DistanceField& field, Random& random) {
  const double s = random.between(0.0, shape.length_mm);
  const Eigen::Vector3d along = tube_direction(shape, s);
  const Eigen::Vector3d across(along.z(), 0.0, -along.x());
  const double angle = random.between(0.0, 2.0 * EIGEN_PI);
  const Eigen::Vector3d out = std::cos(angle) * across + std::sin(angle) * Eigen::Vector3d::UnitY();
  const Eigen::Vector3d middle = tube_middle(shape, s);
  const double radius = tube_radius(shape, s);
  const FieldView& view = field.view();
  const auto on_node = [&](Eigen::Vector3d p) {
    const double h = view.spacing;
    for (int k = 0; k < 3; ++k) {
      const auto origin = static_cast<double>(view.origin[k]);
      p[k] = origin + h * std::round((p[k] - origin) / h);
    }
    return p;
  };
  const Eigen::Vector3d anywhere = middle + radius * std::sqrt(random.between(0.0, 1.2)) * out;
  switch (random.below(7)) {
    case 0:
      return on_node(anywhere);
    case 1: {  // a node's plane, edge or just off it
      Eigen::Vector3d p = on_node(anywhere);
      p[random.below(3)] += random.between(-1e-6, 1e-6);
      return p;
    }
    case 2:  // the medial axis
      return middle + random.between(0.0, 1e-3) * out;
    case 3:  // at the wall
      return middle + (radius + random.between(-0.02, 0.02)) * out;
    case 4: {  // about the entry plane
      Eigen::Vector3d p =
          random.between(0.0, 1.0) * radius * Eigen::Vector3d(std::cos(angle), std::sin(angle), 0.0);
      p.z() = random.below(2) == 0 ? 0.0 : random.between(0.0, 0.3);
      return p;
    }
    case 5:  // at the far end
      return tube_middle(shape, shape.length_mm + random.between(-1.5, 1.0)) +
             radius * std::sqrt(random.between(0.0, 1.0)) * out;
    default:
      return anywhere;
  }
}

struct Tally {
  int unknown = 0;
  int inside = 0;
  double largest_gap = 0.0;
};

Tally hold_bracket(const TubeShape& shape, int triangles, double spacing_mm, std::uint32_t seed) {
  const auto field =
      DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, triangles)), spacing_mm);
  const WallDistance& wall = field->exact();
  INFO("seed " << seed);
  Random random(seed);
  Tally tally;
  for (int i = 0; i < kCases; ++i) {
    Eigen::Vector3d p = awkward_point(shape, *field, random);
    p.z() = std::max(p.z(), 0.0);
    // On the entry plane the sign is that just past it.
    const Eigen::Vector3d past(p.x(), p.y(), std::max(p.z(), 2.0 * kEntryPlaneContact_mm));
    const double d = wall.distance(p);
    const double exact = wall.inside(past) ? d : -d;
    const DistanceField::Bracket found = field->at(p);
    CAPTURE(i, p.transpose(), exact, found.lower, found.upper);
    // Where the point is on the wall to within the exact distance's own rounding either sign is right.
    const double blur = d < 1e-9 ? 2e-9 : 0.0;
    REQUIRE(found.lower <= exact + blur);
    REQUIRE(found.upper >= exact - blur);
    REQUIRE(field->lower(p) == found.lower);
    REQUIRE(field->upper_distance(p) >= d);
    REQUIRE(field->upper(p, kInfinity) >= exact - blur);
    REQUIRE(field->upper(p, -kInfinity) == found.upper);
    if (found.lower == -kInfinity) ++tally.unknown;
    if (exact <= 0.0 || found.lower == -kInfinity) continue;
    ++tally.inside;
    tally.largest_gap = std::max(tally.largest_gap, exact - found.lower);
  }
  return tally;
}

}  // namespace

TEST_CASE("The field brackets the exact distance in a smooth tube") {
  const Tally tally = hold_bracket({.length_mm = 60.0}, 4000, 0.25, 101);
  CHECK(tally.inside > kCases / 2);
  // The worst is on the medial axis or at the wall; the header says how much.
  CHECK(tally.largest_gap < 2.0 * 0.87 * 0.25);
}

TEST_CASE("The field brackets the exact distance in a rough tube with waists") {
  const Tally tally = hold_bracket(
      {.length_mm = 60.0, .radius_mm = 4.0, .waist_mm = 1.0, .roughness_mm = 0.3}, 12000, 0.25, 102);
  CHECK(tally.inside > kCases / 2);
}

TEST_CASE("The field brackets the exact distance in a tube of long, few facets") {
  const Tally tally = hold_bracket({.length_mm = 80.0, .radius_mm = 5.0, .bend_rad = 0.3}, 60, 0.4, 103);
  CHECK(tally.inside > kCases / 2);
}

TEST_CASE("The field brackets the exact distance in a tube narrower than a block") {
  const Tally tally = hold_bracket({.length_mm = 40.0, .radius_mm = 0.9}, 4000, 0.3, 104);
  CHECK(tally.inside > kCases / 3);
}

TEST_CASE("The field brackets the exact distance, or owns that it does not know, about an open outlet") {
  const Tally tally = hold_bracket({.length_mm = 30.0, .far_end = Outlets::open}, 4000, 0.25, 105);
  CHECK(tally.unknown > 0);
  CHECK(tally.inside > kCases / 2);
}

TEST_CASE("The field brackets the exact distance where the opening's faces reach past the entry plane") {
  // Fine facets: the first rings of the wall lie within the opening's tolerance of the entry plane, and are
  // no wall.
  const TubeShape shape{.length_mm = 12.0, .radius_mm = 3.0, .bend_rad = 0.2};
  const auto tube = make_tube(shape, 20000);
  Entry entry;
  entry.opening_radius_mm = 4.0;
  const auto channel = make_channel(tube->mesh_E, entry, Outlets::closed);
  REQUIRE(channel.has_value());
  const auto field = DistanceField::make(
      std::make_shared<const WallDistance>(std::make_shared<const Channel>(*channel)), 0.25);
  REQUIRE(field->has_passages());
  const WallDistance& wall = field->exact();
  const std::uint32_t seed = 106;
  INFO("seed " << seed);
  Random random(seed);
  int known = 0;
  for (int i = 0; i < kCases; ++i) {
    const double angle = random.between(0.0, 2.0 * EIGEN_PI);
    const double r = random.between(0.0, 4.0);
    const Eigen::Vector3d p(r * std::cos(angle), r * std::sin(angle), random.between(0.0, 2.0));
    const Eigen::Vector3d past(p.x(), p.y(), std::max(p.z(), 2.0 * kEntryPlaneContact_mm));
    const double d = wall.distance(p);
    const double exact = wall.inside(past) ? d : -d;
    const DistanceField::Bracket found = field->at(p);
    CAPTURE(i, p.transpose(), exact, found.lower, found.upper);
    REQUIRE(found.lower <= exact);
    REQUIRE(found.upper >= exact);
    if (found.lower > 0.0) ++known;
  }
  CHECK(known > 0);
}

TEST_CASE("Away from passages a known sign holds however the point moves within the margin") {
  const TubeShape shape{.length_mm = 30.0, .far_end = Outlets::open};
  const auto field = DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, 4000)), 0.25);
  const WallDistance& wall = field->exact();
  const std::uint32_t seed = 107;
  INFO("seed " << seed);
  Random random(seed);
  int moved = 0;
  for (int i = 0; i < kCases; ++i) {
    const Eigen::Vector3d p = awkward_point(shape, *field, random);
    const double lower = field->lower(p);
    const double step = random.between(0.0, kPassageMargin_mm);
    Eigen::Vector3d q = p + step * random.direction();
    if (lower <= step || q.z() <= 2.0 * kEntryPlaneContact_mm) continue;
    CAPTURE(i, p.transpose(), q.transpose(), lower, step);
    REQUIRE(wall.signed_distance(q) >= lower - step);
    ++moved;
  }
  CHECK(moved > kCases / 4);
}

TEST_CASE("Margins of a row of balls: the builds agree, and each is the field's own bound") {
  const TubeShape shape{.length_mm = 60.0, .roughness_mm = 0.1};
  const auto field = DistanceField::make(std::make_shared<const WallDistance>(make_tube(shape, 6000)), 0.25);
  const FieldView& view = field->view();
  const std::uint32_t seed = 108;
  INFO("seed " << seed);
  Random random(seed);
  constexpr int kBalls = 40;
  std::vector<float> x(kBalls), y(kBalls), z(kBalls), radius(kBalls), slack(kBalls), lower(kBalls),
      other(kBalls);
  // V is rounded to a few parts in 10^6 and, near the wall, of h^2 (geometry/distance/distance_field_view.h);
  // the root makes of the latter sqrt(2e-5) h.
  const double blur =
      std::sqrt(2e-5) * static_cast<double>(view.spacing) + static_cast<double>(view.rounding);
  for (int i = 0; i < kCases / kBalls * 4; ++i) {
    for (std::size_t j = 0; j < kBalls; ++j) {
      const Eigen::Vector3d p = awkward_point(shape, *field, random);
      x[j] = static_cast<float>(p.x());
      y[j] = static_cast<float>(p.y());
      z[j] = static_cast<float>(p.z() + (random.below(4) == 0 ? -1.0 : 0.0));
      radius[j] = static_cast<float>(random.between(0.5, 2.0));
      slack[j] = static_cast<float>(random.below(3) == 0 ? 0.0 : random.between(0.0, 1.5));
    }
    const Balls balls{x.data(), y.data(), z.data(), radius.data(), slack.data(), kBalls};
    BallMargins found;
    ball_margins_portable(view, balls, lower.data(), found);
    double least = kInfinity;
    double deepest = kInfinity;
    for (std::size_t j = 0; j < kBalls; ++j) {
      if (z[j] + slack[j] <= 0.0F) continue;
      const Eigen::Vector3d p(x[j], y[j], z[j]);
      const double reference = field->lower(p);
      CAPTURE(i, j, x[j], y[j], z[j], lower[j], reference);
      // On the face between a block that is kept and one that is not, all points are outside, and rounding of
      // the place decides which of the two answers.
      if (reference == -kInfinity || lower[j] < view.unknown_below) {
        REQUIRE(std::max(reference, static_cast<double>(lower[j])) <= blur);
      } else {
        REQUIRE(std::abs(static_cast<double>(lower[j]) - reference) <= blur);
      }
      if (lower[j] > -1.0F && p.z() > 2.0 * kEntryPlaneContact_mm)
        REQUIRE(static_cast<double>(lower[j] - view.rounding) <= field->exact().signed_distance(p));
      least = std::min(least, static_cast<double>(lower[j] - radius[j] - slack[j]));
      if (z[j] > slack[j]) deepest = std::min(deepest, static_cast<double>(lower[j] - radius[j] + slack[j]));
    }
    if (found.worst >= 0) REQUIRE(std::abs(static_cast<double>(found.least) - least) < 1e-5);
    if (found.suspect >= 0) REQUIRE(std::abs(static_cast<double>(found.deepest) - deepest) < 1e-5);
    REQUIRE((found.worst >= 0) == (least < kInfinity));
    REQUIRE((found.suspect >= 0) == (deepest < kInfinity));
#if defined(__x86_64__)
    if (!cpu_has_avx2()) continue;
    BallMargins vector_found;
    ball_margins_avx2(view, balls, other.data(), vector_found);
    for (std::size_t j = 0; j < kBalls; ++j) {
      if (z[j] + slack[j] <= 0.0F) continue;
      CAPTURE(i, j, lower[j], other[j]);
      if (std::min(lower[j], other[j]) < view.unknown_below) {
        REQUIRE(std::max(lower[j], other[j]) <= static_cast<float>(blur));
      } else {
        REQUIRE(std::abs(lower[j] - other[j]) < blur);
      }
    }
    // Two builds may take either answer on such a face: then both least margins are negative.
    if (std::min(found.least, vector_found.least) < 0.0F) {
      REQUIRE(std::max(found.least, vector_found.least) < static_cast<float>(blur));
    } else {
      REQUIRE(std::abs(vector_found.least - found.least) < blur);
    }
#endif
  }
}
