// SPDX-License-Identifier: GPL-3.0-or-later
// What motions of one design in one scene are held against.
#pragma once

#include <memory>
#include <utility>

#include "planner/live/live_scene.h"
#include "planner/search/route/route.h"

namespace withy {

struct Driver {
  Driver(std::shared_ptr<const LiveScene> of, SearchProblem asked)
      : scene(std::move(of)), problem(std::move(asked)), hardware(problem.design), judge(problem, hardware) {}
  Driver(const Driver&) = delete;
  Driver& operator=(const Driver&) = delete;

  const std::shared_ptr<const LiveScene> scene;
  const SearchProblem problem;
  const Hardware hardware;
  const StepJudge judge;
};

}  // namespace withy
