// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh_scan.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <vector>

#include <fmt/format.h>

#include "planner/files/word_reader.h"

namespace withy {
namespace {

MeshFileFault at(const Word& word, std::string problem, std::string remedy) {
  return {word.line, word.column, std::move(problem), std::move(remedy)};
}

MeshFileFault at_end(const WordReader& words, std::string problem) {
  return {words.line(), words.column(), std::move(problem), "copy or export the file whole"};
}

/// A coordinate of `vertex` (from 1), or what is wrong with it.
std::optional<MeshFileFault> fault_of_coordinate(const std::optional<Word>& word, const WordReader& words,
                                                 std::size_t vertex) {
  if (!word) {
    return MeshFileFault{words.line(), words.column(),
                         fmt::format("vertex {} has too few coordinates", vertex), "give x, y and z"};
  }
  const auto value = number<double>(word->text);
  if (!value)
    return at(*word, fmt::format("\"{}\" is not a number", word->text), "give a coordinate such as 12.5");
  if (!std::isfinite(*value)) return not_finite(word->line, word->column, vertex);
  return std::nullopt;
}

// ---- STL
// ------------------------------------------------------------------------------------------------------------

constexpr std::size_t kStlHeader = 84;  ///< 80 bytes of text and the number of triangles
constexpr std::size_t kStlTriangle = 50;

/// Text has no control characters but white space.
bool is_text(std::string_view bytes) {
  return std::all_of(bytes.begin(), bytes.end(),
                     [](unsigned char c) { return c >= ' ' || (c >= '\t' && c <= '\r'); });
}

std::uint32_t stl_triangle_count(std::string_view bytes) {
  std::uint32_t triangles = 0;
  std::memcpy(&triangles, bytes.data() + 80, sizeof triangles);
  return triangles;
}

/// CGAL's reader merges vertices through an ordered map, in which a coordinate that is not a number equals
/// any other, so that it would vanish unseen.
std::optional<MeshFileFault> fault_of_binary_stl_numbers(std::string_view bytes, std::size_t triangles) {
  for (std::size_t t = 0; t < triangles; ++t) {
    std::array<float, 9> corners;
    std::memcpy(corners.data(), bytes.data() + kStlHeader + kStlTriangle * t + 3 * sizeof(float),
                sizeof corners);
    for (std::size_t k = 0; k < corners.size(); ++k) {
      if (!std::isfinite(corners[k])) return not_finite(1, 1, 3 * t + k / 3 + 1);
    }
  }
  return std::nullopt;
}

std::optional<MeshFileFault> scan_binary_stl(std::string_view bytes) {
  if (bytes.size() < kStlHeader) {
    return MeshFileFault{
        1, 1, fmt::format("this binary STL file ends after {} bytes, within its header", bytes.size()),
        "copy or export the file whole"};
  }
  const std::uint32_t triangles = stl_triangle_count(bytes);
  const std::size_t needed = kStlHeader + kStlTriangle * triangles;
  if (bytes.size() < needed) {
    return MeshFileFault{
        1, 1,
        fmt::format("this binary STL file should have {} triangles in {} bytes but ends after {}", triangles,
                    needed, bytes.size()),
        "copy or export the file whole"};
  }
  return fault_of_binary_stl_numbers(bytes, triangles);
}

/// From after the word "facet" to after "endfacet"; `face` and `vertex` count what was seen so far.
std::optional<MeshFileFault> scan_facet(WordReader& words, const Word& start, std::size_t face,
                                        std::size_t& vertex) {
  std::size_t corners = 0;
  while (const auto word = words.anywhere()) {
    if (word->text == "endfacet") {
      if (corners == 3) return std::nullopt;
      return not_a_triangle(start.line, start.column, face, corners);
    }
    if (word->text == "vertex") {
      ++vertex;
      ++corners;
      for (int k = 0; k < 3; ++k) {
        if (auto fault = fault_of_coordinate(words.on_line(), words, vertex)) return fault;
      }
    } else if (word->text == "normal") {
      // Normals are not read: many programs write ones that are not numbers.
      for (int k = 0; k < 3; ++k) words.on_line();
    } else if (word->text != "outer" && word->text != "loop" && word->text != "endloop") {
      return at(*word, fmt::format("\"{}\" has no place in a facet", word->text),
                "write normal, outer loop, vertex, endloop or endfacet");
    }
  }
  return at_end(words, fmt::format("the file ends within face {}", face));
}

std::optional<MeshFileFault> scan_text_stl(std::string_view bytes) {
  WordReader words(bytes);
  std::size_t faces = 0, vertices = 0;
  bool in_solid = false;
  int name_line = 0;  // words after solid and endsolid are a name
  while (const auto word = words.anywhere()) {
    if (word->text == "facet") {
      if (auto fault = scan_facet(words, *word, ++faces, vertices)) return fault;
    } else if (word->text == "solid" || word->text == "endsolid") {
      in_solid = word->text == "solid";
      name_line = word->line;
    } else if (word->line != name_line) {
      return at(*word, fmt::format("\"{}\" has no place between facets", word->text),
                "write solid, facet or endsolid");
    }
  }
  if (in_solid) return at_end(words, "the file ends without endsolid");
  if (faces == 0) return no_triangles();
  return std::nullopt;
}

// ---- OBJ
// ------------------------------------------------------------------------------------------------------------

/// What an OBJ line may start with and CGAL passes over; `v` and `f` are looked at.
constexpr std::array<std::string_view, 24> kObjPassed = {
    "vt",       "vn",       "vp",         "o",         "g",    "s",      "p",     "usemtl",
    "mtllib",   "usemap",   "bevel",      "lod",       "deg",  "cstype", "ctech", "stech",
    "c_interp", "d_interp", "shadow_obj", "trace_obj", "curv", "surf",   "parm",  "end"};

struct ObjState {
  std::size_t vertices = 0, faces = 0;
  /// Faces that name a vertex further on, to be looked at when all vertices are known.
  struct Ahead {
    Word word;
    std::size_t face;
    std::size_t index;
  };
  std::vector<Ahead> ahead;
};

std::optional<MeshFileFault> scan_obj_face(WordReader& words, const Word& start, ObjState& state) {
  ++state.faces;
  std::size_t corners = 0;
  while (const auto word = words.on_line()) {
    const auto index = number<long long>(word->text.substr(0, word->text.find('/')));
    if (!index) {
      return at(*word, fmt::format("\"{}\" is not the number of a vertex", word->text),
                "give a whole number, or v/vt/vn");
    }
    const auto behind = static_cast<long long>(state.vertices);
    if (*index == 0 || *index < -behind)
      return index_out_of_range(word->line, word->column, state.faces, state.vertices);
    if (*index > behind) state.ahead.push_back({*word, state.faces, static_cast<std::size_t>(*index)});
    ++corners;
  }
  if (corners != 3) return not_a_triangle(start.line, start.column, state.faces, corners);
  return std::nullopt;
}

std::optional<MeshFileFault> scan_obj_line(WordReader& words, const Word& first, ObjState& state) {
  if (first.text == "f") return scan_obj_face(words, first, state);
  if (first.text == "v") {
    ++state.vertices;
    for (int k = 0; k < 3; ++k) {
      if (auto fault = fault_of_coordinate(words.on_line(), words, state.vertices)) return fault;
    }
    return std::nullopt;
  }
  if (std::find(kObjPassed.begin(), kObjPassed.end(), first.text) != kObjPassed.end()) return std::nullopt;
  return at(first, fmt::format("\"{}\" starts no line that withy reads in an OBJ file", first.text),
            "start a line with v, f, vn, vt, g, o, s, usemtl, mtllib or #");
}

// ---- OFF
// ------------------------------------------------------------------------------------------------------------

/// The first word of the next line that has one.
std::optional<Word> first_of_next_line(WordReader& words) {
  if (!words.next_line()) return std::nullopt;
  return words.anywhere();
}

std::optional<MeshFileFault> scan_off_face(WordReader& words, const Word& first, std::size_t face,
                                           std::size_t vertices) {
  const auto corners = number<std::size_t>(first.text);
  if (!corners) {
    return at(first, fmt::format("\"{}\" is not a number of corners", first.text),
              "start a face's line with 3");
  }
  if (*corners != 3) return not_a_triangle(first.line, first.column, face, *corners);
  for (int k = 0; k < 3; ++k) {
    const auto word = words.on_line();
    if (!word) {
      return MeshFileFault{words.line(), words.column(), fmt::format("face {} has too few corners", face),
                           "give three numbers of vertices"};
    }
    const auto index = number<long long>(word->text);
    if (!index)
      return at(*word, fmt::format("\"{}\" is not the number of a vertex", word->text),
                "give a whole number");
    if (*index < 0 || *index >= static_cast<long long>(vertices)) {
      return index_out_of_range(word->line, word->column, face, vertices);
    }
  }
  return std::nullopt;
}

/// How many vertices, faces and edges (which nobody reads) an OFF file says it has.
std::optional<MeshFileFault> scan_off_counts(WordReader& words, std::string_view bytes,
                                             std::array<std::size_t, 3>& counts) {
  for (std::size_t& count : counts) {
    const auto word = words.anywhere();
    if (!word) return at_end(words, "the file ends before its numbers of vertices and faces");
    const auto value = number<std::size_t>(word->text);
    if (!value) {
      return at(*word, fmt::format("\"{}\" is not a number of vertices or faces", word->text),
                "give a whole number");
    }
    // Every vertex and face takes a line, so a count beyond the file's bytes can't be meant.
    if (*value > bytes.size()) {
      return at(*word, fmt::format("the file is too short for {} vertices or faces", *value),
                "give the number it has");
    }
    count = *value;
  }
  return std::nullopt;
}

}  // namespace

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

std::optional<MeshFileFault> scan_stl(std::string_view bytes) {
  // The size is the surest sign: some programs start binary files with "solid" as well.
  const bool weighs_right =
      bytes.size() >= kStlHeader &&
      bytes.size() == kStlHeader + kStlTriangle * std::size_t{stl_triangle_count(bytes)};
  return is_text(bytes) && !weighs_right ? scan_text_stl(bytes) : scan_binary_stl(bytes);
}

std::optional<MeshFileFault> scan_obj(std::string_view bytes) {
  WordReader words(bytes, '#');
  ObjState state;
  do {
    const auto first = words.on_line();
    if (!first) continue;
    if (auto fault = scan_obj_line(words, *first, state)) return fault;
  } while (words.next_line());
  for (const auto& [word, face, index] : state.ahead) {
    if (index > state.vertices) return index_out_of_range(word.line, word.column, face, state.vertices);
  }
  if (state.faces == 0) return no_triangles();
  return std::nullopt;
}

std::optional<MeshFileFault> scan_off(std::string_view bytes) {
  WordReader words(bytes, '#');
  const auto keyword = words.anywhere();
  if (!keyword || !keyword->text.ends_with("OFF")) {
    return MeshFileFault{keyword ? keyword->line : 1, keyword ? keyword->column : 1,
                         "an OFF file starts with OFF", "export the mesh again as OFF"};
  }
  // Homogeneous, n-dimensional and binary files are left to the reader.
  const std::string_view prefix = keyword->text.substr(0, keyword->text.size() - 3);
  if (prefix.find_first_of("4n") != std::string_view::npos) return std::nullopt;
  if (bytes.substr(words.offset(), 16).find("BINARY") != std::string_view::npos) return std::nullopt;

  std::array<std::size_t, 3> counts{};
  if (auto fault = scan_off_counts(words, bytes, counts)) return fault;
  const auto [vertices, faces, edges] = counts;
  // Vertices that begin on the line of the counts are rare enough to leave to the reader.
  if (words.on_line()) return std::nullopt;
  for (std::size_t v = 1; v <= vertices; ++v) {
    auto word = first_of_next_line(words);
    if (!word) return at_end(words, fmt::format("the file ends before vertex {} of {}", v, vertices));
    for (int k = 0; k < 3; ++k, word = words.on_line()) {
      if (auto fault = fault_of_coordinate(word, words, v)) return fault;
    }
  }
  for (std::size_t f = 1; f <= faces; ++f) {
    const auto word = first_of_next_line(words);
    if (!word) return at_end(words, fmt::format("the file ends before face {} of {}", f, faces));
    if (auto fault = scan_off_face(words, *word, f, vertices)) return fault;
  }
  if (faces == 0) return no_triangles();
  return std::nullopt;
}

std::optional<MeshFileFault> scan_mesh(std::string_view bytes, MeshFormat format) {
  switch (format) {
    case MeshFormat::stl:
      return scan_stl(bytes);
    case MeshFormat::obj:
      return scan_obj(bytes);
    case MeshFormat::ply:
      return scan_ply(bytes);
    case MeshFormat::off:
      return scan_off(bytes);
  }
  return std::nullopt;
}

}  // namespace withy
