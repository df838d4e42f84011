// SPDX-License-Identifier: GPL-3.0-or-later
// Journals that are put together come from other processes and other machines: what their lines say is
// checked before it is counted, drawn or printed.
#pragma once

#include <filesystem>
#include <optional>
#include <vector>

#include <nlohmann/json.hpp>

#include "planner/study/journal.h"

namespace withy {

/// The header: its keys and types, lists that are not empty, as many runs as they make. `folder` is named.
std::optional<InputError> header_fault(const nlohmann::ordered_json& header,
                                       const std::filesystem::path& folder);

/// A record: its run is one of the header's, and its result has the scene, design, lock count and seed of
/// that run, a verdict, and figures that are numbers.
std::optional<InputError> record_fault(const nlohmann::ordered_json& header, const RunRecord& record,
                                       const std::filesystem::path& folder);

}  // namespace withy
