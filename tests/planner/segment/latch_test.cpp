// SPDX-License-Identifier: GPL-3.0-or-later
// Latchable bends against lattices counted by hand, and against enumeration by brute force.
#include "planner/segment/latch.h"

#include <algorithm>
#include <cmath>
#include <random>
#include <set>
#include <utility>

#include <Eigen/QR>
#include <catch2/catch.hpp>

namespace {

using Catch::Matchers::WithinAbs;
using namespace withy;

constexpr double kDegree = M_PI / 180.0;

LatchHardware latch_with(const std::vector<double>& angles_deg, double pitch = 0.5, double window = 0.02) {
  LatchHardware latch;
  latch.notch_pitch_mm = pitch;
  latch.backbone_radius_mm = 1.2;
  for (const double a : angles_deg) latch.backbone_angle_rad.push_back(a * kDegree);
  latch.engage_window_mm = window;
  latch.backlash_mm = 0.02;
  return latch;
}

/// Every bend of the definition, by trying every whole number on every backbone: least squares by a QR of the
/// whole system.
std::vector<Eigen::Vector2d> by_brute_force(const LatchHardware& latch, int largest_notch,
                                            double radius_rad) {
  const auto count = static_cast<Eigen::Index>(latch.backbone_angle_rad.size());
  Eigen::MatrixXd A(count, 2);
  for (Eigen::Index k = 0; k < count; ++k) {
    const double psi = latch.backbone_angle_rad[static_cast<std::size_t>(k)];
    A.row(k) << latch.backbone_radius_mm * std::cos(psi), latch.backbone_radius_mm * std::sin(psi);
  }
  const Eigen::ColPivHouseholderQR<Eigen::MatrixXd> qr(A);
  std::vector<Eigen::Vector2d> found;
  Eigen::VectorXd n = Eigen::VectorXd::Constant(count, -largest_notch);
  for (;;) {
    const Eigen::Vector2d bend = qr.solve(latch.notch_pitch_mm * n);
    const bool engages =
        (A * bend - latch.notch_pitch_mm * n).cwiseAbs().maxCoeff() <= latch.engage_window_mm + 1e-9;
    if (engages && bend.norm() <= radius_rad) found.push_back(bend);
    Eigen::Index k = 0;
    while (k < count && n(k) == largest_notch) n(k++) = -largest_notch;
    if (k == count) break;
    n(k) += 1;
  }
  return found;
}

bool holds(const std::vector<Eigen::Vector2d>& bends, const Eigen::Vector2d& bend) {
  return std::any_of(bends.begin(), bends.end(), [&](const auto& b) { return (b - bend).norm() < 1e-9; });
}

}  // namespace

TEST_CASE("four backbones a quarter turn apart latch a square grid of p / r_b") {
  // By hand: opposite backbones ask for opposite numbers, so Theta = (p / r_b) (n_1 e_1 + n_2 e_2), any whole
  // n_1, n_2.
  const LatchHardware latch = latch_with({45, 135, 225, 315});
  CHECK(lattice_kind(latch) == LatticeKind::points);
  const double step = 0.5 / 1.2;
  const Eigen::Vector2d e1(std::sqrt(0.5), std::sqrt(0.5));
  const Eigen::Vector2d e2(-std::sqrt(0.5), std::sqrt(0.5));
  // Whole points of a square grid within 2.5 steps of one: 1 + 4 + 4 + 4 + 8 = 21 (Gauss circle count for r^2
  // = 6.25).
  const auto bends = lattice_points(latch, {0, 0}, 2.5 * step);
  REQUIRE(bends.size() == 21);
  for (int i = -2; i <= 2; ++i)
    for (int j = -2; j <= 2; ++j)
      if (i * i + j * j <= 6) CHECK(holds(bends, step * (i * e1 + j * e2)));
}

TEST_CASE("three backbones a third of a turn apart latch a triangular grid of 2 p / (sqrt(3) r_b)") {
  // By hand: e_1 + e_2 + e_3 = 0 forces n_1 + n_2 + n_3 = 0; the shortest such triple (1, -1, 0) gives
  // Theta = (2/3)(p / r_b)(e_1 - e_2), of size (2/3) sqrt(3) p / r_b. Six neighbours at that distance, the
  // next at sqrt(3).
  const LatchHardware latch = latch_with({90, 210, 330});
  const double step = 2.0 / std::sqrt(3.0) * 0.5 / 1.2;
  CHECK(lattice_points(latch, {0, 0}, 0.99 * step).size() == 1);
  const auto nearest = lattice_points(latch, {0, 0}, 1.01 * step);
  REQUIRE(nearest.size() == 7);
  for (const auto& bend : nearest) {
    const double size = bend.norm();
    CHECK((size < 1e-12 || std::abs(size - step) < 1e-12));
  }
  CHECK(lattice_points(latch, {0, 0}, 1.72 * step).size() == 7);
  CHECK(lattice_points(latch, {0, 0}, 1.74 * step).size() == 13);
}

