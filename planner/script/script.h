// SPDX-License-Identifier: GPL-3.0-or-later
// What the actuation unit is told: way-points of its axes, and the fields that switch locks.
//
// A script is all that the bench sees of a plan: insertion, one pull for each tendon, one field for each
// switch. Between two way-points the unit moves its axes linearly, all arriving together. The way-points
// stand close enough that this stays within kScriptDeviation_mm of the plan's motion, in every pull and at
// every point of the body (waypoints.h).
//
// Units: mm, s, mT, A. Vectors in the scene frame. A script is a table; CSV and ISO 6983 are two ways to
// write it down.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "planner/plan/answer.h"
#include "planner/plan/pull_corrections.h"
#include "planner/scene/scene.h"
#include "planner/segment/state.h"

namespace withy {

/// Scripts carry positions in steps of this (mm; also mT, A, s): a hundredth of what a fine lead screw
/// resolves, and coarse enough that six decimals print and read back the same number exactly.
inline constexpr double kScriptStep = 1e-6;

/// One row: where the axes are to be, then which locks hold and what the field is while the unit dwells
/// there.
struct Waypoint {
  int step = 0;        ///< counts the rows from 0
  std::string action;  ///< "start", or the name of the action that leads here
  double insertion_mm = 0.0;
  std::vector<double> pull_mm;
  Eigen::Vector3d field_S = Eigen::Vector3d::Zero();  ///< mT
  std::vector<double> current_A;                      ///< one for each coil
  LockSet engaged;                                    ///< once the dwell is over
  double dwell_s = 0.0;
  std::string note;
  int line = 0;  ///< of the file it was read from; 0 when it was not read

  bool operator==(const Waypoint& other) const;  ///< all but `line`
};

struct Script {
  int locks = 0;
  int tendons = 0;
  int coils = 0;
  bool compensated = false;  ///< the pulls make up for what the elastic body gives: no ideal segment's
  std::string scene_sha256;
  std::string mesh_sha256;
  std::vector<Waypoint> waypoints;  ///< the first is the start: every axis at zero, every lock released
};

/// Why a plan can't be made into a script.
enum class ScriptFault {
  no_tendons,    ///< the scene describes no tendons: there are no pulls to give
  no_actuation,  ///< the scene letters no axes: an ISO 6983 program can't be written
};

/// The fault as a sentence that says what is missing.
std::string_view sentence_of(ScriptFault fault);

/// The action of the rows of a hunt: the field is on and the axes move.
inline constexpr std::string_view kHuntAction = "hunt";

/// The way-points of a plan, way in and way out. Pulls as section [tendons] routes them; a switch is a row
/// with the field on, which dwells for the settling time, and a row with the field off again, the axes
/// unmoved. A lock action whose hunt is made has a row before that, field on, that dwells for the settling
/// time too, and then the corners of the hunt's track, field on, back to the planned pulls; the lock counts
/// as engaged from the switch's own row on. Without [actuation] the dwell is 0. `corrections` are added to
/// the pulls, linear between states, so they ask for no further way-points; the script then counts as
/// compensated, and says so where it is written down.
tl::expected<Script, ScriptFault> make_script(const Scene& scene, const Design& design, const Plan& plan,
                                              const PullCorrections& corrections = {});

/// What the first row's note begins with in a compensated script.
inline constexpr std::string_view kCompensatedNote = "pulls compensated for the elastic body";

/// Seconds over which a unit that drives the coils brings their currents up or down: the field's settling
/// time, or one second where that is 0.
double coil_ramp_s(const Actuation& actuation);

/// Seconds that a unit needs from one way-point to the next when its slowest axis keeps its rate, the dwell
/// left out.
double travel_time_s(const Actuation& actuation, const Waypoint& from, const Waypoint& to);

/// Seconds for the whole script, dwells included, stops left out.
double duration_s(const Actuation& actuation, const Script& script);

/// Seconds for the script of a plan; nothing without a plan, [actuation] or [tendons].
std::optional<double> plan_duration_s(const Scene& scene, const Design& design,
                                      const std::optional<Plan>& plan);

}  // namespace withy
