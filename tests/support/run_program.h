// SPDX-License-Identifier: GPL-3.0-or-later
// Running the built program as a user would, and what came of it.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace withy_test {

struct ProgramRun {
  int status = -1;  ///< exit status; -signal when a signal ended it
  std::string out;
  std::string err;
};

/// Runs `program` with `arguments` in `folder` and waits for it. With `interrupt_after_s` it gets a SIGINT
/// that long after it has started.
ProgramRun run_program(const std::string& program, const std::vector<std::string>& arguments,
                       const std::filesystem::path& folder,
                       std::optional<double> interrupt_after_s = std::nullopt);

}  // namespace withy_test
