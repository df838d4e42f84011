// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/support/child.h"

#include <array>
#include <chrono>
#include <csignal>
#include <fstream>

#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

namespace withy::bench {
namespace {

void keep_to_cores(int cores) {
  cpu_set_t all;
  sched_getaffinity(0, sizeof all, &all);
  cpu_set_t some;
  CPU_ZERO(&some);
  for (int cpu = 0; cpu < CPU_SETSIZE && cores > 0; ++cpu)
    if (CPU_ISSET(cpu, &all)) {
      CPU_SET(cpu, &some);
      --cores;
    }
  sched_setaffinity(0, sizeof some, &some);
}

/// Looks so often at how much memory the child has taken, ms.
constexpr int kLook_ms = 50;

/// The most resident memory that a process has had since it became its program, MB; the one before where it
/// is gone. getrusage does not tell: its figure starts with what the parent held at the fork.
double peak_of(pid_t process, double before_mb) {
  std::ifstream status("/proc/" + std::to_string(process) + "/status");
  for (std::string word; status >> word;)
    if (double kb = 0.0; word == "VmHWM:" && status >> kb) return kb / 1024.0;
  return before_mb;
}

double seconds(const timeval& t) {
  return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
}

}  // namespace

ChildRun run_child(const std::vector<std::string>& arguments, int cores, double deadline_s) {
  ChildRun run;
  std::array<int, 2> ends{};
  if (pipe(ends.data()) != 0) return run;
  const auto since = std::chrono::steady_clock::now();
  const auto gone_s = [&] {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count();
  };
  const pid_t child = fork();
  if (child == 0) {
    keep_to_cores(cores);
    dup2(ends[1], STDOUT_FILENO);
    const int nowhere = open("/dev/null", O_WRONLY);
    dup2(nowhere, STDERR_FILENO);
    close(ends[0]);
    close(ends[1]);
    std::vector<char*> words;
    for (const std::string& word : arguments) words.push_back(const_cast<char*>(word.c_str()));
    words.push_back(nullptr);
    execv(words[0], words.data());
    _exit(127);
  }
  close(ends[1]);
  std::string text;
  for (std::array<char, 4096> buffer{};;) {
    pollfd ready{ends[0], POLLIN, 0};
    const double left_s = deadline_s - gone_s();
    const bool silent = poll(&ready, 1, kLook_ms) == 0;
    run.peak_mb = peak_of(child, run.peak_mb);
    if (!run.overran && left_s <= 0.0) {
      run.overran = true;
      kill(child, SIGKILL);
    }
    if (silent) continue;
    const ssize_t n = read(ends[0], buffer.data(), buffer.size());
    if (n <= 0) break;
    text.append(buffer.data(), static_cast<std::size_t>(n));
  }
  close(ends[0]);
  int status = 0;
  rusage used{};
  wait4(child, &status, 0, &used);
  run.wall_s = gone_s();
  run.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  run.processor_s = seconds(used.ru_utime) + seconds(used.ru_stime);
  run.first_line = text.substr(0, text.find('\n'));
  return run;
}

}  // namespace withy::bench
