// SPDX-License-Identifier: GPL-3.0-or-later
// Shipped questions with their plans, and benches asked everything.
#pragma once

#include <functional>
#include <memory>
#include <random>
#include <string>

#include <catch2/catch.hpp>

#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "planner/stand/standing.h"
#include "planner/tolerance/bench_hardware.h"

namespace withy::testing {
/// A shipped question with its plan.
struct Case {
  Case(const std::string& scene, int locks, const std::function<void(DesignParts&)>& change = {}) {
    auto read = prepare_scene(WITHY_SOURCE_DIR "/scenes/" + scene + "/scene.toml");
    REQUIRE(read);
    prepared = std::make_unique<PreparedScene>(std::move(*read));
    auto made = make_problem(*prepared, locks);
    REQUIRE(made);
    problem = std::make_unique<SearchProblem>(std::move(*made));
    sizes = usual_errors(prepared->scene);
    if (change) {
      DesignParts parts = problem->design.parts();
      change(parts);
      problem->design = *Design::make(std::move(parts));
    }
    SolveSettings settings;
    settings.prefer = Preference::quick;
    Answer answer = solve(*problem, settings);
    REQUIRE(answer.plan);
    plan = std::move(*answer.plan);
  }
  std::unique_ptr<PreparedScene> prepared;
  std::unique_ptr<SearchProblem> problem;
  ErrorSizes sizes;
  Plan plan;
};

/// One bench asked everything, with nothing left out because it is proved.
struct Asked {
  bool touches = false, close = false, misses = false, disengaged = false, overloads = false;
};

inline Asked ask_all(const Case& of, const ErrorDraw& errors) {
  const SearchProblem& problem = *of.problem;
  const Bench bench(problem.design, errors, middle_of(problem.distance->exact().channel()));
  const Hardware hardware(problem.design);
  const BenchHardware on_bench(hardware, bench);
  Asked out;
  out.misses = !bench.hits(of.plan.states[static_cast<std::size_t>(of.plan.reached_state)], problem.goal);
  for (const PlannedSwitch& planned : switches_in(problem.design, of.plan)) {
    out.disengaged = out.disengaged || !on_bench.engages(planned);
    out.overloads = out.overloads || !on_bench.switches(planned);
  }
  for (const PlannedState& state : of.plan.states)
    out.overloads = out.overloads || !on_bench.keeps_limits(state);
  for (const PlannedMotion& motion : motions_of(of.plan, MotionVerifier(problem.design, *problem.distance))) {
    const Contact contact = bench.contact(motion, *problem.distance);
    out.touches = out.touches || contact == Contact::touches;
    out.close = out.close || contact != Contact::clear;
  }
  return out;
}

/// Errors at the ends of their intervals, vectors at their full length.
inline ErrorDraw extreme(const Design& design, const ErrorSizes& sizes, std::mt19937_64& generator) {
  ErrorDraw draw = draw_errors(design, sizes, generator);
  const auto grow = [](auto& v, double most) {
    if (v.norm() > 0.0) v *= most / v.norm();
  };
  const auto push = [](double& x, double most) { x = x < 0.0 ? -most : most; };
  if (design.latch())
    for (auto& bend : draw.bend_at_lock)
      grow(bend, sizes[ErrorKind::backlash] / design.latch()->backbone_radius_mm);
  push(draw.pull_gain, sizes[ErrorKind::pull_gain]);
  for (double& offset : draw.pull_offset_mm) push(offset, sizes[ErrorKind::pull_offset]);
  grow(draw.entry_position_mm, sizes[ErrorKind::entry_position]);
  grow(draw.entry_turn, sizes[ErrorKind::entry_angle]);
  grow(draw.registration_position_mm, sizes[ErrorKind::registration_position]);
  grow(draw.registration_turn, sizes[ErrorKind::registration_angle]);
  push(draw.lumen_scale, sizes[ErrorKind::lumen_scale]);
  push(draw.coil_gain, sizes[ErrorKind::coil_gain]);
  push(draw.magnet_strength, sizes[ErrorKind::magnet_strength]);
  return draw;
}

/// The carriage and the channel stand where they should.
inline ErrorSizes in_their_places(ErrorSizes sizes) {
  for (const ErrorKind kind :
       {ErrorKind::entry_position, ErrorKind::entry_angle, ErrorKind::registration_position,
        ErrorKind::registration_angle, ErrorKind::lumen_scale})
    sizes[kind] = 0.0;
  return sizes;
}

inline ErrorSizes times(double x, ErrorSizes sizes) {
  for (double& most : sizes.most) most *= x;
  return sizes;
}

}  // namespace withy::testing
