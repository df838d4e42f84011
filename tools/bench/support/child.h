// SPDX-License-Identifier: GPL-3.0-or-later
// One run of a program on some of the machine's cores, measured.
#pragma once

#include <string>
#include <vector>

namespace withy::bench {

struct ChildRun {
  int status = -1;  ///< exit status; -1 when it was ended by a signal or by the deadline
  double wall_s = 0.0;
  double processor_s = 0.0;  ///< all threads together
  double peak_mb = 0.0;      ///< most resident memory, looked at every 50 ms
  std::string first_line;    ///< of its standard output
  bool overran = false;      ///< the deadline ended it
};

/// Runs `arguments` (the program first) on the first `cores` of those that this process may use, and ends it
/// after `deadline_s`.
ChildRun run_child(const std::vector<std::string>& arguments, int cores, double deadline_s);

}  // namespace withy::bench
