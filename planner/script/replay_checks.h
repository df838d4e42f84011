// SPDX-License-Identifier: GPL-3.0-or-later
// What a replay asks of rows, of one state and of one switch. Used by replays only.
#pragma once

#include <optional>
#include <string>

#include "planner/script/replay.h"
#include "planner/segment/hardware.h"

namespace withy {

/// A fault that doesn't know its line yet.
struct ReplayFinding {
  ReplayCause cause = ReplayCause::axes;
  std::string problem;
  std::string remedy;
};

/// Rows that are meant to be zero are so to this (mm).
inline constexpr double kAtZero_mm = 2.0 * kScriptStep;

/// Are all axes at zero and all locks released?
bool at_zero(const Waypoint& row);

/// Are the script's tendons and coils the design's?
std::optional<ReplayFinding> check_axes(const Design& design, const Script& script);

/// Is the field off while the axes move from one row to the next?
std::optional<ReplayFinding> check_field_off(const Waypoint& before, const Waypoint& row);

/// Is it one lock that changes?
std::optional<ReplayFinding> check_one_switch(const LockSet& changed);

/// Is the carriage within its range?
std::optional<ReplayFinding> check_insertion(const Design& design, double insertion_mm, double leniency_mm);

/// How far a number may be past its limit and still count as on it: the script's rounding where it is a row's
/// own, a script's deviation where it is between rows.
struct Leniency {
  double pull_mm = 0.0;           ///< of a pull
  double curvature_per_mm = 0.0;  ///< what that pull is in curvature of the free region

  static Leniency of_pull(const Design& design, const State& state, double pull_mm);
};

/// The first limit of insertion, curvature, stroke, tension and lock load that a state breaks by more than
/// `leniency`.
std::optional<ReplayFinding> check_limits(const Design& design, const State& state, const HardwareUse& use,
                                          const Leniency& leniency);

/// What field and currents of a row are: a plan's own, which keep their limits to rounding, or a script's, in
/// its steps, and of a body that is known to them only.
enum class FieldNumbers { exact, on_script_steps };

/// Do this row's currents switch `lock` in `state` (before the switch), keep the others, and stay within the
/// limits of field and coils? All of it with a reserve of 1, other magnets and ambient field counted
/// (field.h).
std::optional<ReplayFinding> check_field(const Design& design, const State& state, int lock,
                                         const Waypoint& row,
                                         FieldNumbers numbers = FieldNumbers::on_script_steps);

/// The same for locks that stand as `poses` say and are `engaged` before the switch.
std::optional<ReplayFinding> check_field(const Design& design, const LockPoses& poses, const LockSet& engaged,
                                         int lock, const Waypoint& row,
                                         FieldNumbers numbers = FieldNumbers::on_script_steps);

/// The part of check_field that is about torques, for a body that stands otherwise than when the currents
/// were chosen: `poses` of its locks, which are `engaged` before the switch.
std::optional<ReplayFinding> check_torques(const Design& design, const LockPoses& poses,
                                           const LockSet& engaged, int lock, const Waypoint& row);

/// A straight way of a sweep: the locks are `engaged` before `lock` switches; the free curvature may be off
/// the way by so much.
struct SweptWay {
  State from;
  State to;
  LockSet engaged;
  int lock = 0;
  double aside_per_mm = 0.0;
};

/// The same as check_field over all of a way, but for the coils' currents.
std::optional<ReplayFinding> check_field_way(const Design& design, const SweptWay& way, const Waypoint& row);

/// The row's currents; those that its field takes where it gives none.
Currents currents_of(const Design& design, const Waypoint& row);

/// The reserve with which they do.
double field_reserve(const Design& design, const State& state, int lock, const Waypoint& row);

/// Do the currents make the field that the row names, at the lock that switches?
std::optional<ReplayFinding> check_currents(const Design& design, const State& state, int lock,
                                            const Waypoint& row);

/// Do the magnets leave one another on their stops?
std::optional<ReplayFinding> check_coupling(const Hardware& hardware, const State& state);

}  // namespace withy
