// SPDX-License-Identifier: GPL-3.0-or-later
// Laws of the elastic segment: its tangent, its rest, its energy, its continuity, its elements' size.
#include <random>

#include <catch2/catch.hpp>

#include "planner/elastic/follow_plan.h"
#include "planner/elastic/taut_string.h"
#include "planner/elastic/twisted_arc.h"
#include "tests/planner/elastic/elastic_designs.h"

namespace {

using namespace withy;
using namespace withy_test;
using Catch::Matchers::WithinAbs;

ElasticState led_to(ElasticSegment& segment, ElasticState state, double insertion_mm,
                    const Eigen::VectorXd& goal, int steps) {
  const Eigen::VectorXd from = state.pull_mm;
  const double from_mm = state.insertion_mm;
  for (int i = 1; i <= steps; ++i) {
    const double t = static_cast<double>(i) / steps;
    state = segment.step(state, from_mm + t * (insertion_mm - from_mm), from + t * (goal - from)).value();
  }
  return state;
}

}  // namespace

TEST_CASE("the tangent is what differences of the forces give") {
  std::mt19937 engine(3);
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  for (const double spacing : {0.0, 10.0})
    for (const bool gives : {false, true})
      for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
        CAPTURE(spacing, gives, static_cast<int>(kind));
        DesignParts parts = usual_parts({33.0, 67.0});
        parts.tendons->disk_spacing_mm = spacing;
        parts.carriage.kind = kind;
        if (gives) parts.elastic->segment_EA_N = 3000.0;
        const Design design = made(parts);
        ElasticSegment segment(design, 10);
        ElasticState state = led_to(segment, segment.start().value(), 72.0, pulls_for(design, {0.8, 0.3}), 4);
        state = segment.engage(state, 0).value();
        Eigen::VectorXd at = state.strain;
        for (double& x : at) x += 0.002 * even(engine);
        const Eigen::VectorXd pull = pulls_for(design, {1.0, 0.3});
        const Eigen::MatrixXd tangent = segment.balance(state, 72.0, pull, at).second;
        const double h = 1e-7;
        for (Eigen::Index j = 0; j < at.size(); ++j) {
          Eigen::VectorXd more = at, less = at;
          more(j) += h;
          less(j) -= h;
          const Eigen::VectorXd quotient = (segment.balance(state, 72.0, pull, more).first -
                                            segment.balance(state, 72.0, pull, less).first) /
                                           (2.0 * h);
          if (quotient.isZero(0.0)) continue;  // inside the guide
          CHECK((quotient - tangent.col(j)).norm() < 1e-6 * tangent.col(j).norm());
        }
      }
}

TEST_CASE("what is called equilibrium is one, and without friction one of least energy") {
  DesignParts parts = usual_parts({50.0});
  const Design rubbing = made(parts);
  ElasticSegment segment(rubbing);
  const ElasticState bent =
      led_to(segment, segment.start().value(), 40.0, pulls_for(rubbing, {1.2, -0.5}), 10);
  CHECK(segment.unbalanced_Nmm(bent) < 1e-7);

  // The potential of the tendons' wires beside the body's own: EA / (2 L_t) (pull - shortening)^2 and
  // T_pre (pull - shortening) of those that pull.
  parts.tendons->friction_coefficient = 0.0;
  const Design smooth = made(parts);
  ElasticSegment free(smooth);
  const ElasticState state = led_to(free, free.start().value(), 40.0, pulls_for(smooth, {1.2, -0.5}), 10);
  const auto potential = [&](const Eigen::VectorXd& strain) {
    ElasticState near = state;
    near.strain = strain;
    const ElasticReading reading = free.read(near);
    double energy = reading.energy_Nmm;
    const double per_mm = 6283.0 / 400.0;
    for (Eigen::Index k = 0; k < 4; ++k) energy += 0.5 * reading.base_N(k) * reading.base_N(k) / per_mm;
    return energy;
  };
  const double least = potential(state.strain);
  std::mt19937 engine(5);
  std::normal_distribution<double> normal;
  for (int i = 0; i < 50; ++i) {
    Eigen::VectorXd way(state.strain.size());
    for (double& x : way) x = 1e-4 * normal(engine);
    const double up = potential(state.strain + way) - least;
    const double down = potential(state.strain - way) - least;
    CHECK(up > 0.0);
    CHECK(down > 0.0);
    CHECK(std::abs(up - down) < 0.02 * (up + down));  // level at the state itself
  }
}

