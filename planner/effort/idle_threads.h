// SPDX-License-Identifier: GPL-3.0-or-later
// Work done ahead of its turn by threads that have nothing else to do.
//
// One thread works in order. What it will need later, and what depends on nothing that it finds before, other
// threads may work out ahead; it then takes what is there, waits for what is being worked out, and does the
// rest itself. So an answer, and the work it is said to take, are the same on any number of threads: a thread
// that helps only changes when a value is known. What is worked out ahead and not needed in the end is
// wasted; whoever can tell ends it by an Effort (Effort::until_stop).
#pragma once

#include <atomic>
#include <cstddef>
#include <functional>
#include <optional>
#include <utility>

#include <oneapi/tbb/collaborative_call_once.h>
#include <oneapi/tbb/task_arena.h>
#include <oneapi/tbb/task_group.h>

namespace withy {

/// Are there threads beside the caller's?
inline bool has_other_threads() {
  return tbb::this_task_arena::max_concurrency() > 1;
}

/// Does `run()`; meanwhile every idle thread does `help()`, once. Both return before this does. A wait within
/// `run` takes up no other work.
template <class Help, class Run>
void with_idle_threads(const Help& help, const Run& run) {
  tbb::this_task_arena::isolate([&] {
    tbb::task_group helpers;
    for (int thread = 1; thread < tbb::this_task_arena::max_concurrency(); ++thread)
      helpers.run([&help] { help(); });
    run();
    helpers.wait();
  });
}

/// The first of `count` questions, in order, that is answered with yes; `count` where none is. `ask(i,
/// ended)` answers question i; `ended()` says once an earlier one was answered with yes, after which no one
/// heeds what it says. Idle threads ask ahead. Where one gets a yes, and earlier questions are still being
/// asked, it calls `go_on(i, ended)`, for what comes next if none of these is answered with yes.
template <class Ask, class GoOn>
std::size_t first_yes(std::size_t count, const Ask& ask, const GoOn& go_on) {
  std::atomic<std::size_t> next{0};
  std::atomic<std::size_t> first{count};
  std::atomic<std::size_t> answered{0};
  const auto take_turns = [&] {
    for (std::size_t i = next++; i < first; i = next++) {
      const auto ended = [&first, i] { return first < i; };
      const bool yes = ask(i, ended);
      const std::size_t others = answered++;
      if (!yes) continue;
      std::size_t known = first;
      while (i < known && !first.compare_exchange_weak(known, i)) {
      }
      if (others < i && !ended()) go_on(i, ended);
    }
  };
  with_idle_threads(take_turns, take_turns);
  return first;
}

template <class Ask>
std::size_t first_yes(std::size_t count, const Ask& ask) {
  return first_yes(count, ask, [](std::size_t, const auto&) {});
}

/// A value that is worked out once, by whichever thread asks for it first.
template <class Value>
class Ahead {
 public:
  explicit Ahead(std::function<Value()> work_out) : work_out_(std::move(work_out)) {}

  /// Waits where another thread is at it.
  const Value& get() {
    tbb::collaborative_call_once(once_, [this] { value_.emplace(work_out_()); });
    return *value_;
  }

 private:
  std::function<Value()> work_out_;
  tbb::collaborative_once_flag once_;
  std::optional<Value> value_;
};

}  // namespace withy
