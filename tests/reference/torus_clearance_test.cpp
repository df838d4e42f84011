// SPDX-License-Identifier: GPL-3.0-or-later
// Verified clearances in a torus-shaped tube against the closed form.
//
// The tube, of radius a, follows an arc of radius A that leaves the entry along z. A body that bends in the
// same plane along an arc of radius rho from the same start is at distance | |p - C| - A | from the tube's
// arc (C its centre); that grows all along the body as long as it bends by less than half a turn, so the tip
// decides: clearance = a - | |tip - C| - A | - R. Facets stray from the torus by no more than
// torus_facet_error.
#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "planner/proof/lemmas/verify.h"
#include "tests/support/plain_channels.h"
#include "tests/support/plain_clearance.h"

namespace {

using namespace withy_plain;

constexpr double kBend = 60, kTube = 6, kSweep = 1.2, kRadius = 1.5, kLength = 50;
constexpr int kAlong = 60, kAround = 64;

struct Torus {
  Torus()
      : facet_error(torus_facet_error(kBend, kTube, kSweep, kAlong, kAround)),
        mesh(torus_channel(kBend, kTube, kSweep, kAlong, kAround)) {
    withy::TriangleMesh real;
    real.vertices = mesh.points;
    real.triangles = mesh.faces;
    withy::Entry entry;
    entry.opening_radius_mm = kTube;
    auto channel = withy::make_channel(real, entry, withy::Outlets::closed);
    REQUIRE(channel);
    exact =
        std::make_shared<withy::WallDistance>(std::make_shared<const withy::Channel>(std::move(*channel)));
  }
  double facet_error;
  Mesh mesh;
  std::shared_ptr<const withy::WallDistance> exact;
};

const Torus& torus() {
  static const Torus one;
  return one;
}

withy::Design design(withy::CarriageKind kind) {
  withy::DesignParts parts;
  parts.segment = {kLength, kRadius, 0, 0.05, 900};
  parts.carriage = {kind, 100};
  const auto made = withy::Design::make(parts);
  REQUIRE(made);
  return *made;
}

withy::State bent(double insertion_mm, double kappa) {
  withy::State state;
  state.insertion_mm = insertion_mm;
  state.u_free = {kappa, 0};
  return state;
}

// The tip of an arc of length l from the entry.
double closed_form(double kappa, double l) {
  const Eigen::Vector3d tip((1 - std::cos(kappa * l)) / kappa, 0, std::sin(kappa * l) / kappa);
  return torus_distance(kBend, kTube, tip) - kRadius;
}

void check(const withy::MotionClearance& found, double expected) {
  const double error = torus().facet_error;
  CAPTURE(found.lower_mm, found.upper_mm, expected, error);
  CHECK(found.lower_mm <= expected + error);
  CHECK(found.lower_mm >= expected - error - withy::kClearanceSlack_mm);
  CHECK(found.upper_mm >= expected - error);
  CHECK(found.upper_mm - found.lower_mm <= withy::kClearanceSlack_mm);
}

}  // namespace

TEST_CASE("in a torus-shaped tube a body on its middle has the tube's radius less its own for clearance") {
  const withy::ChannelDistance distance(torus().exact);
  const withy::Design body = design(withy::CarriageKind::free);
  check(withy::MotionVerifier(body, distance).clearance(bent(kLength, 1 / kBend)), kTube - kRadius);
}

TEST_CASE("in a torus-shaped tube a body off its middle has the clearance of its tip") {
  const withy::ChannelDistance distance(torus().exact);
  const withy::Design body = design(withy::CarriageKind::free);
  for (const double kappa : {0.0140, 0.0150, 0.0160, 0.0175, 0.0185}) {
    CAPTURE(kappa);
    check(withy::MotionVerifier(body, distance).clearance(bent(kLength, kappa)), closed_form(kappa, kLength));
  }
}

