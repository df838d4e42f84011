// SPDX-License-Identifier: GPL-3.0-or-later
// A state as files have it: in a plan, and in a file of its own from which a plan may begin.
//
// A state's file is a JSON object with "format": "withy-state", "version": 1 and the keys of a plan's state:
// "insertion_mm", "locked" and "regions". The figures of a plan's state may stand beside them and are not
// read. Curvatures are those of each region's exposed flexible length, as in a plan.
#pragma once

#include <filesystem>
#include <functional>
#include <string>

#include "planner/plan/plan.h"

namespace withy {

/// Insertion, locks and regions of a state; whoever calls checks its keys.
RecordedState read_recorded_state(const JsonNode& node);

/// What does not fit the design, at a place below the state's own.
using StateFault = std::function<void(const std::string& below, std::string problem, std::string remedy)>;

/// The state of the design that is recorded. Tells `fault` where its locks or regions are not the design's;
/// what is returned then says nothing.
State state_of(const RecordedState& recorded, const Design& design, const StateFault& fault);

/// Reads a state's file. Errors: no such file; a wrong, missing or unknown key; locks or regions other than
/// the design's.
Result<State> read_state_file(const std::filesystem::path& file, const Design& design);

/// The file's whole text.
std::string write_state(const Design& design, const State& state);

}  // namespace withy
