// SPDX-License-Identifier: GPL-3.0-or-later
// Verified clearances of motions against dense samples of exact distances (CGAL) along the body and in time.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/segment/shape.h"
#include "tests/support/random_bodies.h"

using namespace withy;
using namespace withy::testing;

namespace {

// Ten thousand in all.
constexpr int kCases = 3400;
// Samples of a motion: no point moves much farther than this from one state to the next, stations are so far
// apart, and then they zoom in on the least so often by halves. What the least of them may lie above the true
// one by is asked to be under kMissed_mm.
constexpr double kStep_mm = 0.4;
constexpr double kStation_mm = 0.5;
constexpr int kZooms = 10;
constexpr double kMissed_mm = 5e-3;
constexpr double kRounding_mm = 1e-6;
// The body has its new radius this far inside a rigid span.
constexpr double kInside_mm = 1e-9;
// A point this little past the entry plane is there by rounding alone.
constexpr double kOnPlane_mm = 1e-12;

/// A motion's clearance sampled at one instant and station; +infinity behind the entry plane.
struct Sample {
  double t = 0.0;
  double s = 0.0;
  double clearance = kInfinity;
};

class DenseSampling {
 public:
  DenseSampling(const Design& design, const WallDistance& wall, const State& from, const State& to)
      : design_(design), wall_(wall), from_(from), to_(to) {
    const double length = design.length_mm();
    const double travel =
        std::abs(to.insertion_mm - from.insertion_mm) * (1.0 + kCurvatureMax_per_mm * length) +
        0.5 * (to.u_free - from.u_free).norm() * length * length;
    steps_ = 1 + static_cast<int>(travel / kStep_mm);
  }

  double least() {
    for (int i = 0; i <= steps_; ++i) walk(static_cast<double>(i) / steps_);
    zoom();
    return least_.clearance;
  }

 private:
  /// Along the body at one instant. Between stations clearance changes by no more than their distance (and
  /// where the body gets thicker, which is at stations of their own): those that cannot be the least are
  /// passed over.
  void walk(double t) {
    const Shape shape(design_, interpolate(from_, to_, t));
    const double thickest = design_.lock_count() > 0 ? design_.body_radius(design_.station_mm(0)) : 0.0;
    const double thicker = std::max(0.0, thickest - design_.segment().radius_mm);
    double before = 0.0;
    for (double s = 0.0; s < design_.length_mm();) {
      if ((shape.point_E(before).z() > 0.0) != (shape.point_E(s).z() > 0.0)) cross(shape, t, before, s);
      before = s;
      const double clearance = at(shape, t, s);
      const double idle = std::isfinite(clearance) ? clearance - least_.clearance - thicker : 0.0;
      s += std::max(kStation_mm, idle);
    }
    at(shape, t, design_.length_mm());
    for (const RigidSpan& span : design_.rigid_spans())
      for (const double s : {span.from_mm + kInside_mm, span.to_mm - kInside_mm}) at(shape, t, s);
  }

  /// The body just past the entry plane, which it crosses between two stations.
  void cross(const Shape& shape, double t, double s0, double s1) {
    const bool past = shape.point_E(s1).z() > 0.0;
    for (int halving = 0; halving < 30; ++halving) {
      const double middle = 0.5 * (s0 + s1);
      ((shape.point_E(middle).z() > 0.0) == past ? s1 : s0) = middle;
    }
    at(shape, t, past ? s1 : s0);
  }

  double at(const Shape& shape, double t, double s) {
    const Eigen::Vector3d p = shape.point_E(s);
    if (p.z() <= kOnPlane_mm) return kInfinity;
    const double clearance = exact_distance(wall_, p) - design_.body_radius(s);
    if (clearance < least_.clearance) least_ = {t, s, clearance};
    return clearance;
  }

  void zoom() {
    double dt = 0.5 / steps_;
    double ds = 0.5 * kStation_mm;
    for (int round = 0; round < kZooms && least_.clearance < kInfinity; ++round, dt *= 0.5, ds *= 0.5) {
      const Sample middle = least_;
      for (const double t : {middle.t - dt, middle.t, middle.t + dt}) {
        if (t < 0.0 || t > 1.0) continue;
        if (t != middle.t) walk(t);
        const Shape shape(design_, interpolate(from_, to_, t));
        for (const double s : {middle.s - ds, middle.s, middle.s + ds})
          if (s >= 0.0 && s <= design_.length_mm()) at(shape, t, s);
      }
    }
  }

