// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh_scan.h"

#include <algorithm>
#include <cctype>
#include <fstream>
#include <system_error>

#include <fmt/format.h>

namespace withy {

std::optional<MeshFormat> mesh_format(const std::filesystem::path& file) {
  std::string ending = file.extension().string();
  std::transform(ending.begin(), ending.end(), ending.begin(),
                 [](unsigned char c) { return std::tolower(c); });
  if (ending == ".stl") return MeshFormat::stl;
  if (ending == ".obj") return MeshFormat::obj;
  if (ending == ".ply") return MeshFormat::ply;
  if (ending == ".off") return MeshFormat::off;
  return std::nullopt;
}

std::string_view name(MeshFormat format) {
  switch (format) {
    case MeshFormat::stl:
      return "STL";
    case MeshFormat::obj:
      return "OBJ";
    case MeshFormat::ply:
      return "PLY";
    case MeshFormat::off:
      return "OFF";
  }
  return "";
}

MeshFileFault not_a_triangle(int line, int column, std::size_t face, std::size_t corners) {
  return {line, column, fmt::format("face {} has {} corners", face, corners),
          "split every face into triangles before exporting"};
}

MeshFileFault index_out_of_range(int line, int column, std::size_t face, std::size_t vertex_count) {
  return {line, column, fmt::format("face {} names a vertex that the file does not have", face),
          fmt::format("name one of the file's {} vertices", vertex_count)};
}

MeshFileFault no_triangles() {
  return {1, 1, "this mesh has no triangles", "export a mesh with at least one triangle"};
}

std::optional<MeshFileFault> scan_mesh_file(const std::filesystem::path& file, MeshFormat) {
  std::error_code fault;
  const auto kind = std::filesystem::status(file, fault).type();
  if (kind == std::filesystem::file_type::not_found) {
    return MeshFileFault{1, 1, "there is no such file", "give the path of an STL, OBJ, PLY or OFF file"};
  }
  if (kind != std::filesystem::file_type::regular || !std::ifstream(file).good()) {
    return MeshFileFault{1, 1, "this is no file that can be read",
                         "give the path of an STL, OBJ, PLY or OFF file"};
  }
  return std::nullopt;
}

}  // namespace withy
