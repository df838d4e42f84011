// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script_iso6983.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

#include <fmt/format.h>

#include "planner/files/cautions.h"
#include "planner/script/script_numbers.h"

namespace withy {
namespace {

/// Text that may stand in a comment: printable ASCII without parentheses.
std::string for_comment(std::string_view text) {
  std::string out;
  for (const char c : text) {
    if (c == '(')
      out += '[';
    else if (c == ')')
      out += ']';
    else if (static_cast<unsigned char>(c) >= 0x80)
      out += (static_cast<unsigned char>(c) & 0x40) != 0 ? "?"
                                                         : "";  // one mark for each character, not each byte
    else
      out += c < 0x20 || c == 0x7f ? ' ' : c;
  }
  return out;
}

std::string comment(std::string_view text) {
  return fmt::format("({})\n", for_comment(text));
}

std::string upper(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; });
  return text;
}

/// Axis letters in the order of a way-point's numbers: insertion, then pulls.
std::vector<std::string> axis_letters(const Actuation& actuation) {
  std::vector<std::string> letters = {actuation.advance_axis};
  letters.insert(letters.end(), actuation.tendon_axes.begin(), actuation.tendon_axes.end());
  return letters;
}

std::vector<double> axis_values(const Waypoint& w) {
  std::vector<double> values = {w.insertion_mm};
  values.insert(values.end(), w.pull_mm.begin(), w.pull_mm.end());
  return values;
}

bool same_axes(const Waypoint& a, const Waypoint& b) {
  return a.insertion_mm == b.insertion_mm && a.pull_mm == b.pull_mm;
}

/// The lock that differs between two sets; -1 when none does.
int switched_lock(const LockSet& before, const LockSet& after) {
  const LockSet changed = before ^ after;
  for (int i = 0; i < kMaxLocks; ++i)
    if (changed.test(static_cast<std::size_t>(i))) return i;
  return -1;
}

std::string limits_of(const Scene& scene) {
  const DesignParts& parts = scene.parts;
  std::string out = comment(fmt::format(
      "Limits: insertion 0 to {} mm, curvature {} per mm, clearance kept {} mm",
      parts.carriage.insertion_max_mm, parts.segment.curvature_max_per_mm, scene.required_clearance_mm));
  if (parts.tendons)
    out +=
        comment(fmt::format("Limits: pull {} mm either way, tension {} to {} N", parts.tendons->stroke_max_mm,
                            parts.tendons->tension_min_N, parts.tendons->tension_max_N));
  if (parts.lock) out += comment(fmt::format("Limits: lock holds {} N mm", parts.lock->hold_moment_Nmm));
  if (parts.field) out += comment(fmt::format("Limits: field {} mT", parts.field->strength_max_mT));
  return out;
}

/// Where the axes stand before the first move.
std::string start_of(const Script& script, const Actuation& actuation) {
  const Waypoint& first = script.waypoints.front();
  const auto values = axis_values(first);
  if (first.engaged.none() && std::all_of(values.begin(), values.end(), [](double v) { return v == 0.0; }))
    return comment(
        "Start with every axis at zero: segment straight, tip at the entry plane, all locks released");
  const auto letters = axis_letters(actuation);
  std::string where;
  for (std::size_t k = 0; k < letters.size(); ++k)
    where += fmt::format(" {}{}", letters[k], script_number(values[k]));
  for (int lock = 0; lock < script.locks; ++lock)
    if (first.engaged.test(static_cast<std::size_t>(lock))) where += fmt::format(" LOCK{}", lock + 1);
  return comment("START AT" + where) + comment("Start with the axes there: the segment bent as it was left") +
         (script.coils > 0 ? comment("Start with every coil without current") : std::string());
}

