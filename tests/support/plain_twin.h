// SPDX-License-Identifier: GPL-3.0-or-later
// The bench of bench_plan.h for the plain implementation in tests/support.
#pragma once

#include "tests/support/bench_plan.h"
#include "tests/support/plain_body.h"
#include "tests/support/plain_segment.h"

namespace withy_test {

inline withy_plain::Robot plain_robot(const Bench& bench) {
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(bench.scene_file().string());
  robot.layout = robot.scene.layouts.at(1);
  return robot;
}

}  // namespace withy_test
