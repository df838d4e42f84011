// SPDX-License-Identifier: GPL-3.0-or-later
// Triangle meshes in millimetres, and the four file formats they come in.
//
// STL (ascii and binary), OBJ, PLY (ascii and binary) and OFF are read by geometry/mesh/mesh_reader.h, which
// says where a file is at fault, and written by CGAL (CGAL 5.5, "I/O Streams").
#pragma once

#include <array>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>

#include "planner/files/input_error.h"

namespace withy {

/// Triangles by vertex index; vertices in mm, frame as the owner says. Orientation: counter-clockwise seen
/// from outside the solid (normals out of the lumen) once checked.
struct TriangleMesh {
  std::vector<Eigen::Vector3d> vertices;
  std::vector<std::array<int, 3>> triangles;
};

enum class LengthUnit { mm, cm, m, inch };

/// Millimetres in one unit.
double millimetres_per(LengthUnit unit);

/// "mm", "cm", "m" or "in"; nothing for any other word.
std::optional<LengthUnit> parse_length_unit(std::string_view word);

/// Reads a mesh and scales it to mm. Vertices that coincide exactly are merged (STL has no shared vertices).
/// Errors: file missing or unreadable, unknown ending, truncated or malformed, zero triangles, a face that is
/// not a triangle, a coordinate that is not finite, an index out of range.
Result<TriangleMesh> read_mesh(const std::filesystem::path& file, LengthUnit unit);

/// Writes by the file's ending (.stl binary, .obj, .ply, .off), whole or not at all (temporary file, then
/// rename).
Result<void> write_mesh(const TriangleMesh& mesh, const std::filesystem::path& file);

/// Volume (mm^3) that a closed mesh encloses, whichever way it is oriented: a sixth of the sum of its
/// triangles' triple products (divergence theorem).
double enclosed_volume(const TriangleMesh& mesh);

}  // namespace withy
