// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/attack/limited_run.h"

#include <stdexcept>

#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/support/temporary_folder.h"

namespace withy_test {

LimitedRun limited_run(const std::string& program, const std::vector<std::string>& arguments,
                       const std::filesystem::path& folder, unsigned most_processor_s) {
  const TemporaryFolder captured;
  const std::string err = captured.path() / "err";
  std::vector<std::string> words = {program};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<char*> pointers;
  for (std::string& word : words) pointers.push_back(word.data());
  pointers.push_back(nullptr);
  const pid_t child = fork();
  if (child < 0) throw std::runtime_error("no process can be started");
  if (child == 0) {
    const rlimit time = {most_processor_s, most_processor_s + 1};
    const rlimit no_core = {0, 0};
    setrlimit(RLIMIT_CPU, &time);
    setrlimit(RLIMIT_CORE, &no_core);
    const int err_file = open(err.c_str(), O_CREAT | O_WRONLY | O_TRUNC, 0600);
    const int null_file = open("/dev/null", O_RDWR);
    dup2(null_file, STDIN_FILENO);
    dup2(null_file, STDOUT_FILENO);
    dup2(err_file, STDERR_FILENO);
    if (chdir(folder.c_str()) == 0) execv(program.c_str(), pointers.data());
    _exit(127);
  }
  LimitedRun run;
  int status = 0;
  rusage use{};
  if (wait4(child, &status, 0, &use) != child) throw std::runtime_error("lost the process");
  run.status = WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
  run.err = read_text(err);
  run.most_memory_kB = use.ru_maxrss;
  return run;
}

}  // namespace withy_test
