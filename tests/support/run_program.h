// SPDX-License-Identifier: GPL-3.0-or-later
// Running the built program as a user would, and what came of it.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "tests/support/temporary_folder.h"

namespace withy_test {

struct ProgramRun {
  int status = -1;  ///< exit status; -signal when a signal ended it
  std::string out;
  std::string err;
};

/// A program while it runs. It is killed and waited for when this goes out of scope before wait().
class RunningProgram {
 public:
  /// Starts `program` with `arguments` in `folder`.
  RunningProgram(const std::string& program, const std::vector<std::string>& arguments,
                 const std::filesystem::path& folder);
  ~RunningProgram();
  RunningProgram(const RunningProgram&) = delete;
  RunningProgram& operator=(const RunningProgram&) = delete;

  void send(int signal) const;
  bool has_ended() const;
  std::string err_so_far() const;
  ProgramRun wait();

 private:
  TemporaryFolder captured_;
  int child_ = -1;
};

/// Runs `program` with `arguments` in `folder` and waits for it. With `interrupt_after_s` it gets a SIGINT
/// that long after it has started.
ProgramRun run_program(const std::string& program, const std::vector<std::string>& arguments,
                       const std::filesystem::path& folder,
                       std::optional<double> interrupt_after_s = std::nullopt);

}  // namespace withy_test
