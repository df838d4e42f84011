// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"

int main(int argument_count, char** arguments) {
  withy::stop_on_interrupt();
  withy::CommandLine line;
  for (const auto add : withy::kCommands) add(line);
  return static_cast<int>(line.execute(argument_count, arguments));
}
