// SPDX-License-Identifier: GPL-3.0-or-later
// The hunt of a lock action against the plain implementation: slides at the lock, pulls with the latch
// dropped in, and the clearance of the sweep against dense sampling along it.
#include "planner/plan/lock_hunt.h"

#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/segment/field.h"
#include "tests/support/plain_segment.h"
#include "tests/support/tube.h"

namespace {

using namespace withy;
using withy_test::plain_robot;
using withy_test::plain_state;

DesignParts parts_with(CarriageKind carriage) {
  DesignParts parts;
  parts.segment = {100, 1.5, 3, 0.04, 900};
  parts.lock = LockHardware{4, 1.8, 0.004, 0, M_PI / 2, 0.01, 0.004, 60};
  parts.layout = {{30, 65}, {0, 0}};
  parts.latch = LatchHardware{0.5, 1.2, {0.3, 1.9, 4.0}, 0.02, 0.02, 0.1};
  parts.tendons = TendonHardware{1.2, {0, M_PI / 2, M_PI, 1.5 * M_PI}, 0, 8, 0.2, 30, 0.1, Motors::ride};
  parts.carriage = {carriage, 160};
  return parts;
}

/// A state in which lock `lock` may be engaged next, the one before it engaged or not.
State random_state(std::mt19937& random, const Design& design, int lock) {
  std::uniform_real_distribution<double> share(-1.0, 1.0);
  State q;
  q.insertion_mm = 80 + 60 * std::abs(share(random));
  q.u_free = {0.01 * share(random), 0.01 * share(random)};
  if (lock == 1 && random() % 2 == 0) {
    q = after_lock(design, q, 0);
    q.u_free = {0.01 * share(random), 0.01 * share(random)};
  }
  return q;
}

}  // namespace

TEST_CASE("a sweep's slides at the lock are its track, and its pulls the same with the latch dropped in") {
  std::mt19937 random(71);
  INFO("seed 71");
  for (int trial = 0; trial < 60; ++trial) {
    const Design design =
        Design::make(parts_with(trial % 2 == 0 ? CarriageKind::free : CarriageKind::guide)).value();
    const int lock = trial / 2 % 2;
    const State before = random_state(random, design, lock);
    const HuntTrack track = lock_hunt_track(design, before, lock);
    if (track.shape == HuntShape::none) continue;
    const auto robot = plain_robot(design);
    const auto released = hunt_states(design, before, lock, track);
    const auto latched = latched_hunt_states(design, before, lock, track);
    REQUIRE(released.size() == track.slide_mm.size());
    REQUIRE(latched.size() == track.slide_mm.size());
    const Eigen::Vector2d planned =
        withy_plain::theta_to(robot, plain_state(design, before), design.station_mm(lock));
    for (std::size_t i = 0; i < released.size(); ++i) {
      const auto one = plain_state(design, released[i]);
      const Eigen::Vector2d off = withy_plain::theta_to(robot, one, design.station_mm(lock)) - planned;
      CHECK((1.2 * off - track.slide_mm[i]).norm() < 1e-9);
      const auto other = plain_state(design, latched[i]);
      CHECK(other.locked[static_cast<std::size_t>(lock)]);
      const auto pull = withy_plain::pulls(robot, one);
      const auto pull_latched = withy_plain::pulls(robot, other);
      for (std::size_t k = 0; k < pull.size(); ++k) CHECK(std::abs(pull[k] - pull_latched[k]) < 1e-9);
    }
  }
}

TEST_CASE("nothing is swept where a lock's slides don't move") {
  {
    const Design design = Design::make(parts_with(CarriageKind::free)).value();
    State q;
    q.u_free = {0.01, 0.0};
    const State held = after_lock(design, q, 1);
    CHECK(lock_hunt_track(design, held, 0).shape == HuntShape::none);
    CHECK(lock_hunt_track(design, q, 0).shape == HuntShape::spiral);
  }
  const Design design = Design::make(parts_with(CarriageKind::guide)).value();
  State q;
  q.insertion_mm = 72.0;  // the body of lock 1, stations 28 to 32, stands half out of the guide
  CHECK(lock_hunt_track(design, q, 0).shape == HuntShape::none);
  q.insertion_mm = 72.1;
  CHECK(lock_hunt_track(design, q, 0).shape == HuntShape::spiral);
  q.insertion_mm = 36.0;  // station 64, in the body of lock 2
  CHECK(lock_hunt_track(design, q, 1).shape == HuntShape::none);
}

