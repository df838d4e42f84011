// SPDX-License-Identifier: GPL-3.0-or-later
// The bound of |p_tt| against second differences of bodies placed at three instants: by Taylor's theorem with
// the integral remainder |p(t - h) - 2 p(t) + p(t + h)| <= h^2 max |p_tt|, whatever h is.
#include "planner/proof/lemmas/motion_acceleration.h"

#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include "planner/motion/action.h"
#include "planner/segment/shape.h"

using namespace withy;

namespace {

constexpr double kLength = 90.0;
constexpr double kCurvatureMax = 0.05;
// Three Shapes, each right to about this (mm).
constexpr double kRounding_mm = 1e-11;

class Random {
 public:
  explicit Random(unsigned seed) : engine_(seed) {}
  double between(double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(engine_);
  }
  /// Of any size from 10^-decades to 1.
  double of_any_size(double decades) { return std::pow(10.0, -between(0.0, decades)); }
  Eigen::Vector2d direction() {
    const double a = between(0.0, 2.0 * M_PI);
    return {std::cos(a), std::sin(a)};
  }
  bool chance(double p) { return between(0.0, 1.0) < p; }

 private:
  std::mt19937 engine_;
};

/// Locks from 0.5 to 25 mm long, the first of them most often open, so that its body stands in the region.
Design random_design(CarriageKind carriage, Random& random) {
  DesignParts parts;
  parts.segment = {kLength, 1.5, random.chance(0.5) ? 0.0 : random.between(0.5, 8.0), kCurvatureMax, 900.0};
  parts.carriage = {carriage, 120.0};
  const double body = random.between(0.5, 25.0);
  parts.lock = LockHardware{body, 1.8, 0.004, 0.0, 1.57, 0.01, 0.004, 60.0};
  const double first = 0.5 * body + random.between(0.01, 30.0 - body);
  const double second = first + body + random.of_any_size(3.0) * (50.0 - first - body + 12.0);
  parts.layout.station_mm = {first, second};
  parts.layout.clock_rad = {0.0, 0.0};
  auto design = Design::make(std::move(parts));
  REQUIRE(design);
  return *design;
}

/// A motion within the limits whose part [0, 1] passes no end of a region or rigid span at the entry plane.
struct Motion {
  State from;
  State to;
};

State random_start(const Design& design, Random& random) {
  State state;
  state.u_free = random.between(0.0, kCurvatureMax) * random.direction();
  double from = 0.0;
  const auto engage = [&](int lock) {
    const double f = exposed_flexible_length(design, state.insertion_mm, from, design.station_mm(lock));
    state.engaged.set(static_cast<std::size_t>(lock));
    state.theta_frozen.push_back(f * random.between(0.0, kCurvatureMax) * random.direction());
    from = design.station_mm(lock);
  };
  // The last lock, or the tip, has anything from a hair's breadth to all that is proximal of it out.
  const bool both = random.chance(0.3);
  const bool last = random.chance(0.8);
  const double end = last ? design.station_mm(1) - 0.5 * design.lock().body_length_mm : kLength;
  state.insertion_mm = kLength - end + end * random.of_any_size(3.5);
  if (both) engage(0);
  if (last) engage(1);
  return state;
}

bool passes_an_end(const Design& design, const State& from, const State& to) {
  const double a = first_exposed_station(design, from.insertion_mm);
  const double b = first_exposed_station(design, to.insertion_mm);
  const auto between = [&](double s) { return s >= std::min(a, b) && s <= std::max(a, b); };
  bool passes = between(0.0);
  for (const RigidSpan& span : design.rigid_spans())
    passes = passes || between(span.from_mm) || between(span.to_mm);
  return passes;
}

/// What the bound was before it counted rigid spans within the region that the guide cuts.
double without_rigid_spans(const Design& design, const State& from, const State& to, double s) {
  double kappa = 0.0;
  for (const State* state : {&from, &to})
    for (const Region& region : regions_of(design, *state)) kappa = std::max(kappa, region.u.norm());
  const double x0 = first_exposed_station(design, std::max(from.insertion_mm, to.insertion_mm));
  const double l = std::max(0.0, s - std::max(regions_of(design, from).back().from_mm, x0));
  const double whole = std::max(0.0, s - x0);
  const double dd = std::abs(to.insertion_mm - from.insertion_mm);
  const double du = (to.u_free - from.u_free).norm();
  const double c = kTangentAcceleration;
  return c * du * du * l * l * l / 3.0 + 3.0 * kappa * dd * dd +
         c * (kappa * kappa * dd * dd * whole + kappa * du * dd * l * l) + 2.0 * du * dd * l;
}

}  // namespace

