// SPDX-License-Identifier: GPL-3.0-or-later
// Reads the bytes of a mesh file once: its points and triangles, or the first fault and where it stands.
//
// No reader that is kept up says where a file is at fault: CGAL's (CGAL 5.5, "I/O Streams") tell only whether
// they could read it, take some faulty files without a word, and set memory aside by a count that a header
// claims. So the reading is done here. Nothing is mended: points keep the file's order and may coincide.
//
// Formats as their authors describe them: STL (3D Systems, "Stereolithography Interface Specification",
// 1988), OBJ (Wavefront, "Advanced Visualizer Manual", appendix B1), PLY (G. Turk, "The PLY Polygon File
// Format", 1994), OFF (Geomview manual, "OFF Files").
#pragma once

#include <array>
#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

namespace withy {

enum class MeshFormat { stl, obj, ply, off };

/// By the file's ending, capitals or not; nothing for any other ending.
std::optional<MeshFormat> mesh_format(const std::filesystem::path& file);

/// Lines and columns count from 1; a fault of a whole or binary file stands at 1:1.
struct MeshFileFault {
  int line = 1;
  int column = 1;
  std::string problem;
  std::string remedy;
};

/// Finite points in the file's unit, and faces that name them from 0, in the file's order.
struct FaceSoup {
  std::vector<Eigen::Vector3d> points;
  std::vector<std::array<std::size_t, 3>> triangles;
  std::vector<std::vector<std::size_t>> wider;  ///< faces with more than three corners
  std::optional<MeshFileFault> first_wider;     ///< what a reader of triangles says of the first of them

  std::size_t faces() const { return triangles.size() + wider.size(); }
};

/// At least one face, each with three corners or more, every index in range; or the first fault. Memory grows
/// with what the file holds, never with what it claims to hold.
using MeshReading = tl::expected<FaceSoup, MeshFileFault>;
MeshReading read_soup(std::string_view bytes, MeshFormat format);

/// STL has points of its own for each face. A file is binary when its size is the one that its
/// count asks for, or when it holds bytes that no text has.
MeshReading read_stl(std::string_view bytes);

/// Of `v` the first three numbers are read, of `f` the vertices' numbers.
MeshReading read_obj(std::string_view bytes);

/// Ascii and binary. Vertices have x, y and z of type float or double; faces have a list vertex_indices or
/// vertex_index of type int or uint. Other properties and elements are passed over.
MeshReading read_ply(std::string_view bytes);

/// Text with one vertex or face a line. Normals (NOFF), colours (COFF, and those of faces) and texture
/// coordinates (STOFF) are counted and passed over. Binary, 4OFF (homogeneous) and nOFF (n-dimensional) files
/// are refused.
MeshReading read_off(std::string_view bytes);

}  // namespace withy
