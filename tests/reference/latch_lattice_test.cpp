// SPDX-License-Identifier: GPL-3.0-or-later
// Latchable bends against lattices counted by hand.
//
// Unit of bend: one notch on one backbone, pitch / r_b. With backbones at right angles the bends form a
// square lattice of one unit, whose points within a radius are Gauss' circle numbers; with three or six
// evenly around a hexagonal lattice of spacing 2 / sqrt(3), whose shells hold 1, 6, 6, 6, 12, ... points at
// squared distances 0, 1, 3, 4, 7 spacings (common practice: J. H. Conway and N. J. A. Sloane, "Sphere
// Packings, Lattices and Groups", table 4.4, from memory).
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/segment/latch.h"
#include "tests/support/plain_hardware.h"

namespace {

constexpr double kPi = 3.14159265358979323846;
constexpr double kPitch = 0.5, kBackbone = 1.2, kUnit = kPitch / kBackbone;

withy::LatchHardware latch(const std::vector<double>& angles_deg, double window = 0.02) {
  withy::LatchHardware out{kPitch, kBackbone, {}, window, 0.02};
  for (const double a : angles_deg) out.backbone_angle_rad.push_back(a * kPi / 180);
  return out;
}

std::size_t count(const std::vector<double>& angles_deg, double radius_units) {
  return withy::lattice_points(latch(angles_deg), {0, 0}, radius_units * kUnit).size();
}

void check_same(const std::vector<Eigen::Vector2d>& found, std::vector<Eigen::Vector2d> expected) {
  REQUIRE(found.size() == expected.size());
  for (const auto& bend : found) {
    bool known = false;
    for (const auto& e : expected) known = known || (e - bend).norm() < 1e-12;
    CAPTURE(bend.transpose());
    CHECK(known);
  }
}

}  // namespace

TEST_CASE(
    "four backbones at right angles hold a square lattice: Gauss' circle numbers 1, 5, 9, 13, 21, 25, 29") {
  // Squared radii 0, 1, 2, 4, 5, 8, 9 (OEIS A057655), taken a little larger.
  const double squares[] = {0, 1, 2, 4, 5, 8, 9};
  const std::size_t numbers[] = {1, 5, 9, 13, 21, 25, 29};
  for (int k = 0; k < 7; ++k) {
    const double radius = std::sqrt(squares[k]) + 0.01;
    CAPTURE(squares[k]);
    CHECK(count({0, 90, 180, 270}, radius) == numbers[k]);
    CHECK(count({45, 135, 225, 315}, radius) == numbers[k]);
    CHECK(count({17, 107}, radius) == numbers[k]);  // two of the four say it all
  }
}

TEST_CASE("three or six backbones evenly around hold a hexagonal lattice: 1, 7, 13, 19, 31") {
  const double spacing = 2 / std::sqrt(3.0), squares[] = {0, 1, 3, 4, 7};
  const std::size_t numbers[] = {1, 7, 13, 19, 31};
  for (int k = 0; k < 5; ++k) {
    const double radius = spacing * std::sqrt(squares[k]) + 0.01;
    CAPTURE(squares[k]);
    CHECK(count({0, 120, 240}, radius) == numbers[k]);
    CHECK(count({0, 60, 120, 180, 240, 300}, radius) == numbers[k]);
  }
}

TEST_CASE("the bends themselves, written out: four backbones on the axes") {
  std::vector<Eigen::Vector2d> expected;
  for (const auto& [i, j] :
       {std::pair{0, 0}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {1, -1}, {-1, 1}, {-1, -1}}) {
    expected.emplace_back(i * kUnit, j * kUnit);
  }
  check_same(withy::lattice_points(latch({0, 90, 180, 270}), {0, 0}, 1.5 * kUnit), expected);
}

TEST_CASE("the bends themselves, written out: four backbones on the diagonals") {
  const double h = kUnit / std::sqrt(2.0);  // one notch on one diagonal pair
  std::vector<Eigen::Vector2d> expected = {{0, 0}, {h, h}, {-h, -h}, {h, -h}, {-h, h}};
  for (const auto& e : {std::pair{2 * h, 0.0}, {-2 * h, 0.0}, {0.0, 2 * h}, {0.0, -2 * h}})
    expected.emplace_back(e.first, e.second);
  check_same(withy::lattice_points(latch({45, 135, 225, 315}), {0, 0}, 1.5 * kUnit), expected);
}

