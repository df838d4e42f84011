// SPDX-License-Identifier: GPL-3.0-or-later
// Why the target can't be reached, in terms a designer can act on.
//
// One limit is relaxed at a time and the search run again: where it then finds a route, that limit is
// what stands in between. The route says by how much. What is relaxed is relaxed wholly or by a stated
// amount, so "would be reached" is as proved as any plan; where no single relaxation helps within the work
// allowed, that is said.
#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "planner/effort/effort.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"

namespace withy {

enum class Relaxation {
  field,      ///< any lock switches anywhere
  tendons,    ///< no stroke, tension or lock load limit
  latch,      ///< locks hold any bend
  curvature,  ///< twice the curvature limit
  insertion,  ///< half as much insertion again
  clearance,  ///< the body may touch the wall
  thickness,  ///< the body is a wire
  one_more_lock,
  walls  ///< no walls at all
};

struct Reason {
  Relaxation relaxed = Relaxation::walls;
  std::string sentence;
  /// The same without the value that would do, for where a better one is known; empty where it has none.
  std::string without_value = {};
  /// How far the route that was found with the limit relaxed can be gone with it; nothing where it is no
  /// route for this segment (one_more_lock).
  std::optional<Approach> approach = std::nullopt;
};

/// The same question with another number of locks; nothing where the scene can't have it.
using WithLocks = std::function<std::optional<SearchProblem>(int locks)>;

/// The first relaxation that lets the target be reached by way of all places to pass, in the order of the
/// enum; nothing when none is found to. `place` is where the question was decided (via_routes.h): what the
/// approach is near to. All searches together take the effort's work at most, each shares::kReasonWork.
std::optional<Reason> find_reason(const SearchProblem& problem, std::size_t place, const Effort& effort,
                                  const WithLocks& with_locks);

class RelaxedQuestions;

/// The same, for whoever has threads of its own to help.
class ReasonLook {
 public:
  /// Problem and `with_locks` must outlive it.
  ReasonLook(const SearchProblem& problem, std::size_t place, Effort effort, const WithLocks& with_locks);
  ~ReasonLook();
  ReasonLook(const ReasonLook&) = delete;
  ReasonLook& operator=(const ReasonLook&) = delete;

  /// Asks ahead of run() what it will ask, from another thread, until all is asked or being asked. The reason
  /// is the same with and without.
  void help();
  /// Once.
  std::optional<Reason> run();

 private:
  const SearchProblem& problem_;
  const std::size_t place_;
  const Effort effort_;
  const std::unique_ptr<RelaxedQuestions> questions_;
};

}  // namespace withy
