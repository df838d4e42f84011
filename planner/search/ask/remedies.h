// SPDX-License-Identifier: GPL-3.0-or-later
// What would have to change for a target that was proved unreachable, as values that a plan was made with.
//
// Sizes. Each change is tried alone at first, by a factor of two:
//   insertion d -> 2 d;  required clearance c -> c / 2;  tolerance t -> 2 t;  least bend radius r -> r / 2;
//   section -> section / 2: the body, its locks, tendons, backbones and notches, all alike, and the flexural
//   rigidity by the fourth power (wires as much thinner);
//   a segment longer by a quarter, its locks at the same shares of it;  one more lock.
// Where none of them reaches, those that ease the question whatever it is (the first five) are made at once,
// then with one more lock, a longer segment or a larger channel beside them, the target in it. Where that
// reaches, changes are taken back one by one while it still does, those that a designer likes least first:
// none of what is left can be left out. Then other pairs of them are asked, and so on up to as many changes,
// for what is smaller; the three smallest are told, smallest first. (Not with a larger channel, whose
// distances take long.)
//
// A combination is as large as its largest factor, for that is what is farthest from the design as it is (one
// more lock counts as a factor of four); of two as large in that the one with the smaller product of all
// factors is the smaller. So all factors of a combination are made small by one power, which gives the least
// largest factor to 2 per cent; then each alone is halved while that does, those that a designer likes least
// first. A value is rounded to three digits, to the side that eases, and the last question is asked with the
// rounded values: what is printed has a plan (make_plan)
// behind it. That none was found proves nothing: a question that is too hard for its share counts as not
// reached.
//
// Layout. With the sizes as they are: one station moved, one clocking turned, finer notches, the other
// carriage, fewer locks, each alone, least change first.
#pragma once

#include <cstddef>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/ask/reasons.h"
#include "planner/search/problem.h"

namespace withy {

enum class SizeChange {
  insertion,
  clearance,
  tolerance,
  length,
  section,
  bend_radius,
  one_more_lock,
  channel
};

/// A change that would do, alone or with those listed beside it.
struct ChangedSize {
  SizeChange what = SizeChange::insertion;
  double factor = 1.0;  ///< from 1 to 2; one_more_lock: 1
  double from = 0.0;    ///< mm; lock count; channel: 1
  double to = 0.0;
  /// tolerance: of which place to pass (its index); nothing: of the target.
  std::optional<std::size_t> place = std::nullopt;
};

/// Is a change of some sizes smaller than another, by the measure above?
bool smaller_change(const std::vector<ChangedSize>& a, const std::vector<ChangedSize>& b);

struct Remedies {
  /// Alternatives, the smallest change first; what stands in one of them does together.
  std::vector<std::vector<ChangedSize>> sizes;
  bool sizes_tried = false;         ///< all of them were asked, to an answer
  bool cut_by_clock = false;        ///< not all were, for the clock had ended
  bool by_places = false;           ///< the question has places to pass
  std::vector<std::string> layout;  ///< each alone does, as half a sentence: "lock 1 at 54 mm instead of 50"

  /// All of it, as sentences without a full stop.
  std::vector<std::string> sentences() const;

  /// Does a change of this size alone do?
  bool has_alone(SizeChange what) const;
};

/// The channel and the target in it larger by a factor; nothing where there is no such question.
using WithChannel = std::function<std::optional<SearchProblem>(const SearchProblem& problem, double factor)>;

/// Precondition: the question was proved unreachable, at `place` (via_routes.h). What is found reaches the
/// target by way of all places to pass; the tolerance that is changed is that of `place`. All looks together
/// take the effort's work at most.
Remedies find_remedies(const SearchProblem& problem, std::size_t place, const Effort& effort,
                       const WithLocks& with_locks, const WithChannel& with_channel);

/// Does the question have a plan, by the complete search with the effort's work? `work_done` grows by what
/// that took.
bool has_plan(const SearchProblem& problem, const Effort& effort, std::int64_t& work_done);

/// The question with some sizes changed; nothing where that makes no sound design.
std::optional<SearchProblem> with_sizes(const SearchProblem& problem, const std::vector<ChangedSize>& sizes,
                                        const WithLocks& with_locks, const WithChannel& with_channel);

/// A size after a change by the factor, rounded to three digits to the side that eases. The tolerance is that
/// of a place to pass where one is given.
ChangedSize changed_size(const SearchProblem& problem, SizeChange what, double factor,
                         std::optional<std::size_t> place = std::nullopt);

}  // namespace withy
