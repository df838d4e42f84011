// SPDX-License-Identifier: GPL-3.0-or-later
// The elastic segment against the plain implementation, which shoots where the other has elements.
#include <random>

#include <catch2/catch.hpp>

#include "tests/planner/elastic/elastic_designs.h"

namespace {

using namespace withy;
using namespace withy_test;

class Draw {
 public:
  explicit Draw(std::uint32_t seed) : engine_(seed) {}
  double between(double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(engine_);
  }
  int below(int n) { return std::uniform_int_distribution<int>(0, n - 1)(engine_); }

 private:
  std::mt19937 engine_;
};

DesignParts random_parts(Draw& draw) {
  const std::vector<std::vector<double>> stations = {{}, {50.0}, {33.0, 67.0}, {25.0, 50.0, 75.0}};
  DesignParts parts = usual_parts(stations[static_cast<std::size_t>(draw.below(4))]);
  const Eigen::Vector3d gravity(draw.between(-1, 1), draw.between(-1, 1), draw.between(-1, 1));
  parts.elastic->gravity_S = gravity.normalized();
  parts.elastic->mass_g_per_mm *= draw.between(0.0, 2.0);
  parts.elastic->tendon_EA_N *= draw.between(0.5, 2.0);
  parts.elastic->backbone_EA_N *= draw.between(0.5, 2.0);
  parts.elastic->torsional_rigidity_Nmm2 *= draw.between(0.5, 2.0);
  parts.tendons->friction_coefficient = draw.between(0.0, 0.2);
  if (draw.below(3) == 0) parts.tendons->angle_rad = {0.3, 0.3 + 2 * M_PI / 3, 0.3 + 4 * M_PI / 3};
  if (draw.below(4) == 0) parts.tendons->motors = Motors::stand;
  if (draw.below(3) == 0) parts.carriage.kind = CarriageKind::guide;
  if (parts.latch && draw.below(2) == 0) parts.latch->notch_pitch_mm = 0.1;
  return parts;
}

/// Both bodies, moved alike.
struct Pair {
  ElasticSegment elements;
  withy_plain::Shooting shooting;
  ElasticState state;
  withy_plain::ElasticBody body;

  explicit Pair(const Design& design)
      : elements(design), shooting(plain_of(design)), state(elements.start().value()) {
    const auto sagging = shooting.step(shooting.straight(), 0.0, shooting.straight().pull_mm);
    body = sagging.value();
  }
  /// False where the plain one gives up.
  bool move(double insertion_mm, const Eigen::VectorXd& pull_mm) {
    const auto there = elements.step(state, insertion_mm, pull_mm);
    REQUIRE(there);
    state = *there;
    const auto plain = shooting.step(body, insertion_mm, std::vector<double>(pull_mm.begin(), pull_mm.end()));
    if (plain) body = *plain;
    return plain.has_value();
  }
  bool toggle(int lock) {
    const bool held = state.engaged.test(static_cast<std::size_t>(lock));
    if (!held)
      for (const double off : shooting.off_notch(body, lock))
        if (std::abs(off) > 0.45) return true;  // the two might take different notches
    const auto there = held ? elements.release(state, lock) : elements.engage(state, lock);
    REQUIRE(there);
    state = *there;
    const auto plain = held ? shooting.release(body, lock) : shooting.engage(body, lock);
    if (plain) body = *plain;
    return plain.has_value();
  }
  double apart_mm() { return (elements.read(state).tip_E.translation() - body.tip_E).norm(); }
};

}  // namespace

TEST_CASE("elements and shooting place the body alike, whatever its history") {
  const std::uint32_t seed = 20250711;
  INFO("seed " << seed);
  Draw draw(seed);
  constexpr int kStates = 500;
  constexpr int kSteps = 6;
  int compared = 0, given_up = 0;
  double worst = 0.0;
  while (compared < kStates) {
    const Design design = made(random_parts(draw));
    Pair pair(design);
    bool both = true;
    for (int move = 0; both && move < 4; ++move) {
      const double bend = draw.between(0.0, 2.2), towards = draw.between(-M_PI, M_PI);
      const double insertion = design.carriage().kind == CarriageKind::guide ? draw.between(60.0, 130.0)
                                                                             : draw.between(0.0, 160.0);
      Eigen::VectorXd goal = pulls_for(design, bend * Eigen::Vector2d(std::cos(towards), std::sin(towards)));
      if (design.tendons()->motors == Motors::stand) goal.array() -= insertion;
      const Eigen::VectorXd from = pair.state.pull_mm;
      const double from_mm = pair.state.insertion_mm;
      for (int i = 1; both && i <= kSteps; ++i) {
        const double t = static_cast<double>(i) / kSteps;
        both = pair.move(from_mm + t * (insertion - from_mm), from + t * (goal - from));
      }
      if (both && design.lock_count() > 0) both = pair.toggle(draw.below(design.lock_count()));
      if (!both) break;
      ++compared;
      worst = std::max(worst, pair.apart_mm());
    }
    if (!both) ++given_up;
  }
  WARN("apart by at most " << worst << " mm in " << compared << " states; the plain one gave up " << given_up
                           << " times");
  CHECK(worst < 0.02);
  CHECK(given_up * 10 < compared);
}