TEST_CASE("the lattice about any centre is what lies within the radius of it") {
  const LatchHardware latch = latch_with({0, 120, 240});
  const Eigen::Vector2d centre(1.3, -0.7);
  const auto wide = lattice_points(latch, {0, 0}, 4.0);
  const auto near = lattice_points(latch, centre, 0.9);
  const auto expected =
      std::count_if(wide.begin(), wide.end(), [&](const auto& b) { return (b - centre).norm() <= 0.9; });
  CHECK(static_cast<long>(near.size()) == expected);
  for (const auto& bend : near) CHECK(holds(wide, bend));
  CHECK(std::is_sorted(near.begin(), near.end(), [](const auto& a, const auto& b) {
    return a.x() != b.x() ? a.x() < b.x() : a.y() < b.y();
  }));
}

TEST_CASE("a fine lattice handed out bend by bend has the bends of the whole one, each once") {
  // The slow twin is lattice_points itself, which the cases above check by hand. 0.0036 mm makes 160000 pairs
  // of notches within 0.6 rad, more than are laid out at once.
  LatchHardware latch = exact_latch(latch_with({45, 135, 225, 315}));
  latch.notch_pitch_mm = 0.0036;
  const Eigen::Vector2d centre(0.3, -0.1);
  auto whole = lattice_points(latch, centre, 0.6);
  std::vector<Eigen::Vector2d> one_by_one;
  CHECK(for_each_lattice_point(latch, centre, 0.6, Effort(), [&](const Eigen::Vector2d& bend) {
    one_by_one.push_back(bend);
    return true;
  }));
  REQUIRE(one_by_one.size() == whole.size());
  CHECK(whole.size() > 100000);
  // By whole notches, since the same bend may differ by rounding.
  const auto notches = [&](const std::vector<Eigen::Vector2d>& bends) {
    std::set<std::pair<long, long>> all;
    for (const Eigen::Vector2d& bend : bends) {
      const Eigen::VectorXd slides = backbone_slides(latch, bend);
      all.insert(
          {std::lround(slides[0] / latch.notch_pitch_mm), std::lround(slides[1] / latch.notch_pitch_mm)});
    }
    return all;
  };
  const auto given = notches(one_by_one);
  CHECK(given.size() == one_by_one.size());
  CHECK(given == notches(whole));
}

TEST_CASE(
    "a lattice too fine to lay out is handed out as far as it is taken, and no further than the effort "
    "lasts") {
  LatchHardware latch = exact_latch(latch_with({45, 135, 225, 315}));
  latch.notch_pitch_mm = 1e-7;  // 2e15 bends within 4 rad
  int taken = 0;
  CHECK_FALSE(for_each_lattice_point(latch, {0, 0}, 4.0, Effort(),
                                     [&](const Eigen::Vector2d&) { return ++taken < 10; }));
  CHECK(taken == 10);
  // Three backbones askew latch nearly no bend together: there is nothing to take, and still it ends.
  LatchHardware askew = exact_latch(latch_with({0, 77, 201}));
  askew.notch_pitch_mm = 1e-5;
  int asked = 0;
  const Effort effort = Effort().until_stop([&] { return ++asked > 3; });
  CHECK_FALSE(
      for_each_lattice_point(askew, {0, 0}, 4.0, effort, [](const Eigen::Vector2d&) { return true; }));
  CHECK(asked == 4);
}

TEST_CASE("an exact latch takes bends as far off the notches as rounding may part them, and no farther") {
  // Backbones along x and y: off by delta along x is a slide off by r_b delta.
  const LatchHardware bench = latch_with({0, 90, 180, 270});
  const Eigen::Vector2d notched(3 * 0.5 / 1.2, -2 * 0.5 / 1.2);
  for (const double rounding : {0.0, 1e-7, 1e-5}) {
    CAPTURE(rounding);
    const LatchHardware exact = exact_latch(bench, rounding);
    for (const double off : {0.0, 0.9 * rounding, -0.9 * rounding}) {
      const auto held = latched_bend(exact, notched + Eigen::Vector2d(off, 0.0));
      REQUIRE(held);
      CHECK((*held - notched).norm() < 1e-12);
    }
    for (const double off : {1.1 * rounding + 1e-8, -1.1 * rounding - 1e-8, 0.01})
      CHECK_FALSE(latched_bend(exact, notched + Eigen::Vector2d(off, 0.0)));
  }
  CHECK(latched_bend(bench, notched + Eigen::Vector2d(0.01, 0.0)));  // the bench's own window is 0.02 mm
  // A pitch finer than rounding: every bend is on a notch, as without a latch.
  LatchHardware fine = bench;
  fine.notch_pitch_mm = 1e-6;
  CHECK(latched_bend(exact_latch(fine, 1e-5), {0.1234567891, -0.2}));
}

