// SPDX-License-Identifier: GPL-3.0-or-later
// Every command of the program, in the order that `withy --help` lists them.
#pragma once

#include <array>

#include "tools/withy/command.h"

namespace withy {

void add_check_command(CommandLine& line);
void add_scene_command(CommandLine& line);
void add_channel_command(CommandLine& line);
void add_plan_command(CommandLine& line);
void add_compare_command(CommandLine& line);
void add_script_command(CommandLine& line);
void add_replay_command(CommandLine& line);
void add_recheck_command(CommandLine& line);
void add_page_command(CommandLine& line);
void add_switch_command(CommandLine& line);
void add_elastic_command(CommandLine& line);
void add_sheet_command(CommandLine& line);
void add_tolerance_command(CommandLine& line);
void add_reach_command(CommandLine& line);
void add_place_command(CommandLine& line);
void add_study_command(CommandLine& line);
void add_fit_command(CommandLine& line);
void add_live_command(CommandLine& line);

inline constexpr std::array kCommands = {
    add_check_command,   add_scene_command,  add_channel_command,   add_plan_command,  add_compare_command,
    add_script_command,  add_replay_command, add_recheck_command,   add_page_command,  add_switch_command,
    add_elastic_command, add_sheet_command,  add_tolerance_command, add_reach_command, add_place_command,
    add_study_command,   add_fit_command,    add_live_command,
};

}  // namespace withy
