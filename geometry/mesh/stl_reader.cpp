// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <numeric>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/mesh_reader_parts.h"

namespace withy {
namespace {

constexpr std::size_t kHeader = 84;  ///< bytes: 80 of text and the number of triangles
constexpr std::size_t kTriangle = 50;
constexpr std::size_t kNormal = 12;

/// Text has no control characters but white space.
bool is_text(std::string_view bytes) {
  return std::all_of(bytes.begin(), bytes.end(),
                     [](unsigned char c) { return c >= ' ' || (c >= '\t' && c <= '\r'); });
}

std::size_t triangle_count(std::string_view bytes) {
  std::uint32_t triangles = 0;
  std::memcpy(&triangles, bytes.data() + 80, sizeof triangles);
  return triangles;
}

/// Three more points, and the triangle of them.
void add_triangle(FaceSoup& soup, const std::array<Eigen::Vector3d, 3>& corners) {
  const std::size_t first = soup.points.size();
  soup.points.insert(soup.points.end(), corners.begin(), corners.end());
  soup.triangles.push_back({first, first + 1, first + 2});
}

/// A face of the points from `first` on.
std::optional<MeshFileFault> add_facet(FaceSoup& soup, std::size_t first, const Word& start) {
  std::vector<std::size_t> corners(soup.points.size() - first);
  std::iota(corners.begin(), corners.end(), first);
  return add_face(soup, corners, start.line, start.column);
}

MeshReading read_binary(std::string_view bytes) {
  const auto refuse = [](std::string problem) {
    return tl::unexpected(MeshFileFault{1, 1, std::move(problem), "copy or export the file whole"});
  };
  if (bytes.size() < kHeader)
    return refuse(fmt::format("this binary STL file ends after {} bytes, within its header", bytes.size()));
  const std::size_t triangles = triangle_count(bytes);
  const std::size_t needed = kHeader + kTriangle * triangles;
  if (bytes.size() < needed)
    return refuse(fmt::format("this binary STL file should have {} triangles in {} bytes but ends after {}",
                              triangles, needed, bytes.size()));
  if (triangles == 0) return tl::unexpected(no_triangles());
  FaceSoup soup;
  soup.points.reserve(3 * triangles);
  soup.triangles.reserve(triangles);
  for (std::size_t t = 0; t < triangles; ++t) {
    std::array<float, 9> numbers;
    std::memcpy(numbers.data(), bytes.data() + kHeader + kTriangle * t + kNormal, sizeof numbers);
    const auto odd =
        std::find_if(numbers.begin(), numbers.end(), [](float number) { return !std::isfinite(number); });
    if (odd != numbers.end()) {
      const auto corner = static_cast<std::size_t>(odd - numbers.begin()) / 3;
      return tl::unexpected(not_finite(1, 1, 3 * t + corner + 1));
    }
    add_triangle(soup, {Eigen::Vector3d(numbers[0], numbers[1], numbers[2]),
                        Eigen::Vector3d(numbers[3], numbers[4], numbers[5]),
                        Eigen::Vector3d(numbers[6], numbers[7], numbers[8])});
  }
  return soup;
}

/// Some programs write the format's words in capitals.
bool reads_as(const Word& word, std::string_view lower) {
  return std::equal(word.text.begin(), word.text.end(), lower.begin(), lower.end(),
                    [](unsigned char a, char b) { return std::tolower(a) == b; });
}

/// From after the word "facet", which is `start`, to after "endfacet".
std::optional<MeshFileFault> read_facet(WordReader& words, const Word& start, FaceSoup& soup) {
  const std::size_t face = soup.faces() + 1;
  const std::size_t first = soup.points.size();
  while (const auto word = words.anywhere()) {
    if (reads_as(*word, "endfacet")) return add_facet(soup, first, start);
    if (reads_as(*word, "vertex")) {
      Eigen::Vector3d point;
      if (auto fault = read_point(words, soup.points.size() + 1, point)) return fault;
      soup.points.push_back(point);
    } else if (reads_as(*word, "normal")) {
      // Normals are not read: many programs write ones that are not numbers.
      for (int k = 0; k < 3; ++k) words.on_line();
    } else if (!reads_as(*word, "outer") && !reads_as(*word, "loop") && !reads_as(*word, "endloop")) {
      return fault_at(*word, fmt::format("\"{}\" has no place in a facet", word->text),
                      "write normal, outer loop, vertex, endloop or endfacet");
    }
  }
  return fault_at_end(words, fmt::format("the file ends within face {}", face));
}

MeshReading read_text(std::string_view bytes) {
  WordReader words(bytes);
  FaceSoup soup;
  bool in_solid = false;
  int name_line = 0;  // words after solid and endsolid are a name
  while (const auto word = words.anywhere()) {
    if (reads_as(*word, "facet")) {
      if (!in_solid)
        return tl::unexpected(fault_at(*word, "a facet stands outside a solid", "write solid before it"));
      if (auto fault = read_facet(words, *word, soup)) return tl::unexpected(std::move(*fault));
    } else if (reads_as(*word, "endsolid")) {
      in_solid = false;
      name_line = word->line;
    } else if (reads_as(*word, "solid") && word->line != name_line) {
      if (in_solid)
        return tl::unexpected(fault_at(*word, "a solid stands within another", "write endsolid before it"));
      in_solid = true;
      name_line = word->line;
    } else if (word->line != name_line) {
      return tl::unexpected(fault_at(*word, fmt::format("\"{}\" has no place between facets", word->text),
                                     name_line == 0 && !in_solid
                                         ? "start the file with solid, or give it the ending of its own "
                                           "format, .obj, .ply or .off"
                                         : "write solid, facet or endsolid"));
    }
  }
  if (in_solid) return tl::unexpected(fault_at_end(words, "the file ends without endsolid"));
  if (soup.faces() == 0) return tl::unexpected(no_triangles());
  return soup;
}

}  // namespace

MeshReading read_stl(std::string_view bytes) {
  // The size is the surest sign: some programs start binary files with "solid" as well.
  const bool weighs_right =
      bytes.size() >= kHeader && bytes.size() == kHeader + kTriangle * triangle_count(bytes);
  const std::string_view text = without_byte_order_mark(bytes);
  return is_text(text) && !weighs_right ? read_text(text) : read_binary(bytes);
}

}  // namespace withy