  const Design& design_;
  const WallDistance& wall_;
  const State& from_;
  const State& to_;
  int steps_ = 1;
  Sample least_;
};

/// The other end of a motion from `from`: advance, bend, both, or none at all; of any size.
State moved(const Design& design, const State& from, Random& random) {
  State to = from;
  const double size = std::pow(10.0, -random.between(0.0, 3.0));
  const int kind = random.below(8);
  if (kind == 0) return to;
  if (kind != 1)
    to.insertion_mm = std::clamp(from.insertion_mm + size * random.between(-15.0, 15.0), 0.0,
                                 design.carriage().insertion_max_mm);
  if (kind != 2) to.u_free += size * random.in_disk(0.03);
  if (random.below(12) == 0) to.u_free = -from.u_free;
  if (to.u_free.norm() > kCurvatureMax_per_mm) to.u_free *= kCurvatureMax_per_mm / to.u_free.norm();
  return to;
}

struct Tally {
  int clear = 0;
  int out = 0;
};

Tally hold_motions(const Bench& bench, int locks, CarriageKind kind, std::uint32_t seed) {
  INFO("seed " << seed);
  const Design design = make_design(locks, kind, 1.5);
  const ChannelDistance distance(bench.field->exact_pointer(), bench.field);
  const MotionVerifier verifier(design, distance);
  Random random(seed);
  Tally tally;
  for (int i = 0; i < kCases; ++i) {
    const State from = following_state(design, bench.shape, random);
    const State to = moved(design, from, random);
    if (!within_limits(design, from) || !within_limits(design, to)) continue;
    const MotionClearance verified = verifier.clearance(from, to);
    const double sampled = DenseSampling(design, distance.exact(), from, to).least();
    CAPTURE(i, from.insertion_mm, from.u_free.transpose(), to.insertion_mm, to.u_free.transpose(),
            verified.lower_mm, verified.upper_mm, sampled);
    REQUIRE(verified.lower_mm <= sampled + kRounding_mm);
    if (verified.lower_mm <= 0.0) {
      // In the wall, or too near to tell: then the sampled body is nearly there, too.
      REQUIRE(sampled <= kClearanceSlack_mm + kMissed_mm);
      ++tally.out;
      continue;
    }
    ++tally.clear;
    if (sampled == kInfinity) continue;  // never past the entry plane
    REQUIRE(sampled <= verified.lower_mm + kClearanceSlack_mm + kMissed_mm);
    REQUIRE(verified.upper_mm - verified.lower_mm <= kClearanceSlack_mm);
  }
  return tally;
}

}  // namespace

TEST_CASE("A verified motion's clearance is the sampled one's within its slack: free carriage, smooth tube") {
  const Bench bench = make_bench({.length_mm = 70.0, .radius_mm = 5.0, .bend_rad = 1.0}, 600);
  const Tally tally = hold_motions(bench, 2, CarriageKind::free, 231);
  CHECK(tally.clear > kCases / 20);
  CHECK(tally.out > kCases / 20);
}

TEST_CASE("A verified motion's clearance is the sampled one's within its slack: guide, rough tube") {
  const Bench bench =
      make_bench({.length_mm = 70.0, .radius_mm = 4.5, .bend_rad = 0.8, .roughness_mm = 0.2}, 900);
  const Tally tally = hold_motions(bench, 1, CarriageKind::guide, 232);
  CHECK(tally.clear > kCases / 20);
  CHECK(tally.out > kCases / 20);
}

TEST_CASE("A verified motion's clearance is the sampled one's within its slack: no locks, open far end") {
  const Bench bench =
      make_bench({.length_mm = 45.0, .radius_mm = 5.0, .bend_rad = 0.3, .far_end = Outlets::open}, 500);
  const Tally tally = hold_motions(bench, 0, CarriageKind::guide, 233);
  CHECK(tally.clear > kCases / 20);
  CHECK(tally.out > kCases / 20);
}
