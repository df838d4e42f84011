// SPDX-License-Identifier: GPL-3.0-or-later
// From the planner's states to those of the plain implementation in tests/support.
#pragma once

#include "planner/segment/state.h"
#include "tests/support/bench_plan.h"
#include "tests/support/plain_body.h"
#include "tests/support/plain_hardware.h"
#include "tests/support/plain_scene.h"

namespace withy_test {

inline withy_plain::Robot plain_robot(const Bench& bench) {
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(bench.scene_file().string());
  robot.layout = robot.scene.layouts.at(1);
  return robot;
}

inline withy_plain::State plain_state(const withy::Design& design, const withy::State& state) {
  withy_plain::State out;
  out.insertion_mm = state.insertion_mm;
  for (int i = 0; i < design.lock_count(); ++i)
    out.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  for (const withy::Region& region : withy::regions_of(design, state))
    out.regions.push_back({region.from_mm, region.to_mm, region.u});
  return out;
}

}  // namespace withy_test
