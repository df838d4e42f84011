// SPDX-License-Identifier: GPL-3.0-or-later
// What the checker says of the wall, against distances that the plain implementation takes to each triangle:
// it says nothing that is false, and whatever is true by more than rounding. Seeded random balls in eight
// channels, most of them about outlets, some within the bounding box of an opening's faces.
#include "planner/proof/recheck/wall.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>

#include "tests/support/lemma_cases.h"
#include "tests/support/plain_distance.h"

namespace withy::recheck {
namespace {

using testing::LemmaChannel;
using testing::Random;

constexpr unsigned kSeed = 2026;
constexpr int kBalls = 1500;  // in each channel
// Distances of both implementations are rounded; what is decided by less than this (mm) is left out.
constexpr double kRounding_mm = 1e-6;
// About the entry plane points have the sign of others (wall_distance.h), so balls stay this far past it
// (mm).
constexpr double kPastEntry_mm = 1e-3;

std::vector<std::array<Eigen::Vector3d, 3>> faces_of(const Channel& channel, bool wall) {
  std::vector<std::array<Eigen::Vector3d, 3>> out;
  for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f) {
    std::array<Eigen::Vector3d, 3> corners;
    for (std::size_t k = 0; k < 3; ++k)
      corners[k] = channel.mesh_E.vertices[static_cast<std::size_t>(channel.mesh_E.triangles[f][k])];
    const bool past = std::max({corners[0].z(), corners[1].z(), corners[2].z()}) > kEntryPlaneContact_mm;
    if ((channel.role[f] == FaceRole::wall) == wall && (wall || past)) out.push_back(corners);
  }
  return out;
}

bool in_box_of_one(const Eigen::Vector3d& p, const std::vector<std::array<Eigen::Vector3d, 3>>& faces) {
  return std::any_of(faces.begin(), faces.end(), [&](const auto& face) {
    Eigen::AlignedBox3d box;
    for (const Eigen::Vector3d& corner : face) box.extend(corner);
    return box.contains(p);
  });
}

struct Counts {
  int clear = 0;
  int clear_in_a_box = 0;
  int beyond = 0;
};

void ask(const LemmaChannel& of, Random& random, Counts& counts) {
  const Wall wall(of.wall(), 0.25 * of.lumen_mm);
  const auto openings = faces_of(of.wall().channel(), false);
  const withy_plain::Triangles walls(faces_of(of.wall().channel(), true));
  const withy_plain::Triangles caps(openings);
  for (int i = 0; i < kBalls; ++i) {
    Ball ball;
    ball.centre = testing::random_point(of, random);
    ball.radius = of.lumen_mm * std::pow(10.0, random.between(-6.0, 0.0));
    if (ball.centre.z() - ball.radius < kPastEntry_mm) continue;
    const double need = of.lumen_mm * random.between(0.0, 0.8);
    const double to_wall = walls.distance(ball.centre);
    const double to_cap = caps.empty() ? withy_plain::kFar : caps.distance(ball.centre);
    const bool inside = of.wall().inside(ball.centre);
    CAPTURE(of.name, i, ball.centre.transpose(), ball.radius, need, to_wall, to_cap, inside);
    const bool apart = to_cap > ball.radius + kRounding_mm;
    const bool above = wall.above_in(ball, need);
    if (inside && apart && to_wall - ball.radius > need + kRounding_mm) {
      REQUIRE(above);
      ++counts.clear;
      counts.clear_in_a_box += in_box_of_one(ball.centre, openings);
    }
    if (above) {
      REQUIRE(inside);
      REQUIRE(to_cap > ball.radius - kRounding_mm);
      REQUIRE(to_wall - ball.radius > need - kRounding_mm);
    }
    const bool below = wall.below_in(ball, need);
    if (!inside && apart && ball.radius - to_wall < need - kRounding_mm) {
      REQUIRE(below);
      ++counts.beyond;
    }
    if (below && inside) REQUIRE(to_wall < need + kRounding_mm);
  }
}

}  // namespace

TEST_CASE("what is said of a ball is true, and what is true is said") {
  CAPTURE(kSeed);
  Random random(kSeed);
  Counts counts;
  for (const LemmaChannel& channel : testing::lemma_channels()) ask(channel, random, counts);
  CHECK(counts.clear > 500);
  CHECK(counts.clear_in_a_box > 50);
  CHECK(counts.beyond > 500);
}

}  // namespace withy::recheck
