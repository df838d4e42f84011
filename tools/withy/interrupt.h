// SPDX-License-Identifier: GPL-3.0-or-later
// What SIGINT and SIGTERM do: the program leaves at once with status 130, and never while it is putting files
// in their place.
//
// Most of what a command computes is worth nothing half-done: outside a WritingFiles scope the process ends
// inside the signal handler; inside one, at the scope's end. A command whose finished rows are worth keeping
// says so with one of the two scopes below. A second SIGINT ends the process at once whatever holds.
#pragma once

#include <functional>
#include <memory>

namespace withy {

/// Installs the handler. Call it once, first thing in main().
void stop_on_interrupt();

/// Hold one of these around every commit of files (FileBatch::commit).
class WritingFiles {
 public:
  WritingFiles();
  ~WritingFiles();
  WritingFiles(const WritingFiles&) = delete;
  WritingFiles& operator=(const WritingFiles&) = delete;
};

/// While one of these lives SIGINT only makes requested() true: for work that asks for it often, and then
/// ends with what it has, as a rule within a second. Work that has not ended kPatience_s later, on a machine
/// that is very busy with something else, is given up: the process ends.
class InterruptRequest {
 public:
  static constexpr int kPatience_s = 5;
  InterruptRequest();
  ~InterruptRequest();
  InterruptRequest(const InterruptRequest&) = delete;
  InterruptRequest& operator=(const InterruptRequest&) = delete;
  bool requested() const;
  /// The work has ended, and what it has is about to be written: no time presses any more.
  void settle() const;
};

/// While one of these lives SIGINT calls `keep` on another thread, which writes what is finished, and ends
/// the process when that returns: for work that asks for nothing.
class KeepOnInterrupt {
 public:
  explicit KeepOnInterrupt(std::function<void()> keep);
  ~KeepOnInterrupt();
  KeepOnInterrupt(const KeepOnInterrupt&) = delete;
  KeepOnInterrupt& operator=(const KeepOnInterrupt&) = delete;

 private:
  struct Watch;
  std::unique_ptr<Watch> watch_;
};

}  // namespace withy
