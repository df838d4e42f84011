// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy switch` found, as tables for people, JSON for programs, and SVG pictures.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <tl/expected.hpp>

#include "planner/effort/cut_short.h"
#include "planner/scene/scene.h"
#include "planner/switching/switch_clocking.h"
#include "planner/switching/switch_map.h"
#include "planner/switching/switch_scaling.h"

namespace withy {

struct SwitchReport {
  const Scene& scene;
  const Design& design;
  std::string scene_file;  ///< as the command line gave it
  BendGrid grid;
  std::vector<BendPose> poses;
  std::vector<SwitchMap> maps;
  std::optional<ClockingSweep> clocking;  ///< two locks or more
  std::optional<ClockingResult>
      as_built;                      ///< the scene's own clocking judged the same way; two locks or more
  std::vector<ScaledDesign> scaled;  ///< empty unless asked for
  std::optional<double> power_W;     ///< most that a switch takes, where every coil's resistance is given
  std::vector<double> voltage_V;     ///< most at each coil, with power_W
};

/// Everything that is found for a design. `factors` may be empty.
tl::expected<SwitchReport, CutShort> make_switch_report(const Scene& scene, const Design& design,
                                                        const std::string& scene_file,
                                                        const std::vector<double>& factors,
                                                        const Effort& effort = Effort());

/// Tables for a terminal, plain text.
std::string switch_table(const SwitchReport& report);

/// Same content and more: every pose of every map.
std::string switch_json(const SwitchReport& report);

/// One disc of bends for each lock, to lock and to unlock, in the usual order: direction = direction of
/// bending, distance from the middle = curvature, shade = least field. Told apart without colour: shade by
/// lightness, hatching where no allowed field does it.
std::string switch_map_svg(const SwitchReport& report);

/// Two locks: shares of bends and the field over the clocking. Three: a square of both clockings.
/// Precondition: clocking swept, two or three locks.
std::string clocking_svg(const SwitchReport& report);

}  // namespace withy
