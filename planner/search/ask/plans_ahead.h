// SPDX-License-Identifier: GPL-3.0-or-later
// Questions whether there is a plan, asked in order by one thread and ahead of their turn by all that are
// idle.
//
// Each question belongs to a group, of which no question is wanted after the first that has a plan. What a
// question asked ahead is given is its full share: where there turns out to be less work left for it in its
// turn, it is asked again with that. So answers and work are those of one thread that asks in order.
#pragma once

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <optional>
#include <utility>

#include "planner/effort/effort.h"
#include "planner/effort/idle_threads.h"
#include "planner/search/ask/remedies.h"
#include "planner/search/problem.h"

namespace withy {

class PlansAhead {
 public:
  /// The question; nothing where there is none. Asked from any thread.
  using Question = std::function<std::optional<SearchProblem>()>;

  /// A group for questions that are added together.
  std::size_t add_group() {
    first_found_.emplace_back(kNone);
    return first_found_.size() - 1;
  }

  /// A question that may take so much work: its number. All are added before any is asked.
  std::size_t add(std::size_t group, std::int64_t share, Question question) {
    asked_.push_back({group, share, std::move(question), std::nullopt, 0});
    return asked_.size() - 1;
  }

  /// Asks ahead with every idle thread, within about the effort's work; nothing where there is no such
  /// thread.
  void ask(const Effort& effort) {
    if (!has_other_threads()) return;
    const auto take_turns = [&] {
      for (std::size_t i = next_++; i < asked_.size(); i = next_++) {
        if (effort.spent(done_)) return;
        if (first_found_[asked_[i].group] > i) ask(i, effort);
      }
    };
    with_idle_threads(take_turns, take_turns);
  }

  /// Has the question a plan, with the effort's work? `work_done` grows by what that takes.
  bool has_plan(std::size_t number, const Effort& effort, std::int64_t& work_done) const {
    const Asked& asked = asked_[number];
    if (asked.has_plan && asked.share == effort.work()) {
      work_done += asked.work;
      return *asked.has_plan;
    }
    const auto problem = asked.question();
    return problem && withy::has_plan(*problem, effort, work_done);
  }

  std::int64_t share(std::size_t number) const { return asked_[number].share; }
  std::size_t size() const { return asked_.size(); }  ///< questions

 private:
  static constexpr std::size_t kNone = static_cast<std::size_t>(-1);

  struct Asked {
    std::size_t group;
    std::int64_t share;
    Question question;
    std::optional<bool> has_plan;  // where it was asked to its end
    std::int64_t work;
  };

  void ask(std::size_t i, const Effort& effort) {
    Asked& asked = asked_[i];
    std::atomic<std::size_t>& first_found = first_found_[asked.group];
    const Effort until_found = effort.renewed(asked.share).until_stop([&] { return first_found < i; });
    const auto problem = asked.question();
    std::int64_t work = 0;
    const bool has_plan = problem && withy::has_plan(*problem, until_found, work);
    done_ += work;
    if (until_found.cut_short()) return;
    asked.has_plan = has_plan;
    asked.work = work;
    std::size_t first = first_found;
    while (has_plan && i < first && !first_found.compare_exchange_weak(first, i)) {
    }
  }

  std::deque<Asked> asked_;
  std::deque<std::atomic<std::size_t>> first_found_;  // of each group; kNone: none
  std::atomic<std::size_t> next_{0};
  std::atomic<std::int64_t> done_{0};
};

}  // namespace withy
