// SPDX-License-Identifier: GPL-3.0-or-later
// Where a mesh file is at fault.
//
// CGAL's readers say only whether they could read a file, and let some faults pass (an OBJ face with a word
// where a number should be, a PLY header whose coordinates are whole numbers). This looks through a file
// first, so that an error can name the line and column, and the reader never meets a count that the file
// can't hold.
//
// It is a check, not a second reader: what it does not recognise it leaves to the reader, which has the last
// word. Formats as their authors describe them: STL (3D Systems, "Stereolithography Interface Specification",
// 1988), OBJ (Wavefront, "Advanced Visualizer Manual", appendix B1), PLY (G. Turk, "The PLY Polygon File
// Format", 1994), OFF (Geomview manual, "OFF Files").
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

/// The first fault to be seen in a file's bytes.
std::optional<MeshFileFault> scan_mesh(std::string_view bytes, MeshFormat format);

/// One format each. A file that CGAL would take for binary STL is weighed by its size; binary PLY by its
/// header.
std::optional<MeshFileFault> scan_stl(std::string_view bytes);
std::optional<MeshFileFault> scan_obj(std::string_view bytes);
std::optional<MeshFileFault> scan_ply(std::string_view bytes);
std::optional<MeshFileFault> scan_off(std::string_view bytes);

/// Faults that are found both here and after reading; `face` and `vertex` count from 1.
MeshFileFault not_a_triangle(int line, int column, std::size_t face, std::size_t corners);
MeshFileFault index_out_of_range(int line, int column, std::size_t face, std::size_t vertex_count);
MeshFileFault not_finite(int line, int column, std::size_t vertex);
MeshFileFault no_triangles();

}  // namespace withy
