// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/progress.h"

#include <algorithm>
#include <cstdio>

#include <fmt/core.h>
#include <unistd.h>

namespace withy {
namespace {

using namespace std::chrono_literals;

constexpr auto kRedraw = 200ms;      // smooth to the eye
constexpr auto kLineEvery = 3000ms;  // a log stays short
constexpr int kBarWidth = 24;
constexpr const char* kClearLine = "\r\033[K";

}  // namespace

Progress::Progress(bool quiet) : terminal_(isatty(STDERR_FILENO) == 1) {
  if (!quiet) ticker_ = std::thread([this] { tick(); });
}

Progress::~Progress() {
  {
    const std::lock_guard lock(mutex_);
    finished_ = true;
  }
  wake_.notify_all();
  if (!ticker_.joinable()) return;
  ticker_.join();
  if (terminal_) std::fputs(kClearLine, stderr);
}

void Progress::stage(std::string what, std::optional<double> budget_s) {
  const std::lock_guard lock(mutex_);
  what_ = std::move(what);
  note_.clear();
  budget_s_ = budget_s;
  done_.reset();
  since_ = Clock::now();
}

void Progress::note(std::string what) {
  const std::lock_guard lock(mutex_);
  note_ = std::move(what);
}

void Progress::fraction(double done) {
  const std::lock_guard lock(mutex_);
  done_ = done;
}

void Progress::tick() {
  std::unique_lock lock(mutex_);
  while (!wake_.wait_for(lock, terminal_ ? kRedraw : kLineEvery, [this] { return finished_; })) {
    if (what_.empty()) continue;
    const double elapsed_s = std::chrono::duration<double>(Clock::now() - since_).count();
    std::optional<double> done = done_;
    if (!done && budget_s_) done = elapsed_s / *budget_s_;
    show(note_.empty() ? what_ : what_ + ": " + note_, elapsed_s, done);
  }
}

void Progress::show(const std::string& what, double elapsed_s, std::optional<double> done) const {
  const std::string start = terminal_ ? kClearLine : "";
  const std::string end = terminal_ ? "" : "\n";
  std::string bar;
  if (done) {
    const double part = std::clamp(*done, 0.0, 1.0);
    const int filled = static_cast<int>(part * kBarWidth);
    bar = terminal_ ? fmt::format("[{:#>{}}{:.>{}}] ", "", filled, "", kBarWidth - filled)
                    : fmt::format("{:.0f} % ", 100.0 * part);
  }
  // Not fmt::print, which throws where standard error is closed.
  std::fputs(fmt::format("{}{}{}, {:.0f} s{}", start, bar, what, elapsed_s, end).c_str(), stderr);
  std::fflush(stderr);
}

}  // namespace withy