namespace {

/// Least clearance over both sweeps, at the ends and the middle of every chord and every millimetre of the
/// body. Corners of the inner turns lie between those of the rim, but nothing here relies on it.
double sampled_clearance(const Design& design, const WallDistance& wall, const State& before, int lock) {
  const auto robot = plain_robot(design);
  const HuntTrack track = lock_hunt_track(design, before, lock);
  double least = kInfinity;
  for (const auto& states :
       {hunt_states(design, before, lock, track), latched_hunt_states(design, before, lock, track)})
    for (std::size_t i = 0; i + 1 < states.size(); ++i)
      for (int part = 0; part < 2; ++part) {
        const withy_plain::Body body(robot,
                                     plain_state(design, interpolate(states[i], states[i + 1], part / 2.0)));
        for (double s = 0.0; s <= design.length_mm(); s += 1.0) {
          const Eigen::Vector3d p = body.point_E(s);
          if (p.z() > 0.0) least = std::min(least, wall.distance(p) - design.body_radius(s));
        }
      }
  return least;
}

/// A tube with so much room that no hunt comes near its wall.
ChannelDistance wide_and_straight() {
  testing::TubeShape tube;
  tube.radius_mm = 60.0;
  tube.bend_rad = 0.0;
  return ChannelDistance(std::make_shared<const WallDistance>(testing::make_tube(tube, 120)));
}

/// 60 mm inside, with 100 mm of bend radius.
State bent_inside() {
  State state;
  state.insertion_mm = 60.0;
  state.u_free = {0.01, 0.0};
  return state;
}

}  // namespace

// Twelve flat sides and no distance field: each exact query is cheap, and a hunt asks for thousands. Two
// turns and the rim cost a third of what a hunt of 0.1 mm does.
TEST_CASE("a hunt's clearance is proved over the whole sweep, and one that comes too near is not made") {
  testing::TubeShape tube;
  tube.length_mm = 130.0;
  tube.radius_mm = 40.0;
  tube.bend_rad = 0.0;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 120));
  const ChannelDistance distance(wall);
  std::mt19937 random(72);
  INFO("seed 72");
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    DesignParts parts = parts_with(carriage);
    parts.latch->hunt_mm = 0.05;
    const Design design = Design::make(parts).value();
    const Hardware hardware(design);
    const int lock = carriage == CarriageKind::free ? 0 : 1;
    State before;
    before.insertion_mm = 92.0;
    before.u_free = 0.4 * random_state(random, design, 0).u_free;  // the tip within 24 mm of the axis
    const MotionVerifier verifier(design, distance);
    const double sampled = sampled_clearance(design, *wall, before, lock);
    const LockHunt hunt = judge_lock_hunt(verifier, &hardware, 0.2, before, lock);
    CAPTURE(lock, sampled, hunt.clearance_mm, hunt.objection);
    REQUIRE(sampled > 0.3);
    REQUIRE(hunt.made());
    // Half a millimetre of station and half a chord hide at most a few hundredths.
    CHECK(hunt.clearance_mm <= sampled + 1e-9);
    CHECK(hunt.clearance_mm >= sampled - kClearanceSlack_mm - 0.05);
    const LockHunt strict = judge_lock_hunt(verifier, &hardware, sampled + 0.01, before, lock);
    CHECK(strict.missing());
    CHECK_THAT(strict.objection, Catch::Matchers::Contains("of the wall"));
  }
}

