// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/run_program.h"

#include <chrono>
#include <csignal>
#include <stdexcept>
#include <thread>

#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

namespace withy_test {
namespace {

/// In the child: becomes the program. Only async-signal-safe calls, the parent may have threads.
[[noreturn]] void become(const char* program, char* const* arguments, const char* folder, const char* out,
                         const char* err) {
  constexpr int kCouldNotStart = 127;  // what a shell says
  const int out_file = open(out, O_CREAT | O_WRONLY | O_TRUNC, 0600);
  const int err_file = open(err, O_CREAT | O_WRONLY | O_TRUNC, 0600);
  const int null_file = open("/dev/null", O_RDONLY);
  if (dup2(null_file, STDIN_FILENO) < 0 || dup2(out_file, STDOUT_FILENO) < 0 ||
      dup2(err_file, STDERR_FILENO) < 0 || chdir(folder) != 0)
    _exit(kCouldNotStart);
  execv(program, arguments);
  _exit(kCouldNotStart);
}

}  // namespace

RunningProgram::RunningProgram(const std::string& program, const std::vector<std::string>& arguments,
                               const std::filesystem::path& folder) {
  const std::string out = captured_.path() / "out";
  const std::string err = captured_.path() / "err";
  std::vector<std::string> words = {program};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<char*> pointers;
  for (std::string& word : words) pointers.push_back(word.data());
  pointers.push_back(nullptr);
  child_ = fork();
  if (child_ < 0) throw std::runtime_error("no process can be started");
  if (child_ == 0) become(program.c_str(), pointers.data(), folder.c_str(), out.c_str(), err.c_str());
}

RunningProgram::~RunningProgram() {
  if (child_ < 0) return;
  kill(child_, SIGKILL);
  waitpid(child_, nullptr, 0);
}

void RunningProgram::send(int signal) const {
  kill(child_, signal);
}

bool RunningProgram::has_ended() const {
  siginfo_t info = {};
  return waitid(P_PID, static_cast<id_t>(child_), &info, WEXITED | WNOHANG | WNOWAIT) == 0 &&
         info.si_pid == child_;
}

std::string RunningProgram::err_so_far() const {
  const auto file = captured_.path() / "err";
  return std::filesystem::exists(file) ? read_text(file) : "";
}

ProgramRun RunningProgram::wait() {
  int status = 0;
  if (waitpid(child_, &status, 0) != child_) throw std::runtime_error("lost the process");
  child_ = -1;
  ProgramRun run;
  run.status = WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
  run.out = read_text(captured_.path() / "out");
  run.err = read_text(captured_.path() / "err");
  return run;
}

ProgramRun run_program(const std::string& program, const std::vector<std::string>& arguments,
                       const std::filesystem::path& folder, std::optional<double> interrupt_after_s) {
  RunningProgram running(program, arguments, folder);
  if (interrupt_after_s) {
    std::this_thread::sleep_for(std::chrono::duration<double>(*interrupt_after_s));
    running.send(SIGINT);
  }
  return running.wait();
}

}  // namespace withy_test
