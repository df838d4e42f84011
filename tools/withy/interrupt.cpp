// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/interrupt.h"

#include <atomic>
#include <csignal>

#include <unistd.h>

#include "tools/withy/command.h"

namespace withy {
namespace {

std::atomic<int> files_being_written{0};
std::atomic<bool> interrupted{false};
static_assert(std::atomic<int>::is_always_lock_free && std::atomic<bool>::is_always_lock_free,
              "a signal handler may only touch lock-free atomics");

extern "C" void on_interrupt(int) {
  interrupted = true;
  // _exit is async-signal-safe and runs no destructor that another thread may be in the middle of.
  if (files_being_written == 0) _exit(static_cast<int>(ExitStatus::interrupted));
}

}  // namespace

void stop_on_interrupt() {
  struct sigaction action = {};
  action.sa_handler = on_interrupt;
  sigemptyset(&action.sa_mask);
  action.sa_flags = SA_RESTART;
  sigaction(SIGINT, &action, nullptr);
}

WritingFiles::WritingFiles() {
  ++files_being_written;
  if (!interrupted) return;
  // Too late to begin: another thread may be at it, and this one must not make it wait.
  if (--files_being_written == 0) _exit(static_cast<int>(ExitStatus::interrupted));
  while (true) pause();
}

WritingFiles::~WritingFiles() {
  if (--files_being_written == 0 && interrupted) _exit(static_cast<int>(ExitStatus::interrupted));
}

}  // namespace withy
