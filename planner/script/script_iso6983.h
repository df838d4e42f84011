// SPDX-License-Identifier: GPL-3.0-or-later
// An action script as an ISO 6983 program (one file, ending .ngc), out and back in.
//
// The subset, as T. R. Kramer, F. M. Proctor and E. Messina, "The NIST RS274NGC Interpreter - Version 3",
// NISTIR 6556, 2000, describes it: G21 (mm), G90 (absolute), G94 (F in units per minute), G1 with every axis
// the unit has, G4 P in seconds, M0, M2, per cent signs around the program, comments in parentheses, which
// never nest. Numbers carry no exponent.
//
// Feed. The unit's slowest axis sets the pace: a move takes T = max(|dz| / advance rate, max_k |dpull_k| /
// tendon rate), and all axes arrive together. F is what makes an interpreter take T: the length of the path
// it sees over T. It sees the axes X Y Z alone where one of them moves, else U V W, else A B C (NISTIR 6556,
// section 2.1.2.5, for A B C beside X Y Z; that U V W come between is common practice of nine-axis
// controllers, no source). A B C are rotary to an interpreter: their words are mm of pull here, and their
// feed is in the same number of "degrees".
//
// What G-codes have no words for stands in comments that a reader understands, a keyword first:
//   (SCENE SHA256 h)  (MESH SHA256 h)  (LOCKS n)  (COILS n)
//   (PULLS COMPENSATED)
//       in the head, where the pulls are not the ideal segment's
//   (ACTION name - note)
//       the moves that follow belong to it
//   (SWITCH LOCK i ENGAGE|RELEASE FIELD_MT x y z CURRENT_A a b c)
//       the field holds for the dwell that follows
//   (HUNT LOCK i FIELD_MT x y z CURRENT_A a b c)
//       the field holds for the dwell and all moves that follow, up to FIELD OFF
//   (FIELD OFF)
// Where the scene letters the coils' axes, CURRENT_A and its numbers are left out and the currents are
// commands: a G1 of the coils' letters alone after (HUNT ..), (SWITCH ..) and (FIELD OFF) where they change,
// in A, over the field's settling time; the feed counts A as mm. There is no stop then.
// The program starts with every axis at zero: segment straight, its tip at the entry plane.
#pragma once

#include <string>
#include <string_view>

#include "planner/script/script.h"

namespace withy {

/// The comment that marks a compensated script.
inline constexpr std::string_view kPullsCompensated = "PULLS COMPENSATED";

struct ProgramOptions {
  bool stops =
      true;  ///< an M0 before each switch and each hunt, for an operator who sets the coil currents by hand
};

/// Precondition: scene.actuation is there. ASCII, lines end with LF.
std::string write_iso6983(const Script& script, const Scene& scene, ProgramOptions options = {});

/// Reads a program of the subset above; `file` is named in errors. A move may leave axis words out (they
/// stay) and lean on an earlier G1. Errors: any other word or code, a number that is none, a keyword comment
/// that is malformed, a move before G21 G90 G94, a lock or an axis that is not there, text outside the per
/// cent signs.
Result<Script> read_iso6983(std::string_view text, const std::string& file, const Actuation& actuation);

/// Feed in mm/min for one move, as the header explains. Precondition: some axis moves.
double feed_mm_per_min(const Actuation& actuation, const Waypoint& from, const Waypoint& to);

}  // namespace withy
