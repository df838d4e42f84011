// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/interrupt.h"

#include <atomic>
#include <cerrno>
#include <csignal>
#include <thread>
#include <utility>

#include <fcntl.h>
#include <unistd.h>

#include "geometry/volume/memory_file.h"
#include "planner/live/autosave.h"
#include "tools/withy/command.h"

namespace withy {
namespace {

std::atomic<int> files_being_written{0};
std::atomic<bool> interrupted{false};
std::atomic<bool> only_requested{false};  // an InterruptRequest lives
std::atomic<int> wake{-1};                // the pipe of a KeepOnInterrupt, -1 without one
static_assert(std::atomic<int>::is_always_lock_free && std::atomic<bool>::is_always_lock_free,
              "a signal handler may only touch lock-free atomics");

[[noreturn]] void leave() {
  remove_left_memory_file();
  remove_left_lock_file();
  // _exit is async-signal-safe and runs no destructor that another thread may be in the middle of.
  _exit(static_cast<int>(ExitStatus::interrupted));
}

extern "C" void on_interrupt(int) {
  if (interrupted.exchange(true)) {
    if (files_being_written == 0) leave();
    return;
  }
  if (only_requested) {
    alarm(static_cast<unsigned>(
        InterruptRequest::kPatience_s));  // patience: SIGALRM ends what has not ended by then
    return;
  }
  const int pipe = wake;
  if (pipe >= 0) {
    ++files_being_written;  // the watching thread is about to write, and must not be cut off
    const char byte = 0;
    if (write(pipe, &byte, 1) == 1) return;
    --files_being_written;
  }
  if (files_being_written == 0) leave();
}

extern "C" void on_alarm(int) {
  // The scope that is writing sees to the end itself.
  if (files_being_written == 0) leave();
}

void handle(int signal, void (*handler)(int)) {
  struct sigaction action = {};
  action.sa_handler = handler;
  sigemptyset(&action.sa_mask);
  action.sa_flags = SA_RESTART;
  sigaction(signal, &action, nullptr);
}

}  // namespace

void stop_on_interrupt() {
  handle(SIGINT, on_interrupt);
  handle(SIGTERM, on_interrupt);  // what schedulers and timeout(1) send
  handle(SIGALRM, on_alarm);
}

WritingFiles::WritingFiles() {
  ++files_being_written;
  if (!interrupted || only_requested) return;
  // Too late to begin: another thread may be at it, and this one must not make it wait.
  if (--files_being_written == 0) leave();
  while (true) pause();
}

WritingFiles::~WritingFiles() {
  if (--files_being_written == 0 && interrupted && !only_requested) leave();
}

InterruptRequest::InterruptRequest() {
  only_requested = true;
}

InterruptRequest::~InterruptRequest() {
  only_requested = false;
}

bool InterruptRequest::requested() const {
  return interrupted;
}

void InterruptRequest::settle() const {
  alarm(0);
}

struct KeepOnInterrupt::Watch {
  int ends[2] = {-1, -1};
  std::function<void()> keep;
  std::thread thread;
};

KeepOnInterrupt::KeepOnInterrupt(std::function<void()> keep) : watch_(std::make_unique<Watch>()) {
  watch_->keep = std::move(keep);
  if (::pipe2(watch_->ends, O_CLOEXEC) != 0) return;
  watch_->thread = std::thread([watch = watch_.get()] {
    char byte = 0;
    ssize_t got = 0;
    do {
      got = ::read(watch->ends[0], &byte, 1);
    } while (got < 0 && errno == EINTR);
    if (got != 1) return;  // the scope has ended
    watch->keep();
    leave();
  });
  wake = watch_->ends[1];
}

KeepOnInterrupt::~KeepOnInterrupt() {
  wake = -1;
  if (watch_->ends[1] >= 0) ::close(watch_->ends[1]);
  if (watch_->thread.joinable()) watch_->thread.join();
  if (watch_->ends[0] >= 0) ::close(watch_->ends[0]);
}

}  // namespace withy
