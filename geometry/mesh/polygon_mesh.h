// SPDX-License-Identifier: GPL-3.0-or-later
// Meshes as other programs leave them: some faces may have more than three corners.
//
// geometry/repair/triangulate.h makes triangles of them. The readers of scenes take triangles only.
//
// Units: mm. Frame: the file's.
#pragma once

#include <filesystem>
#include <vector>

#include "geometry/mesh/mesh.h"

namespace withy {

struct PolygonMesh {
  TriangleMesh triangles;               ///< all vertices, and the faces that are triangles
  std::vector<std::vector<int>> wider;  ///< the other faces by vertex index, flat or not
};

/// As read_mesh, but faces may have any number of corners from three on.
Result<PolygonMesh> read_polygon_mesh(const std::filesystem::path& file, LengthUnit unit);

}  // namespace withy