TEST_CASE("the bends themselves, written out: three backbones, first shell") {
  // Slides (1, 0, -1), (0, 1, -1), ... of the three: bends of 2 / sqrt(3) units towards 30, 90, ... degrees.
  std::vector<Eigen::Vector2d> expected = {{0, 0}};
  for (int k = 0; k < 6; ++k) {
    const double angle = kPi / 6 + k * kPi / 3;
    expected.push_back(2 / std::sqrt(3.0) * kUnit * Eigen::Vector2d(std::cos(angle), std::sin(angle)));
  }
  check_same(withy::lattice_points(latch({0, 120, 240}), {0, 0}, 1.3 * kUnit), expected);
}

TEST_CASE("a third backbone between two square ones leaves only bends square to it") {
  // It would need (i + j) / sqrt(2) whole: for |i + j| <= 4 only 0 comes within the window.
  std::vector<Eigen::Vector2d> expected = {{0, 0}, {kUnit, -kUnit}, {-kUnit, kUnit}};
  check_same(withy::lattice_points(latch({0, 90, 45}), {0, 0}, 2.5 * kUnit), expected);
}

TEST_CASE("backbones in one plane hold lines of bends, one for each notch") {
  const auto lines = withy::lattice_lines(latch({30, 210}), {0, 0}, 2.5 * kUnit);
  CHECK(lines.size() == 5);
  const Eigen::Vector2d along(std::cos(kPi / 6), std::sin(kPi / 6));
  for (const auto& line : lines) {
    CHECK(std::abs(line.direction.dot(along)) < 1e-12);
    const double notch = line.offset.dot(along) / kUnit;
    CHECK(std::abs(notch - std::round(notch)) < 1e-12);
  }
  CHECK(withy::lattice_kind(latch({30, 210})) == withy::LatticeKind::lines);
}

TEST_CASE("away from the middle the lattice is the same") {
  // Around (3.3, -1.4) units within 1.1: whole pairs by hand.
  const Eigen::Vector2d centre(3.3 * kUnit, -1.4 * kUnit);
  std::vector<Eigen::Vector2d> expected;
  for (const auto& [i, j] : {std::pair{3, -1}, {3, -2}, {4, -1}, {4, -2}})
    expected.emplace_back(i * kUnit, j * kUnit);
  check_same(withy::lattice_points(latch({0, 90, 180, 270}), centre, 1.1 * kUnit), expected);
}

TEST_CASE("a bend is latchable exactly when every backbone is within the window of a notch") {
  // Judged by the plain implementation's slides. Backbones whose lattice is exact (nothing is lost by
  // pulling).
  const unsigned seed = 364;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> bend(-2, 2);
  for (const auto& angles :
       {std::vector<double>{0, 120, 240}, {45, 135, 225, 315}, {0, 60, 120, 180, 240, 300}}) {
    const withy::LatchHardware hardware = latch(angles, 0.1);
    const withy_plain::Latch plain{kPitch, kBackbone, 0.1, 0.02, hardware.backbone_angle_rad};
    int latched = 0;
    for (int i = 0; i < 5000; ++i) {
      const Eigen::Vector2d theta(bend(random), bend(random));
      const double miss = withy_plain::notch_miss(plain, theta);
      if (std::abs(miss - 0.1) < 1e-8) continue;
      const auto held = withy::latched_bend(hardware, theta);
      CAPTURE(angles.size(), i, theta.transpose(), miss);
      // together.
      if (held) {
        ++latched;
        REQUIRE(miss <= 0.1);
        REQUIRE(withy_plain::notch_miss(plain, *held) < 1e-9);
      } else {
        REQUIRE(miss > 0.1);
      }
    }
    CHECK(latched > 100);
  }
}

TEST_CASE("a friction lock holds the bend it is given") {
  withy::LatchHardware friction = latch({0, 90});
  friction.notch_pitch_mm = 0;
  const Eigen::Vector2d theta(0.1234, -0.5678);
  REQUIRE(withy::latched_bend(friction, theta));
  CHECK(*withy::latched_bend(friction, theta) == theta);
  CHECK(withy::lattice_kind(friction) == withy::LatticeKind::everything);
}
