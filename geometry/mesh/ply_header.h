// SPDX-License-Identifier: GPL-3.0-or-later
// The header of a PLY file: which elements follow, how many of each, and what each of them holds. For
// geometry's mesh readers only.
#pragma once

#include <cstddef>
#include <optional>
#include <string_view>
#include <vector>

#include "geometry/mesh/mesh_reader.h"
#include "planner/files/word_reader.h"

namespace withy {

enum class PlyEncoding { text, little_endian, big_endian };

enum class PlyNumber { whole, natural, real };

struct PlyType {
  std::string_view name, other_name;
  std::size_t bytes;
  PlyNumber kind;
};

/// What a mesh takes of a property.
enum class PlyUse { none, x, y, z, corners };

struct PlyProperty {
  std::string_view name;
  const PlyType* type = nullptr;
  const PlyType* count_type = nullptr;  ///< of a list
  Word word;                            ///< where it is declared
  PlyUse use = PlyUse::none;
};

struct PlyElement {
  std::string_view name;
  std::size_t count = 0;
  std::vector<PlyProperty> properties;
  Word word;

  bool is_vertex() const { return name == "vertex" || name == "vertices"; }
  bool is_face() const { return name == "face" || name == "faces"; }
};

struct PlyHeader {
  PlyEncoding encoding = PlyEncoding::text;
  std::vector<PlyElement> elements;
  std::size_t vertices = 0;  ///< as the header has it
};

/// Leaves `words` on the header's last line. The header has vertices with x, y and z and faces with corners,
/// each declared once; or there is a fault.
std::optional<MeshFileFault> read_ply_header(WordReader& words, std::string_view bytes, PlyHeader& header);

}  // namespace withy