TEST_CASE("a pull turned back by a ten-thousandth of a millimetre hardly moves the tip") {
  for (const double spacing : {0.0, 10.0}) {
    DesignParts parts = usual_parts({50.0});
    parts.tendons->friction_coefficient = 0.2;
    parts.tendons->disk_spacing_mm = spacing;
    const Design design = made(parts);
    ElasticSegment segment(design);
    const Eigen::VectorXd goal = pulls_for(design, {1.5, 0.0});
    const ElasticState there = led_to(segment, segment.start().value(), 0.0, goal, 20);
    Eigen::VectorXd back = goal;
    back(0) -= 1e-4;
    back(2) += 1e-4;
    const ElasticState turned = segment.step(there, 0.0, back).value();
    CHECK((segment.read(turned).tip_E.translation() - segment.read(there).tip_E.translation()).norm() < 0.01);
  }
}

TEST_CASE("engaging within the play moves nothing, and a lock inside a span parts its force") {
  DesignParts parts = usual_parts({33.0, 67.0});
  parts.latch->notch_pitch_mm = 0.03;  // no slide is farther from a notch than the play
  const Design design = made(parts);
  ElasticSegment segment(design);
  ElasticState state = led_to(segment, segment.start().value(), 30.0, pulls_for(design, {1.0, 0.4}), 8);
  const auto stays = [&](int lock) {
    const Eigen::Vector3d was = segment.read(state).tip_E.translation();
    state = segment.engage(state, lock).value();
    CHECK((segment.read(state).tip_E.translation() - was).norm() < 1e-6);
  };
  stays(1);
  CHECK(segment.read(state).lock_load_Nmm[1] < 1e-6);
  state = led_to(segment, state, 30.0, pulls_for(design, {-0.3, 0.9}), 8);
  CHECK(segment.read(state).lock_load_Nmm[1] > 0.5);
  stays(0);  // inside the span that the other closes
  CHECK(segment.read(state).lock_load_Nmm[0] < 1e-6);
  const Eigen::Vector3d was = segment.read(state).tip_E.translation();
  state = segment.release(state, 0).value();
  CHECK((segment.read(state).tip_E.translation() - was).norm() < 1e-6);
}

TEST_CASE("an upright column is unstable beyond the weight under which it buckles") {
  // A. G. Greenhill, 1881: a column that stands by its weight w per length alone up to w L^3 / EI = 7.8373.
  for (const double share : {0.98, 1.02}) {
    DesignParts parts = bare_parts();
    parts.elastic->gravity_S = {0.0, 0.0, -1.0};
    const double critical_N_per_mm = 7.8373 * parts.segment.flexural_rigidity_Nmm2 / 1e6;
    parts.elastic->mass_g_per_mm = share * critical_N_per_mm / 9.80665e-3;
    const Design design = made(parts);
    ElasticSegment segment(design);
    const ElasticState upright = segment.start().value();
    CHECK(segment.read(upright).tip_E.translation().head<2>().norm() < 1e-6);
    CHECK(segment.unstable(upright) == (share > 1.0));
  }
}

TEST_CASE("a body that hangs is stable, however bent") {
  const Design design = made(usual_parts({50.0}));
  ElasticSegment segment(design);
  ElasticState state = led_to(segment, segment.start().value(), 80.0, pulls_for(design, {1.2, 0.8}), 20);
  CHECK_FALSE(segment.unstable(state));
  state = led_to(segment, segment.engage(state, 0).value(), 80.0, pulls_for(design, {0.2, 0.3}), 20);
  CHECK_FALSE(segment.unstable(state));
}

TEST_CASE("bodies between two are close to one another and lead from the one to the other") {
  DesignParts parts = usual_parts({50.0});
  parts.latch->notch_pitch_mm = 0.5;
  const Design design = made(parts);
  ElasticSegment segment(design);
  const ElasticState off = led_to(segment, segment.start().value(), 80.0, pulls_for(design, {1.1, 0.35}), 20);
  const ElasticState on = segment.engage(off, 0).value();
  const auto tip = [&](const ElasticState& body) {
    return Eigen::Vector3d(segment.poses_E(body, {100.0}).front().translation());
  };
  const double jump_mm = (tip(on) - tip(off)).norm();
  REQUIRE(jump_mm > 1.0);
  const std::vector<ElasticState> between = bodies_between(segment, off, on, 0.25);
  CHECK(static_cast<double>(between.size()) + 1.0 >= jump_mm / 0.25);
  Eigen::Vector3d last = tip(off);
  for (const ElasticState& body : between) {
    CHECK((tip(body) - last).norm() < 0.3);
    last = tip(body);
  }
  CHECK((tip(on) - last).norm() < 0.3);
  CHECK(bodies_between(segment, off, off, 0.25).empty());
}

