// SPDX-License-Identifier: GPL-3.0-or-later
// A mesh as the bytes of a file.
#pragma once

#include <filesystem>
#include <string>

#include "geometry/mesh/mesh.h"

namespace withy {

/// What a file of this name holds: the mesh by the name's ending (.stl binary, .obj, .ply, .off). Errors:
/// another ending.
Result<std::string> mesh_bytes(const TriangleMesh& mesh, const std::filesystem::path& file);

}  // namespace withy
