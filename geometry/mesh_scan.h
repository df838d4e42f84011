// SPDX-License-Identifier: GPL-3.0-or-later
// Where a mesh file is at fault.
//
// CGAL's readers say only whether they could read a file, and let some faults pass (an OBJ face with a word
// where a number should be, a PLY header whose coordinates are whole numbers). This looks through a file
// first, so that an error can name the line and column, and the reader never meets a count that the file
// can't hold.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

namespace withy {

enum class MeshFormat { stl, obj, ply, off };

/// By the file's ending, capitals or not; nothing for any other ending.
std::optional<MeshFormat> mesh_format(const std::filesystem::path& file);

/// "STL", "OBJ", "PLY" or "OFF".
std::string_view name(MeshFormat format);

/// Lines and columns count from 1; a fault of a whole or binary file stands at 1:1.
struct MeshFileFault {
  int line = 1;
  int column = 1;
  std::string problem;
  std::string remedy;
};

/// The first fault found; nothing when there is none to be seen (the reader has the last word).
std::optional<MeshFileFault> scan_mesh_file(const std::filesystem::path& file, MeshFormat format);

/// `face` counts from 1.
MeshFileFault not_a_triangle(int line, int column, std::size_t face, std::size_t corners);
MeshFileFault index_out_of_range(int line, int column, std::size_t face, std::size_t vertex_count);
MeshFileFault no_triangles();

}  // namespace withy