TEST_CASE("stiff tendons between disks, with friction, are followed out and back in steps of any size") {
  // Bent and drawn back in one motion: tendons go slack and taut, each a spring of some N per micrometre.
  struct Case {
    double disk_spacing_mm, tendon_EA_N, tendon_length_mm;
  };
  for (const Case& wires : {Case{20.0, 1e6, 0.0}, Case{10.0, 1e6, 0.0}, Case{10.0, 4e5, 50.0}}) {
    const Design design =
        with_stiff_tendons(wires.disk_spacing_mm, wires.tendon_EA_N, wires.tendon_length_mm);
    State there = start_state();
    there.insertion_mm = 63.41;
    there.u_free = {0.004073, 0.0020365};
    const Plan plan = there_and_back(there);
    for (const double step_mm : {1.0, 2.0, 4.0, 16.0, 64.0}) {
      FollowSettings settings;
      settings.step_mm = step_mm;
      const FollowedPlan followed = follow_plan(design, plan, {}, settings);
      CAPTURE(wires.disk_spacing_mm, wires.tendon_EA_N, step_mm);
      REQUIRE_FALSE(followed.fault);
      ElasticSegment segment(design);
      for (const FollowedState& state : followed.states) CHECK(segment.unbalanced_Nmm(state.state) < 1e-5);
    }
  }
}

TEST_CASE("halving all elements moves the tip by less than a hundredth of a millimetre") {
  std::mt19937 engine(11);
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  for (int run = 0; run < 6; ++run) {
    DesignParts parts = usual_parts({33.0, 67.0});
    parts.tendons->disk_spacing_mm = run % 3 == 2 ? 5.0 : 0.0;
    const Design design = made(parts);
    const Eigen::VectorXd first = pulls_for(design, {2.0 * even(engine), 2.0 * even(engine)});
    const Eigen::VectorXd second = pulls_for(design, {2.0 * even(engine), 2.0 * even(engine)});
    std::vector<Eigen::Vector3d> tips;
    for (const int elements : {kUsualElements, 2 * kUsualElements}) {
      ElasticSegment segment(design, elements);
      ElasticState state = led_to(segment, segment.start().value(), 80.0, first, 30);
      state = segment.engage(state, 0).value();
      tips.push_back(segment.read(led_to(segment, state, 80.0, second, 30)).tip_E.translation());
    }
    CHECK((tips[0] - tips[1]).norm() < 0.01);
  }
}

TEST_CASE("a taut string takes the course of least energy") {
  // Twin: coordinate descent on the heights.
  std::mt19937 engine(17);
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  for (int run = 0; run < 300; ++run) {
    const int n = 1 + static_cast<int>(engine() % 5);
    std::vector<Gate> gates;
    double s = 0.0;
    for (int j = 0; j < n; ++j) gates.push_back({s += 5.0 + 20.0 * std::abs(even(engine)), even(engine)});
    const double b = 0.5 * std::abs(even(engine));
    std::vector<double> h(gates.size(), 0.0);
    for (int sweep = 0; sweep < 3000; ++sweep)
      for (std::size_t j = 0; j < gates.size(); ++j) {
        const double before = j > 0 ? gates[j - 1].at : 0.0;
        double top = (j > 0 ? h[j - 1] : 0.0) / (gates[j].at - before), bottom = 1.0 / (gates[j].at - before);
        if (j + 1 < gates.size()) {
          top += h[j + 1] / (gates[j + 1].at - gates[j].at);
          bottom += 1.0 / (gates[j + 1].at - gates[j].at);
        }
        h[j] = std::clamp(top / bottom, gates[j].middle - b, gates[j].middle + b);
      }
    const std::vector<StringKnot> knots = taut_string(gates, b);
    double at = 0.0, height = 0.0;
    std::size_t j = 0;
    for (const StringKnot& knot : knots)
      for (const std::size_t end = static_cast<std::size_t>(knot.gate); j <= end; ++j) {
        const double slope = (knot.height - height) / (gates[end].at - at);
        const double here = height + slope * (gates[j].at - at);
        CHECK_THAT(h[j], WithinAbs(here, 1e-7));
        if (j == end) {
          at = gates[j].at;
          height = knot.height;
          ++j;
          break;
        }
      }
    for (; j < gates.size(); ++j) CHECK_THAT(h[j], WithinAbs(height, 1e-7));
  }
}
