// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh_reader.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <utility>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader_parts.h"
#include "planner/files/words.h"

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

namespace {

/// Text of two bytes a letter starts with U+FEFF in either order (The Unicode Standard, 23.8).
bool is_utf16(std::string_view bytes) {
  return bytes.starts_with("\xff\xfe") || bytes.starts_with("\xfe\xff");
}

}  // namespace

MeshReading read_soup(std::string_view bytes, MeshFormat format) {
  if (is_utf16(bytes) && format != MeshFormat::stl)
    return tl::unexpected(
        MeshFileFault{1, 1, "this file is text in UTF-16", "save it as plain text or UTF-8"});
  switch (format) {
    case MeshFormat::stl:
      return read_stl(bytes);
    case MeshFormat::obj:
      return read_obj(without_byte_order_mark(bytes));
    case MeshFormat::ply:
      return read_ply(without_byte_order_mark(bytes));
    case MeshFormat::off:
      return read_off(without_byte_order_mark(bytes));
  }
  return tl::unexpected(no_triangles());
}

std::string_view without_byte_order_mark(std::string_view bytes) {
  constexpr std::string_view kMark = "\xef\xbb\xbf";
  return bytes.starts_with(kMark) ? bytes.substr(kMark.size()) : bytes;
}

MeshFileFault fault_at(const Word& word, std::string problem, std::string remedy) {
  return {word.line, word.column, std::move(problem), std::move(remedy)};
}

MeshFileFault fault_here(const WordReader& words, std::string problem, std::string remedy) {
  return {words.line(), words.column(), std::move(problem), std::move(remedy)};
}

MeshFileFault fault_at_end(const WordReader& words, std::string problem) {
  return fault_here(words, std::move(problem), "copy or export the file whole");
}

MeshFileFault too_few_corners(int line, int column, std::size_t face, std::size_t corners) {
  return {line, column, fmt::format("face {} has {}", face, count_of(corners, "corner")),
          "give every face three corners or more"};
}

std::optional<MeshFileFault> add_face(FaceSoup& soup, const std::vector<std::size_t>& corners, int line,
                                      int column) {
  if (corners.size() < 3) return too_few_corners(line, column, soup.faces() + 1, corners.size());
  if (corners.size() == 3) {
    soup.triangles.push_back({corners[0], corners[1], corners[2]});
    return std::nullopt;
  }
  if (!soup.first_wider)
    soup.first_wider = {line, column, fmt::format("face {} has {} corners", soup.faces() + 1, corners.size()),
                        "split the faces into triangles by withy scene MESH -o DIR, or before exporting"};
  soup.wider.push_back(corners);
  return std::nullopt;
}

MeshFileFault index_out_of_range(int line, int column, std::size_t face, std::size_t vertex_count) {
  return {line, column, fmt::format("face {} names a vertex that is not there", face),
          fmt::format("name one of the {} vertices", vertex_count)};
}

MeshFileFault not_finite(int line, int column, std::size_t vertex) {
  return {line, column, fmt::format("vertex {} has a coordinate that is not a finite number", vertex),
          "export the mesh again with finite coordinates"};
}

MeshFileFault no_triangles() {
  return {1, 1, "this mesh has no triangles", "export a mesh with at least one triangle"};
}

tl::expected<double, MeshFileFault> read_coordinate(const Word& word, std::size_t vertex) {
  const auto value = number<double>(word.text);
  if (!value)
    return tl::unexpected(
        fault_at(word, fmt::format("\"{}\" is not a number", word.text), "give a coordinate such as 12.5"));
  if (!std::isfinite(*value)) return tl::unexpected(not_finite(word.line, word.column, vertex));
  return *value;
}

MeshFileFault too_few_coordinates(const WordReader& words, std::size_t vertex) {
  return fault_here(words, fmt::format("vertex {} has too few coordinates", vertex), "give x, y and z");
}

std::optional<MeshFileFault> read_point(WordReader& words, std::size_t vertex, Eigen::Vector3d& point) {
  for (double& coordinate : point) {
    const auto word = words.on_line();
    if (!word) return too_few_coordinates(words, vertex);
    const auto value = read_coordinate(*word, vertex);
    if (!value) return value.error();
    coordinate = *value;
  }
  return std::nullopt;
}

}  // namespace withy
