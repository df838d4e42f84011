// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/interpreter.h"

#include <cmath>
#include <sstream>
#include <stdexcept>

#include <fmt/format.h>

#include "planner/script/script_iso6983.h"
#include "tests/support/run_program.h"

namespace withy_test {
namespace {

constexpr const char* kPython = "/usr/bin/python3";  // the system's: the module is built for it

Move read_move(std::istringstream& words) {
  Move move;
  words >> move.feed;
  for (double& value : move.axes) words >> value;
  return move;
}

double& axis(Move& move, const std::string& letter) {
  return move.axes[kAxisLetters.find(letter)];
}

}  // namespace

Interpreted interpret_nine_axes(const std::filesystem::path& program) {
  const std::string helper = std::string(WITHY_SOURCE_DIR) + "/tests/reference/interpret_program.py";
  const ProgramRun run = run_program(kPython, {helper, program.string()}, program.parent_path());
  if (run.status != 0)
    throw std::runtime_error("no interpretation (is linuxcnc-uspace installed?): " + run.err);
  Interpreted out;
  std::istringstream lines(run.out);
  for (std::string line; std::getline(lines, line);) {
    std::istringstream words(line);
    std::string event;
    words >> event;
    if (event == "feed")
      out.moves.push_back(read_move(words));
    else if (event == "dwell")
      words >> out.dwells.emplace_back();
    else
      throw std::runtime_error("the program makes the machine " + line);
    if (!words) throw std::runtime_error("the interpreter's line is cut short: " + line);
  }
  return out;
}

Interpreted meant_by(const withy::Script& script, const withy::Actuation& actuation) {
  Interpreted meant;
  for (std::size_t i = 0; i < script.waypoints.size(); ++i) {
    const withy::Waypoint& row = script.waypoints[i];
    if (row.dwell_s > 0.0) meant.dwells.push_back(row.dwell_s);
    if (i == 0) continue;
    const withy::Waypoint& before = script.waypoints[i - 1];
    const bool moves = row.insertion_mm != before.insertion_mm || row.pull_mm != before.pull_mm;
    const bool driven = !actuation.coil_axes.empty() && row.current_A != before.current_A;
    if (!moves && !driven) continue;
    Move move;
    move.feed = withy::feed_mm_per_min(actuation, before, row);
    for (std::size_t k = 0; k < actuation.coil_axes.size(); ++k)
      axis(move, actuation.coil_axes[k]) = row.current_A[k];
    axis(move, actuation.advance_axis) = row.insertion_mm;
    for (std::size_t k = 0; k < row.pull_mm.size(); ++k)
      axis(move, actuation.tendon_axes[k]) = row.pull_mm[k];
    meant.moves.push_back(move);
  }
  return meant;
}

std::string disagreement(const Interpreted& seen, const Interpreted& meant, double within) {
  if (seen.moves.size() != meant.moves.size())
    return fmt::format("{} moves seen, {} meant", seen.moves.size(), meant.moves.size());
  const auto differ = [&](double a, double b) { return !(std::abs(a - b) <= within); };
  for (std::size_t i = 0; i < meant.moves.size(); ++i) {
    const Move& a = seen.moves[i];
    const Move& b = meant.moves[i];
    if (differ(a.feed, b.feed)) return fmt::format("move {}: feed {} seen, {} meant", i, a.feed, b.feed);
    for (std::size_t k = 0; k < b.axes.size(); ++k)
      if (differ(a.axes[k], b.axes[k]))
        return fmt::format("move {}: {} at {} seen, {} meant", i, kAxisLetters[k], a.axes[k], b.axes[k]);
  }
  return seen.dwells == meant.dwells ? "" : "the dwells differ";
}

}  // namespace withy_test