std::string header_of(const Script& script, const Scene& scene, const ProgramOptions& options) {
  const Actuation& actuation = *scene.actuation;
  std::string out = "%\n";
  out += comment(fmt::format("Scene: {}", scene.title));
  out += comment(fmt::format("SCENE SHA256 {}", script.scene_sha256));
  out += comment(fmt::format("MESH SHA256 {}", script.mesh_sha256));
  out += comment(fmt::format("LOCKS {}", script.locks));
  out += comment(fmt::format("COILS {}", script.coils));
  if (script.compensated) out += comment(kPullsCompensated);
  out += comment(fmt::format("Axes: {} insertion, {} pull of tendon 1 to {}, all in mm",
                             actuation.advance_axis, fmt::join(actuation.tendon_axes, " "), script.tendons));
  if (!actuation.coil_axes.empty())
    out += comment(fmt::format("Axes: {} current of coil 1 to {}, in A", fmt::join(actuation.coil_axes, " "),
                               script.coils));
  out += limits_of(scene);
  for (const std::string_view caution : kCautions) out += comment(fmt::format("Caution: {}", caution));
  out += start_of(script, actuation);
  out += comment("Dwells are in seconds");
  if (!options.stops && actuation.coil_axes.empty())
    out += comment("No stops: the unit must drive the coils from the SWITCH, HUNT and FIELD comments");
  return out + "G21 G90 G94\n";
}

std::string action_line(const Waypoint& w) {
  return comment(fmt::format("ACTION {}{}{}", upper(w.action), w.note.empty() ? "" : " - ", w.note));
}

/// The field of a way-point, where the scene describes the coils, and their currents where an operator sets
/// them.
std::string field_words(const Actuation& actuation, const Waypoint& w) {
  if (w.current_A.empty()) return {};
  std::string words = " FIELD_MT";
  for (int k = 0; k < 3; ++k) words += fmt::format(" {}", script_number(w.field_S(k)));
  if (!actuation.coil_axes.empty()) return words;
  words += " CURRENT_A";
  for (const double current : w.current_A) words += fmt::format(" {}", script_number(current));
  return words;
}

std::string words_line(const std::vector<std::string>& letters, const std::vector<double>& values,
                       double feed) {
  std::string line = "G1";
  for (std::size_t k = 0; k < letters.size(); ++k)
    line += fmt::format(" {}{}", letters[k], script_number(values[k]));
  return fmt::format("{} F{}\n", line, script_number(feed));
}

std::string move_line(const Actuation& actuation, const Waypoint& before, const Waypoint& w) {
  return words_line(axis_letters(actuation), axis_values(w), feed_mm_per_min(actuation, before, w));
}

/// The coils' currents as a command, where the unit drives them and they change.
std::string current_line(const Actuation& actuation, const Waypoint& before, const Waypoint& w) {
  if (actuation.coil_axes.empty() || before.current_A == w.current_A) return {};
  Waypoint here = before;
  here.current_A = w.current_A;
  return words_line(actuation.coil_axes, w.current_A, feed_mm_per_min(actuation, before, here));
}

/// The stop of a hunt stands before its moves, so that the coils are on while the axes sweep.
std::string hunt_lines(const Actuation& actuation, const Waypoint& w, const Waypoint& before, int lock,
                       const ProgramOptions& options) {
  std::string out = comment(fmt::format("HUNT LOCK {}{}", lock + 1, field_words(actuation, w)));
  if (!actuation.coil_axes.empty()) return out + current_line(actuation, before, w);
  if (!options.stops) return out;
  out += comment(w.current_A.empty()
                     ? "At this stop: put the lock's field on and leave it on, then resume"
                     : "At this stop: bring the coils to these currents and leave them on, then resume");
  return out + comment("The tip swings about where it is until the sweep is over") + "M0\n";
}

