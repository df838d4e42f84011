// SPDX-License-Identifier: GPL-3.0-or-later
// `withy scene`. It stands apart from commands.h, which every command's file includes.
#pragma once

#include "tools/withy/command.h"

namespace withy {

void add_scene_command(CommandLine& line);

}  // namespace withy