TEST_CASE("a bend in a torus-shaped tube has the clearance of the worse of its ends") {
  const withy::ChannelDistance distance(torus().exact);
  const withy::Design body = design(withy::CarriageKind::free);
  const withy::MotionVerifier verifier(body, distance);
  for (const auto& [from, to] :
       {std::pair{0.0145, 0.0170}, {0.0170, 0.0145}, {1 / kBend, 0.0180}, {0.0150, 0.0185}}) {
    CAPTURE(from, to);
    check(verifier.clearance(bent(kLength, from), bent(kLength, to)),
          std::min(closed_form(from, kLength), closed_form(to, kLength)));
  }
}

TEST_CASE("from the guide a body follows the torus all the way, with the clearance of its deepest tip") {
  const withy::ChannelDistance distance(torus().exact);
  const withy::Design body = design(withy::CarriageKind::guide);
  const withy::MotionVerifier verifier(body, distance);
  CHECK(std::isinf(verifier.clearance(bent(0, 1 / kBend)).lower_mm));
  check(verifier.clearance(bent(0, 1 / kBend), bent(kLength, 1 / kBend)), kTube - kRadius);
  for (const double kappa : {0.0145, 0.0155, 0.0180}) {
    CAPTURE(kappa);
    check(verifier.clearance(bent(5, kappa), bent(kLength, kappa)), closed_form(kappa, kLength));
  }
}

TEST_CASE("a straight body pushed into a torus-shaped tube hits its outer wall") {
  const withy::ChannelDistance distance(torus().exact);
  const withy::Design body = design(withy::CarriageKind::free);
  const withy::MotionVerifier verifier(body, distance);
  // On the axis |p - C| = hypot(A, z): the clearance is used up at z = sqrt((A + a - R)^2 - A^2).
  const double touch = std::sqrt(std::pow(kBend + kTube - kRadius, 2) - kBend * kBend);
  // The axis meets the wall at a slope of 0.37: 0.3 mm short of it leaves 0.11 mm, well past the slack.
  CHECK(verifier.clears(bent(0, 0), bent(touch - 0.3, 0), 0.0));
  CHECK_FALSE(verifier.clears(bent(0, 0), bent(touch + 0.1, 0), 0.0));
  CHECK(verifier.clearance(bent(0, 0), bent(touch + 0.5, 0)).upper_mm < 0);
}

TEST_CASE("verified clearances of random motions in the tube bracket what plain sampling finds") {
  const unsigned seed = 6050;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> depth(20, kLength), kappa(0.013, 0.019), across(-0.003, 0.003);
  const withy::ChannelDistance distance(torus().exact);
  Scene scene;
  scene.opening_radius_mm = kTube;
  const Wall wall(make_solid(torus().mesh, scene));
  int inside = 0;
  for (int i = 0; i < 30; ++i) {
    const bool guide = i % 2 == 1;
    const withy::Design body = design(guide ? withy::CarriageKind::guide : withy::CarriageKind::free);
    withy::State from = bent(depth(random), kappa(random)), to = bent(depth(random), kappa(random));
    from.u_free.y() = across(random), to.u_free.y() = across(random);
    const withy::MotionClearance found = withy::MotionVerifier(body, distance).clearance(from, to);

    Robot robot;
    robot.scene.length_mm = kLength;
    robot.scene.radius_mm = kRadius;
    robot.scene.guide = guide;
    const State a{from.insertion_mm, {}, {{0, kLength, from.u_free}}},
        b{to.insertion_mm, {}, {{0, kLength, to.u_free}}};
    const Sampled sampled = least_clearance(robot, wall, a, b);
    CAPTURE(i, guide, found.lower_mm, found.upper_mm, sampled.minimum_mm, sampled.bound_mm);
    if (sampled.minimum_mm <= 0) {
      CHECK(found.lower_mm <= 0);
      continue;
    }
    ++inside;
    CHECK(found.lower_mm <= sampled.minimum_mm + 1e-6);
    CHECK(found.lower_mm >= sampled.minimum_mm - sampled.bound_mm - withy::kClearanceSlack_mm - 1e-6);
  }
  CHECK(inside >= 10);
}