TEST_CASE("in the guide, a hunt that sweeps the body into a narrow lumen's wall is not made, and says so") {
  testing::TubeShape tube;
  tube.length_mm = 130.0;
  tube.radius_mm = 7.0;
  tube.bend_rad = 0.0;
  const auto wall = std::make_shared<const WallDistance>(testing::make_tube(tube, 120));
  const ChannelDistance distance(wall);
  DesignParts parts = parts_with(CarriageKind::guide);
  parts.latch->hunt_mm = 0.05;
  const Design design = Design::make(parts).value();
  const MotionVerifier verifier(design, distance);
  std::mt19937 random(73);
  INFO("seed 73");
  int touching = 0;
  int clear = 0;
  for (int trial = 0; trial < 40 && (touching < 3 || clear < 3); ++trial) {
    State before;
    before.insertion_mm = 75.0 + static_cast<double>(trial % 3);
    before.u_free = 0.15 * random_state(random, design, 0).u_free;
    const double sampled = sampled_clearance(design, *wall, before, 1);
    if (verifier.clearance(before, before).lower_mm < 0.3) continue;  // touches before any hunt
    if (sampled > -0.2 && sampled < 0.4) continue;                    // sampling can't tell
    const LockHunt hunt = judge_lock_hunt(verifier, nullptr, 0.2, before, 1);
    CAPTURE(trial, sampled, hunt.clearance_mm, hunt.objection);
    if (sampled < 0.0) {
      ++touching;
      CHECK(hunt.missing());
      CHECK_THAT(hunt.objection, Catch::Matchers::Contains("wall"));
    } else {
      ++clear;
      CHECK(hunt.made());
      CHECK(hunt.clearance_mm <= sampled + 1e-9);
    }
  }
  CHECK(touching >= 3);
  CHECK(clear >= 3);
}

// Slides of 0.1 mm turn the lock by 0.083 rad. A field that has just the reserve of 1 in the planned pose has
// less in some other, one of 1.5 keeps enough: torques change by no more than that share of the field, 0.118
// of what is needed with the field at 45 degrees to both ends of a quarter turn.
TEST_CASE("a hunt whose swings cost the field its reserve is not made") {
  const ChannelDistance distance = wide_and_straight();
  const State before = bent_inside();
  for (const double wanted : {1.0, 1.5}) {
    DesignParts parts = parts_with(CarriageKind::free);
    parts.layout.clock_rad[1] = M_PI;  // the field pushes lock 2 onto its stop
    parts.field.emplace();
    parts.field->strength_max_mT = 12.0;
    parts.field->coil_mT_per_A = {1.0, 1.0, 1.0};
    parts.field->reserve_wanted = wanted;
    const Design design = Design::make(parts).value();
    const Hardware hardware(design);
    const auto choice = choose_field(design, before, 0);
    REQUIRE(choice);
    const MotionVerifier verifier(design, distance);
    const LockHunt hunt = judge_lock_hunt(verifier, &hardware, 0.2, before, 0, &choice->currents.current_A);
    CAPTURE(wanted, hunt.objection);
    CHECK(hunt.made() == (wanted > 1.0));
    if (hunt.missing())
      CHECK_THAT(hunt.objection, Catch::Matchers::Contains("leaves the switching field a reserve of 0.9"));
    CHECK(judge_lock_hunt(verifier, &hardware, 0.2, before, 0).made());
  }
}

TEST_CASE("a hunt that asks more of the hardware than it gives is not made, and says what") {
  const ChannelDistance distance = wide_and_straight();
  const State before = bent_inside();
  DesignParts parts = parts_with(CarriageKind::free);
  // Slides of 0.1 mm turn the 28 mm before the lock by 0.0833 rad: curvature 0.01 + 0.0030 to one side; the
  // 61 mm beyond it take up all 89 mm's once it has dropped in: 0.01 + 0.00434.
  parts.segment.curvature_max_per_mm = 0.0143;
  const auto judge = [&](const HuntShape shape) {
    const Design design = Design::make(parts).value();
    const Hardware hardware(design);
    const LockHunt hunt = judge_lock_hunt(MotionVerifier(design, distance), &hardware, 0.2, before, 0);
    CHECK(hunt.shape == shape);
    return hunt.objection;
  };
  CHECK(judge(HuntShape::spiral) == "bends the segment beyond the limit of 0.0143 per mm");
  parts.segment.curvature_max_per_mm = 0.0144;
  CHECK(judge(HuntShape::spiral).empty());
  // The most tendon 1 is drawn by: 1.2 x 89 x (0.01 + 0.1 / (1.2 x 28)) mm = 1.386 mm.
  parts.tendons->stroke_max_mm = 1.38;
  CHECK_THAT(judge(HuntShape::spiral),
             Catch::Matchers::Contains("breaks a limit: tendon 1 would be drawn by"));
  parts.tendons->stroke_max_mm = 1.39;
  CHECK(judge(HuntShape::spiral).empty());
}
