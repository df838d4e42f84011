// SPDX-License-Identifier: GPL-3.0-or-later
// The hunt's track against the condition of a latch: every backbone within its window of its notch at once.
#include "planner/segment/hunt.h"

#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "tests/support/random_states.h"

namespace {

using namespace withy;

/// Does some point between a and b put every backbone within the window of where it is at the slide `error`?
/// Each backbone's slide is linear on the way, so each says from which share to which.
bool engages_between(const LatchHardware& latch, const Eigen::Vector2d& a, const Eigen::Vector2d& b,
                     const Eigen::Vector2d& error) {
  double from = 0.0;
  double to = 1.0;
  for (const double psi : latch.backbone_angle_rad) {
    const Eigen::Vector2d e(std::cos(psi), std::sin(psi));
    const double start = e.dot(a - error);
    const double way = e.dot(b - a);
    if (std::abs(way) < 1e-15) {
      if (std::abs(start) > latch.engage_window_mm) return false;
      continue;
    }
    const double one = (-latch.engage_window_mm - start) / way;
    const double other = (latch.engage_window_mm - start) / way;
    from = std::max(from, std::min(one, other));
    to = std::min(to, std::max(one, other));
  }
  return from <= to;
}

bool covers(const LatchHardware& latch, const HuntTrack& track, const Eigen::Vector2d& error) {
  for (std::size_t i = 0; i + 1 < track.slide_mm.size(); ++i)
    if (engages_between(latch, track.slide_mm[i], track.slide_mm[i + 1], error)) return true;
  return false;
}

class RandomLatches : public withy_test::RandomNumbers {
 public:
  using RandomNumbers::RandomNumbers;

  /// Two to six backbones anywhere about the section, or in one plane on either side of it.
  LatchHardware latch(bool coplanar) {
    LatchHardware latch;
    latch.notch_pitch_mm = between(0.2, 1.0);
    latch.backbone_radius_mm = between(0.4, 2.0);
    latch.engage_window_mm = between(0.01, 0.1) * latch.notch_pitch_mm;
    latch.backlash_mm = latch.engage_window_mm;
    latch.hunt_mm = between(0.2, 0.99) * (0.5 * latch.notch_pitch_mm - latch.engage_window_mm);
    const double plane = between(0, 2 * M_PI);
    for (int k = 2 + index(5); k-- > 0;)
      latch.backbone_angle_rad.push_back(coplanar ? plane + (one_in(2) ? M_PI : 0.0) : between(0, 2 * M_PI));
    return latch;
  }

  /// Anywhere in the disc, one in four on its rim.
  Eigen::Vector2d error(double size) { return on_circle(one_in(4) ? size : size * std::sqrt(between(0, 1))); }
};

}  // namespace

TEST_CASE("some point of the track lets every backbone drop in, whatever the slide error within the hunt") {
  RandomLatches random(61);
  INFO("seed 61");
  int lines = 0;
  for (int trial = 0; trial < 500; ++trial) {
    const LatchHardware latch = random.latch(trial % 5 == 0);
    const HuntTrack track = hunt_track(latch, nullptr);
    lines += track.shape == HuntShape::line;
    REQUIRE(track.slide_mm.front().isZero());
    REQUIRE(track.slide_mm.back().isZero());
    for (int i = 0; i < 20; ++i)
      if (!covers(latch, track, random.error(latch.hunt_mm)))
        FAIL_CHECK("trial " << trial << ", error " << i);
  }
  CHECK(lines == 100);
}

TEST_CASE("the turns are within sqrt(2) windows of one another and none goes beyond the hunt") {
  RandomLatches random(62);
  INFO("seed 62");
  for (int trial = 0; trial < 200; ++trial) {
    const LatchHardware latch = random.latch(false);
    const HuntTrack track = hunt_track(latch, nullptr);
    REQUIRE(track.shape == HuntShape::spiral);
    CHECK(track.spacing_mm <= std::sqrt(2.0) * latch.engage_window_mm * (1 + 1e-9));
    // How far the rim's chords are off it.
    CHECK(latch.hunt_mm * (1 - std::cos(M_PI / track.corners_per_turn)) <=
          0.05 * latch.engage_window_mm * (1 + 1e-9));
    // The radius at every corner is the one a turn earlier and one spacing more, up to the rim.
    const auto turn = static_cast<std::size_t>(track.corners_per_turn);
    REQUIRE(track.slide_mm.size() == turn * static_cast<std::size_t>(track.turns) + 2);
    for (std::size_t i = 0; i + 1 < track.slide_mm.size(); ++i) {
      const double r = track.slide_mm[i].norm();
      CHECK(r <= latch.hunt_mm * (1 + 1e-12));
      if (i >= turn) {
        const double before = track.slide_mm[i - turn].norm();
        CHECK(std::abs(r - std::min(latch.hunt_mm, before + track.spacing_mm)) < 1e-12);
      }
    }
  }
}

TEST_CASE("an error a window beyond the hunt is still met, but for what the chords are off") {
  // Two square backbones, window 0.02: on the rim the window's own reach adds to the hunt's.
  LatchHardware latch{0.5, 1.2, {0.0, M_PI / 2}, 0.02, 0.02, 0.1};
  const HuntTrack track = hunt_track(latch, nullptr);
  for (int k = 0; k < 360; ++k) {
    const Eigen::Vector2d e(std::cos(k * M_PI / 180), std::sin(k * M_PI / 180));
    if (!covers(latch, track, (0.1 + 0.95 * 0.02) * e)) FAIL_CHECK("direction " << k);
  }
  CHECK_FALSE(covers(latch, track, Eigen::Vector2d(0.1201, 0.0)));
}

TEST_CASE(
    "a line is swept where backbones or tendons leave only one plane, nothing where there is no notch") {
  LatchHardware latch{0.5, 1.2, {0.3, 0.3 + M_PI}, 0.02, 0.02, 0.1};
  CHECK(hunt_track(latch, nullptr).shape == HuntShape::line);
  latch.backbone_angle_rad = {0.0, 2.0};
  CHECK(hunt_track(latch, nullptr).shape == HuntShape::spiral);
  TendonHardware tendons;
  tendons.radius_mm = 1.2;
  tendons.angle_rad = {M_PI / 2, 1.5 * M_PI};
  tendons.tension_min_N = 0.2;
  const HuntTrack line = hunt_track(latch, &tendons);
  REQUIRE(line.shape == HuntShape::line);
  for (const Eigen::Vector2d& w : line.slide_mm) CHECK(std::abs(w.x()) < 1e-15);
  CHECK(line.slide_mm[1].norm() == Approx(0.1));
  CHECK((line.slide_mm[1] + line.slide_mm[2]).norm() < 1e-15);
  latch.notch_pitch_mm = 0.0;
  CHECK(hunt_track(latch, nullptr).shape == HuntShape::none);
  latch.notch_pitch_mm = 0.5;
  latch.hunt_mm = 0.0;
  CHECK(hunt_track(latch, nullptr).shape == HuntShape::none);
}
