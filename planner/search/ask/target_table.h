// SPDX-License-Identifier: GPL-3.0-or-later
// Targets in a file: comma-separated values (RFC 4180) with the header x_mm,y_mm,z_mm, one target a record,
// coordinates in the scene frame S.
#pragma once

#include <filesystem>
#include <vector>

#include <Eigen/Core>

#include "planner/files/input_error.h"

namespace withy {

/// At least one target, all finite; an error names line and column of the field at fault.
Result<std::vector<Eigen::Vector3d>> read_targets(const std::filesystem::path& file);

}  // namespace withy