TEST_CASE("no body point bends its path more than the bound of its acceleration") {
  const unsigned seed = 47;
  CAPTURE(seed);
  Random random(seed);
  int tried = 0;
  int broken_without_rigid_spans = 0;
  double closest = 0.0;
  for (int trial = 0; tried < 10000; ++trial) {
    const CarriageKind carriage = random.chance(0.1) ? CarriageKind::free : CarriageKind::guide;
    const Design design = random_design(carriage, random);
    const State from = random_start(design, random);
    State to = from;
    if (!random.chance(0.1)) to.insertion_mm += random.between(-1.0, 1.0) * 5.0 * random.of_any_size(4.0);
    if (!random.chance(0.3)) to.u_free += 0.03 * random.of_any_size(4.0) * random.direction();
    if (!within_limits(design, from) || !within_limits(design, to)) continue;
    if (carriage == CarriageKind::guide && passes_an_end(design, from, to)) continue;
    ++tried;
    const MotionAcceleration acceleration(design, from, to);
    const Shape first(design, from);
    const Shape middle(design, interpolate(from, to, 0.5));
    const Shape last(design, to);
    const double x0 = first_exposed_station(design, std::min(from.insertion_mm, to.insertion_mm));
    for (int k = 0; k < 12; ++k) {
      const double s = k == 0 ? kLength : random.between(x0, kLength);
      CAPTURE(trial, s, from.insertion_mm, to.insertion_mm, from.engaged.to_string());
      const double crooked = 4.0 * (first.point_E(s) - 2.0 * middle.point_E(s) + last.point_E(s)).norm();
      const double bound = acceleration.bound(0.0, 1.0, s);
      REQUIRE(crooked <= bound + 4.0 * kRounding_mm);
      if (crooked > without_rigid_spans(design, from, to, s) + 4.0 * kRounding_mm)
        ++broken_without_rigid_spans;
      if (bound > 1e-6) closest = std::max(closest, crooked / bound);
    }
  }
  // The cases are such that rigid spans matter, and the bound is not idle.
  CHECK(broken_without_rigid_spans > 50);
  CHECK(closest > 0.7);
}

TEST_CASE("a bend that moves evenly turns the tangent with an acceleration of at most its speed squared") {
  // T = Exp(b) = (b sin |b| / |b|, cos |b|). The second derivative of exp of a skew matrix B + t V along V is
  // at most |V|^2 (R. M. Wilcox, "Exponential Operators and Parameter Differentiation in Quantum Physics", J.
  // Math. Phys. 8, 1967, section 2), so 1 would do for kTangentAcceleration: a bound with 1 is no fault, one
  // below is.
  const unsigned seed = 261;
  CAPTURE(seed);
  Random random(seed);
  const auto tangent = [](const Eigen::Vector2d& b) {
    const double angle = b.norm();
    const double ratio = angle > 0.0 ? std::sin(angle) / angle : 1.0;
    return Eigen::Vector3d(ratio * b.x(), ratio * b.y(), std::cos(angle));
  };
  constexpr double kStep = 1e-3;
  double most = 0.0;
  for (int i = 0; i < 20000; ++i) {
    const Eigen::Vector2d b = random.between(0.0, 7.0) * random.of_any_size(3.0) * random.direction();
    const Eigen::Vector2d by = kStep * random.direction();
    const Eigen::Vector3d second = tangent(b - by) - 2.0 * tangent(b) + tangent(b + by);
    most = std::max(most, second.norm() / (kStep * kStep));
  }
  CHECK(most <= 1.0 + 1e-8);
  CHECK(most > 0.99);
  CHECK(kTangentAcceleration >= 1.0);
}
