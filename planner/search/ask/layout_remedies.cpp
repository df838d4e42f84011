// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/layout_remedies.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string>
#include <utility>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/search/ask/changed_design.h"
#include "planner/search/ask/remedies.h"

namespace withy {
namespace {

// Stations are moved by these shares of the segment's length, to either side.
constexpr std::array kMoves = {0.02, 0.05, 0.1, 0.15, 0.2, 0.3};
// Clockings are turned by these, either way (degrees).
constexpr std::array kRemedyTurns_deg = {15.0, 30.0, 45.0, 60.0, 90.0, 135.0, 180.0};
// Notches are made finer by these.
constexpr std::array kFiner = {2.0, 3.0, 4.0};
// Of half a pitch, what a hunt and the window may take where notches are made finer.
constexpr double kRoomForHunt = 0.9;

/// What is printed is what is asked about: to four digits.
double as_printed(double value) {
  return std::stod(fmt::format("{:.4g}", value));
}

struct LayoutTrial {
  DesignParts parts;
  std::string words;
};

std::vector<LayoutTrial> moved_stations(const Design& design) {
  std::vector<LayoutTrial> trials;
  for (const double share : kMoves)
    for (int lock = 0; lock < design.lock_count(); ++lock)
      for (const double side : {-1.0, 1.0}) {
        LayoutTrial trial{design.parts(), {}};
        double& station = trial.parts.layout.station_mm[static_cast<std::size_t>(lock)];
        const double before = station;
        station = std::round(before + side * share * design.length_mm());
        if (station == before) continue;
        trial.words = fmt::format("lock {} at {:g} mm instead of {:.4g}", lock + 1, station, before);
        trials.push_back(std::move(trial));
      }
  return trials;
}

std::vector<LayoutTrial> turned_clockings(const SearchProblem& problem) {
  std::vector<LayoutTrial> trials;
  const Design& design = problem.design;
  if (!problem.heeded.field || !design.field()) return trials;
  // One magnet alone in a uniform field doesn't care how it is turned.
  if (design.lock_count() < 2 && design.field()->coils.empty()) return trials;
  for (const double turn : kRemedyTurns_deg)
    for (int lock = 0; lock < design.lock_count(); ++lock)
      for (const double side : {-1.0, 1.0}) {
        LayoutTrial trial{design.parts(), {}};
        double& clock = trial.parts.layout.clock_rad[static_cast<std::size_t>(lock)];
        const double before = degrees_to_write(clock);
        const double after = as_printed(std::remainder(before + side * turn, 360.0));
        clock = after / kDegreesPerRadian;
        trial.words =
            fmt::format("lock {} clocked at {:.4g} degrees instead of {:.4g}", lock + 1, after, before);
        trials.push_back(std::move(trial));
      }
  return trials;
}

std::vector<LayoutTrial> finer_notches(const Design& design) {
  std::vector<LayoutTrial> trials;
  if (!design.latch() || design.latch()->notch_pitch_mm <= 0.0 || design.lock_count() == 0) return trials;
  for (const double times : kFiner) {
    LayoutTrial trial{design.parts(), {}};
    LatchHardware& latch = *trial.parts.latch;
    latch.notch_pitch_mm = as_printed(latch.notch_pitch_mm / times);
    const double room = kRoomForHunt * 0.5 * latch.notch_pitch_mm;
    latch.engage_window_mm = std::min(latch.engage_window_mm, as_printed(0.5 * room));
    latch.hunt_mm = std::min(latch.hunt_mm, as_printed(room - latch.engage_window_mm));
    trial.words = fmt::format("notches {:.4g} mm apart instead of {:.4g}", latch.notch_pitch_mm,
                              design.latch()->notch_pitch_mm);
    if (latch.engage_window_mm != design.latch()->engage_window_mm ||
        latch.hunt_mm != design.latch()->hunt_mm)
      trial.words += fmt::format(", their window {:.4g} mm and their hunt {:.4g} mm", latch.engage_window_mm,
                                 latch.hunt_mm);
    trials.push_back(std::move(trial));
  }
  return trials;
}

std::vector<LayoutTrial> other_carriage(const Design& design) {
  LayoutTrial trial{design.parts(), {}};
  const bool guide = design.carriage().kind == CarriageKind::guide;
  trial.parts.carriage.kind = guide ? CarriageKind::free : CarriageKind::guide;
  trial.words = guide ? "a free carriage instead of the guide" : "a guide instead of the free carriage";
  return {std::move(trial)};
}

}  // namespace

LayoutRemedies::LayoutRemedies(const SearchProblem& problem, PlansAhead& plans) : plans_(plans) {
  for (auto& kind : {moved_stations(problem.design), turned_clockings(problem), finer_notches(problem.design),
                     other_carriage(problem.design)}) {
    const std::size_t group = plans.add_group();
    kinds_.emplace_back();
    for (const auto& [parts, words] : kind) {
      const std::size_t question = plans.add(group, shares::kLayoutRemedyWork, [&problem, parts = parts] {
        return with_design(problem, parts);
      });
      kinds_.back().push_back({question, words});
    }
  }
}

std::vector<std::string> LayoutRemedies::find(const Effort& effort, std::int64_t& work_done) const {
  std::vector<std::string> found;
  std::int64_t work = 0;
  const auto would_do = [&](const Trial& trial) {
    if (effort.spent(work)) return false;
    const std::int64_t share = std::min(plans_.share(trial.question), effort.work() - work);
    return plans_.has_plan(trial.question, effort.renewed(share), work);
  };
  for (const auto& kind : kinds_) {
    const auto trial = std::find_if(kind.begin(), kind.end(), would_do);
    if (trial != kind.end()) found.push_back(trial->words);
  }
  work_done += work;
  return found;
}

FewerLocks::FewerLocks(const SearchProblem& problem, const WithLocks& with_locks, PlansAhead& plans)
    : plans_(plans), given_(problem.design.lock_count()) {
  if (!with_locks) return;
  const std::size_t group = plans.add_group();
  for (int locks = given_ - 1; locks >= 0; --locks)
    questions_.push_back(
        plans.add(group, shares::kRemedyWork, [&with_locks, locks] { return with_locks(locks); }));
}

std::optional<std::string> FewerLocks::find(const Effort& effort, std::int64_t& work_done) const {
  std::int64_t work = 0;
  std::optional<std::string> found;
  for (std::size_t i = 0; i < questions_.size() && !found && !effort.spent(work); ++i) {
    const std::int64_t share = std::min(plans_.share(questions_[i]), effort.work() - work);
    const int locks = given_ - 1 - static_cast<int>(i);
    if (plans_.has_plan(questions_[i], effort.renewed(share), work))
      found = fmt::format("{} {} instead of {}", locks, locks == 1 ? "lock" : "locks", given_);
  }
  work_done += work;
  return found;
}

std::vector<std::string> find_layout_remedies(const SearchProblem& problem, const Effort& effort,
                                              std::int64_t& work_done) {
  PlansAhead plans;
  const LayoutRemedies remedies(problem, plans);
  plans.ask(effort);
  return remedies.find(effort, work_done);
}

std::optional<std::string> find_fewer_locks(const SearchProblem& problem, const Effort& effort,
                                            const WithLocks& with_locks, std::int64_t& work_done) {
  PlansAhead plans;
  const FewerLocks fewer(problem, with_locks, plans);
  plans.ask(effort);
  return fewer.find(effort, work_done);
}

}  // namespace withy
