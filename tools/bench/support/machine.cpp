// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/support/machine.h"

#include <cstdio>
#include <ctime>
#include <fstream>

namespace withy::bench {

std::string first_line_of(const std::string& command) {
  std::string line;
  if (FILE* pipe = popen(command.c_str(), "r")) {
    char buffer[256];
    if (std::fgets(buffer, sizeof buffer, pipe) != nullptr) line = buffer;
    pclose(pipe);
  }
  while (!line.empty() && line.back() == '\n') line.pop_back();
  return line.empty() ? "unknown" : line;
}

std::string processor() {
  std::ifstream file("/proc/cpuinfo");
  for (std::string line; std::getline(file, line);)
    if (line.starts_with("model name")) return line.substr(line.find(':') + 2);
  return "unknown";
}

std::string commit() {
  return first_line_of("git -C " WITHY_SOURCE_DIR " describe --always --dirty 2>/dev/null");
}

double processor_seconds() {
  timespec now{};
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

}  // namespace withy::bench