TEST_CASE("layouts with more backbones than two directions latch just the bends that brute force finds") {
  const unsigned seed = 20;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> angle(0, 360);
  std::uniform_real_distribution<double> share(0.02, 0.5);
  for (int trial = 0; trial < 24; ++trial) {
    std::vector<double> angles;
    for (int k = 0; k < 3 + trial % 3; ++k) angles.push_back(angle(random));
    const LatchHardware latch = latch_with(angles, 0.5, share(random) * 0.5);
    const double radius = 1.1;  // every slide is then under 1.32 mm, so no notch number above 3 can engage
    const auto bends = lattice_points(latch, {0, 0}, radius);
    const auto brute = by_brute_force(latch, 4, radius);
    CAPTURE(trial, angles, latch.engage_window_mm, bends.size(), brute.size());
    bool complete = true;
    for (const auto& bend : brute) complete = complete && holds(bends, bend);
    bool exact = true;
    for (const auto& bend : bends) exact = exact && holds(brute, bend);
    CHECK(complete);
    CHECK(exact);
  }
}

TEST_CASE("a bend that latches is pulled onto a bend of the lattice, and stays there") {
  const unsigned seed = 21;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> bend_of(-1.0, 1.0);
  int latched = 0;
  for (const auto& angles :
       {std::vector<double>{45, 135, 225, 315}, {0, 120, 240}, {0, 63, 131.5, 223, 298}, {10, 100}}) {
    const LatchHardware latch = latch_with(angles, 0.5, 0.08);
    const auto lattice = lattice_points(latch, {0, 0}, 2.0);
    for (int i = 0; i < 10000; ++i) {
      const Eigen::Vector2d bend(bend_of(random), bend_of(random));
      const auto pulled = latched_bend(latch, bend);
      if (!pulled) continue;
      ++latched;
      if (!holds(lattice, *pulled))
        FAIL_CHECK("pulled onto a bend outside the lattice: " << pulled->transpose());
      const auto again = latched_bend(latch, *pulled);
      if (!again || (*again - *pulled).norm() > 1e-12) FAIL_CHECK("does not stay on " << pulled->transpose());
    }
  }
  CHECK(latched > 1000);
}

TEST_CASE("the engage window decides to the micron") {
  const LatchHardware latch = latch_with({0, 90, 180, 270});
  const double step = 0.5 / 1.2;
  const double window = 0.02 / 1.2;
  const auto inside = latched_bend(latch, {step + 0.999 * window, 0});
  REQUIRE(inside);
  CHECK_THAT((*inside - Eigen::Vector2d(step, 0)).norm(), WithinAbs(0, 1e-15));
  CHECK_FALSE(latched_bend(latch, {step + 1.001 * window, 0}));
  CHECK_FALSE(latched_bend(latch, {step, step / 2}));
}

TEST_CASE("slides are the backbones' radius times the bend along them") {
  const auto slides = backbone_slides(latch_with({0, 90, 210}), {0.5, -0.25});
  CHECK_THAT(slides(0), WithinAbs(0.6, 1e-15));
  CHECK_THAT(slides(1), WithinAbs(-0.3, 1e-15));
  CHECK_THAT(slides(2), WithinAbs(1.2 * (-0.5 * std::sqrt(3.0) * 0.5 + 0.5 * 0.25), 1e-15));
}

TEST_CASE("backbones in one plane latch parallel lines and leave the bend across them alone") {
  const LatchHardware latch = latch_with({30, 210});
  CHECK(lattice_kind(latch) == LatticeKind::lines);
  const Eigen::Vector2d along(std::cos(30 * kDegree), std::sin(30 * kDegree));
  const Eigen::Vector2d across(-along.y(), along.x());
  const double step = 0.5 / 1.2;
  const auto lines = lattice_lines(latch, {0, 0}, 2.2 * step);
  REQUIRE(lines.size() == 5);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    CHECK_THAT(lines[i].offset.dot(along), WithinAbs((static_cast<double>(i) - 2) * step, 1e-12));
    CHECK_THAT(lines[i].direction.norm(), WithinAbs(1, 1e-12));
    CHECK_THAT(lines[i].direction.dot(along), WithinAbs(0, 1e-12));
  }
  const auto pulled = latched_bend(latch, (step + 0.01) * along + 0.77 * across);
  REQUIRE(pulled);
  CHECK_THAT((*pulled - (step * along + 0.77 * across)).norm(), WithinAbs(0, 1e-12));
  CHECK_FALSE(latched_bend(latch, 1.5 * step * along));
  CHECK(lattice_kind(latch_with({77})) == LatticeKind::lines);
}

TEST_CASE("a friction lock holds whatever it is given") {
  const LatchHardware friction = latch_with({45, 135}, 0.0);
  CHECK(lattice_kind(friction) == LatticeKind::everything);
  const auto held = latched_bend(friction, {0.1234, -0.9});
  REQUIRE(held);
  CHECK(*held == Eigen::Vector2d(0.1234, -0.9));
}
