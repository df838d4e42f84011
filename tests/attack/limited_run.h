// SPDX-License-Identifier: GPL-3.0-or-later
// A run of the program that may not take more than it should: its processor time and memory come back with
// it.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace withy_test {

struct LimitedRun {
  int status = 0;  ///< exit status; -signal when a signal ended it
  std::string err;
  long most_memory_kB = 0;
};

/// Runs the program in a folder with its standard output thrown away. More than `most_processor_s` of
/// processor time ends it with SIGXCPU (setrlimit), so a run that runs away is a signal like a crash.
LimitedRun limited_run(const std::string& program, const std::vector<std::string>& arguments,
                       const std::filesystem::path& folder, unsigned most_processor_s);

}  // namespace withy_test