std::string switch_lines(const Actuation& actuation, const Waypoint& w, const Waypoint& before,
                         const ProgramOptions& options) {
  const int lock = switched_lock(before.engaged, w.engaged);
  const bool engage = w.engaged.test(static_cast<std::size_t>(lock));
  const bool field_known = !w.current_A.empty();
  std::string out = comment(
      fmt::format("SWITCH LOCK {} {}{}", lock + 1, engage ? "ENGAGE" : "RELEASE", field_words(actuation, w)));
  if (!actuation.coil_axes.empty()) return out + current_line(actuation, before, w);
  if (!options.stops) return out;
  if (before.action == kHuntAction) {
    out += comment(
        fmt::format("At this stop: the sweep is over. If lock {} has not engaged, go no further", lock + 1));
    return out +
           comment(field_known ? "Bring the currents back to zero, then resume"
                               : "Take the field off, then resume") +
           "M0\n";
  }
  out += comment(fmt::format("At this stop: {}, wait until lock {} has {},",
                             field_known ? "bring the coils to these currents" : "put the lock's field on",
                             lock + 1, engage ? "engaged" : "released"));
  return out +
         comment(field_known ? "bring the currents back to zero, then resume"
                             : "take the field off, then resume") +
         "M0\n";
}

/// The lock that the next switch from way-point `i` on switches; -1 where none follows.
int next_switched_lock(const Script& script, std::size_t i) {
  for (; i < script.waypoints.size(); ++i)
    if (const int lock = switched_lock(script.waypoints[i - 1].engaged, script.waypoints[i].engaged);
        lock >= 0)
      return lock;
  return -1;
}

/// The lines of way-point `i`, from the one before it on.
std::string waypoint_lines(const Actuation& actuation, const Script& script, std::size_t i,
                           const ProgramOptions& options) {
  const Waypoint& before = script.waypoints[i - 1];
  const Waypoint& w = script.waypoints[i];
  std::string out;
  if (w.action != before.action || !w.note.empty()) out += action_line(w);
  if (!same_axes(before, w)) out += move_line(actuation, before, w);
  if (w.action == kHuntAction && before.action != kHuntAction) {
    out += hunt_lines(actuation, w, before, next_switched_lock(script, i), options);
    return w.dwell_s > 0.0 ? out + fmt::format("G4 P{}\n", script_number(w.dwell_s)) : out;
  }
  if (w.engaged != before.engaged)
    out += switch_lines(actuation, w, before, options);
  else if (same_axes(before, w))
    out += comment("FIELD OFF") + current_line(actuation, before, w);
  if (w.dwell_s > 0.0) out += fmt::format("G4 P{}\n", script_number(w.dwell_s));
  return out;
}

}  // namespace

double feed_mm_per_min(const Actuation& actuation, const Waypoint& from, const Waypoint& to) {
  auto letters = axis_letters(actuation);
  auto a = axis_values(from);
  auto b = axis_values(to);
  if (!actuation.coil_axes.empty()) {
    letters.insert(letters.end(), actuation.coil_axes.begin(), actuation.coil_axes.end());
    a.insert(a.end(), from.current_A.begin(), from.current_A.end());
    b.insert(b.end(), to.current_A.begin(), to.current_A.end());
  }
  // The groups in the order in which they set the path: the first that moves counts.
  constexpr std::string_view kGroups[] = {"XYZ", "UVW", "ABC"};
  double path = 0.0;
  for (const std::string_view group : kGroups) {
    double square = 0.0;
    for (std::size_t k = 0; k < letters.size(); ++k)
      if (group.find(letters[k]) != group.npos) square += (b[k] - a[k]) * (b[k] - a[k]);
    if (path == 0.0) path = std::sqrt(square);
  }
  const double time_s = travel_time_s(actuation, from, to);
  assert(path > 0.0 && time_s > 0.0);
  constexpr double kSecondsPerMinute = 60.0;
  // Rounded down, so that printing never makes an axis faster than its rate; but a feed of 0 would stop the
  // program.
  const double feed = std::floor(path / time_s * kSecondsPerMinute / kScriptStep) * kScriptStep;
  return on_script_step(std::max(feed, kScriptStep));
}

std::string write_iso6983(const Script& script, const Scene& scene, ProgramOptions options) {
  assert(scene.actuation && !script.waypoints.empty());
  std::string out = header_of(script, scene, options);
  for (std::size_t i = 1; i < script.waypoints.size(); ++i)
    out += waypoint_lines(*scene.actuation, script, i, options);
  return out + "M2\n%\n";
}

}  // namespace withy
