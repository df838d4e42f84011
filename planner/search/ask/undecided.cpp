// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/undecided.h"

#include <fmt/format.h>

#include "planner/segment/tendons.h"

namespace withy {

namespace {

// More leaves than this are many: a notch pitch of half a millimetre makes hundreds.
constexpr int kManyLeaves = 5000;

/// Tendons in one plane across both axes of the section: a case the search can neither prove nor plan.
bool in_a_slanted_plane(const SearchProblem& problem) {
  if (!problem.heeded.tendons || !problem.design.tendons()) return false;
  const bool planar = TendonStatics(*problem.design.tendons()).plane().has_value();
  return planar && BendChart(problem.design, true).pinned() < 0;
}

/// What ended a search that found neither a plan nor a proof, as the start of a sentence.
std::string what_ended(const Effort& effort) {
  switch (effort.end()) {
    case Effort::End::clock:
      return fmt::format("after {:g} s", effort.seconds().value_or(0.0));
    case Effort::End::interrupted:
    case Effort::End::stop:
      return "stopped early:";
    case Effort::End::work:
    case Effort::End::nothing:
      break;
  }
  if (effort.work() < Effort::kAnyWork) return "within the work allowed";
  return "down to the finest cells";
}

/// How far it got, from what is known of the cells.
std::string progress_words(const Coverage& coverage) {
  if (coverage.cells_excluded == 0 && coverage.cells_reached == 0)
    return fmt::format(
        "{} cells were looked at, all of them to find those in which the tip may be at the target; whether "
        "the "
        "body fits in these was not asked yet",
        coverage.cells_examined);
  return fmt::format(
      "of the cells that were looked at {} are proved to be no way and {} are still open, the finest {:.3f} "
      "mm",
      coverage.cells_excluded, coverage.cells_left, coverage.finest_cell_mm);
}

}  // namespace

std::string undecided_sentence(const SearchProblem& problem, const Effort& effort, const Coverage& coverage,
                               const std::optional<Approach>& approach) {
  std::string why =
      fmt::format("{} neither a plan nor a proof: {}", what_ended(effort), progress_words(coverage));
  if (approach)
    why += fmt::format("; the nearest approach tried leaves {:.2f} mm to {}, and then {}",
                       approach->distance_mm, approach->from, approach->blocked_by);
  if (in_a_slanted_plane(problem))
    why +=
        "; the tendons bend the segment in one plane, which the search can follow only along the section's x "
        "or y: turn entry.x_axis (and with it all angles of the section) so that it is";
  return why;
}

std::vector<std::string> what_would_decide(const SearchProblem& problem, const Effort& effort,
                                           const RouteSearch& search, double seconds) {
  std::vector<std::string> ways;
  const Effort::End end = effort.end(search.work());
  if (end == Effort::End::clock)
    ways.push_back(fmt::format("more time: {} cells were looked at in {:.1f} s, and --budget gives more",
                               search.checks(), seconds));
  if (end == Effort::End::work) ways.emplace_back("more work");
  if (end == Effort::End::nothing)
    ways.emplace_back(
        "a required clearance or a tolerance that differs by a hundredth of a millimetre: what is open is "
        "too "
        "fine to cut, as where the body just touches a limit");
  const Design& design = problem.design;
  if (design.lock_count() == 0 || !design.latch()) return ways;
  const int leaves = search.cells().leaf_count();
  if (search.cells().chart().coordinates() > 0)
    ways.emplace_back(
        "notches that hold a bend both ways instead of any bend: each held bend that is continuous makes "
        "every cell "
        "larger by its dimensions");
  else if (leaves > kManyLeaves)
    ways.push_back(fmt::format("a coarser notch pitch than {:.4g} mm: {} sets of notches were met",
                               design.latch()->notch_pitch_mm, leaves));
  return ways;
}

}  // namespace withy
