// SPDX-License-Identifier: GPL-3.0-or-later
// What the readers of the four formats share. For geometry's mesh readers only.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "geometry/mesh/mesh_reader.h"
#include "planner/files/word_reader.h"

namespace withy {

/// What follows the UTF-8 byte order mark that some editors of text write first (The Unicode Standard, 23.8).
std::string_view without_byte_order_mark(std::string_view bytes);

MeshFileFault fault_at(const Word& word, std::string problem, std::string remedy);
/// Where `words` stands.
MeshFileFault fault_here(const WordReader& words, std::string problem, std::string remedy);
/// The file ends where it should go on.
MeshFileFault fault_at_end(const WordReader& words, std::string problem);

/// Faults that several formats can have; `face` and `vertex` count from 1.
MeshFileFault too_few_corners(int line, int column, std::size_t face, std::size_t corners);
MeshFileFault index_out_of_range(int line, int column, std::size_t face, std::size_t vertex_count);
MeshFileFault not_finite(int line, int column, std::size_t vertex);
MeshFileFault no_triangles();

/// The next face, which stands at line and column. A face with fewer than three corners is a fault.
std::optional<MeshFileFault> add_face(FaceSoup& soup, const std::vector<std::size_t>& corners, int line,
                                      int column);

/// A word as a coordinate of `vertex` (from 1); and the fault of a vertex with fewer than three.
tl::expected<double, MeshFileFault> read_coordinate(const Word& word, std::size_t vertex);
MeshFileFault too_few_coordinates(const WordReader& words, std::size_t vertex);

/// The coordinates of `vertex` (from 1): the next three words of this line.
std::optional<MeshFileFault> read_point(WordReader& words, std::size_t vertex, Eigen::Vector3d& point);

}  // namespace withy
