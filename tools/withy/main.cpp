// SPDX-License-Identifier: GPL-3.0-or-later
#include <csignal>

#include <fcntl.h>

#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"

namespace {

/// A standard stream that is closed would be the next file that is opened, and messages would end up in it.
/// What takes its place can't be written to where results go, so that they are missed, and takes whatever
/// else is said.
void keep_standard_streams() {
  constexpr int kHow[] = {O_WRONLY, O_RDONLY, O_WRONLY};
  for (int descriptor = 0; descriptor < 3; ++descriptor)
    if (fcntl(descriptor, F_GETFD) < 0 && open("/dev/null", kHow[descriptor]) != descriptor) return;
}

/// A user's limit on the size of files is an error of the write that meets it (EFBIG), not the end.
void outlive_file_size_limit() {
  static_cast<void>(std::signal(SIGXFSZ, SIG_IGN));
}

}  // namespace

int main(int argument_count, char** arguments) {
  keep_standard_streams();
  outlive_file_size_limit();
  withy::stop_on_interrupt();
  withy::CommandLine line;
  for (const auto add : withy::kCommands) add(line);
  return static_cast<int>(line.execute(argument_count, arguments));
}
