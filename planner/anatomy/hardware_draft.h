// SPDX-License-Identifier: GPL-3.0-or-later
// The segment, locks, tendons and coils of a scene that is yet to be edited, as TOML.
//
// The sizes are those of scenes/airway, common practice of bench hardware, no source. Where the opening is
// too narrow for them all lengths are scaled down, and what depends on them with its power of the length:
// rigidity with the fourth, tensions with the third (of equal strain), magnets and their torques with the
// third.
#pragma once

#include <string>

namespace withy {

/// A thick body's radius, lock included, and the clearance that a draft asks for, mm.
inline constexpr double kDraftLockRadius_mm = 1.8;
inline constexpr double kDraftBodyRadius_mm = 1.5;
inline constexpr double kDraftClearance_mm = 0.2;

/// All tables from [clearance] on, with comments. `scale` is 1 or less; `depth_mm` how far along the middle
/// line the target is.
std::string hardware_toml(double scale, double depth_mm);

/// A number of a draft: six significant digits.
std::string draft_number(double value);

}  // namespace withy
