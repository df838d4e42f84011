// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/mesh_reader_parts.h"

namespace withy {
namespace {

/// What a line may start with that is passed over.
constexpr std::array<std::string_view, 26> kPassedOver = {
    "l",        "mg",       "vt",         "vn",        "vp",   "o",    "g",      "s",     "p",
    "usemtl",   "mtllib",   "usemap",     "bevel",     "lod",  "deg",  "cstype", "ctech", "stech",
    "c_interp", "d_interp", "shadow_obj", "trace_obj", "curv", "surf", "parm",   "end"};

/// A corner that names a vertex further on, to be checked when all vertices are known.
struct CornerAhead {
  Word word;
  std::size_t face;
  std::size_t vertex;
};

struct Obj {
  FaceSoup soup;
  std::vector<CornerAhead> ahead;
};

/// The vertex (from 0) that `word` names for the face that is being read.
tl::expected<std::size_t, MeshFileFault> read_corner(const Word& word, Obj& obj) {
  const std::size_t face = obj.soup.faces() + 1;
  const auto index = number<long long>(word.text.substr(0, word.text.find('/')));
  if (!index) {
    return tl::unexpected(fault_at(word, fmt::format("\"{}\" is not the number of a vertex", word.text),
                                   "give a whole number, or v/vt/vn"));
  }
  const auto behind = static_cast<long long>(obj.soup.points.size());
  if (*index == 0 || *index < -behind)
    return tl::unexpected(index_out_of_range(word.line, word.column, face, obj.soup.points.size()));
  if (*index < 0) return static_cast<std::size_t>(behind + *index);  // counted from the last vertex
  const auto vertex = static_cast<std::size_t>(*index - 1);
  if (*index > behind) obj.ahead.push_back({word, face, vertex});
  return vertex;
}

/// The next word of a line that goes on on the next one where it ends in a backslash.
std::optional<Word> on_long_line(WordReader& words) {
  auto word = words.on_line();
  while (word && word->text.ends_with('\\')) {
    if (words.on_line()) return word;  // a backslash within a line is none of a number
    word->text.remove_suffix(1);
    const bool goes_on = words.next_line();
    if (!word->text.empty()) return word;
    word = goes_on ? words.on_line() : std::nullopt;
  }
  return word;
}

std::optional<MeshFileFault> read_vertex(WordReader& words, Obj& obj) {
  Eigen::Vector3d point;
  const std::size_t vertex = obj.soup.points.size() + 1;
  for (double& coordinate : point) {
    const auto word = on_long_line(words);
    if (!word) return too_few_coordinates(words, vertex);
    const auto value = read_coordinate(*word, vertex);
    if (!value) return value.error();
    coordinate = *value;
  }
  obj.soup.points.push_back(point);
  return std::nullopt;
}

/// What is left of a line. A backslash at the end of a line that is passed over may be part of a name, and
/// then the next line stands for itself: where the format and that differ, the file is refused.
std::optional<MeshFileFault> pass_over(WordReader& words) {
  int line = words.line();
  while (const auto word = on_long_line(words)) {
    if (word->line != line && (word->text == "v" || word->text == "f"))
      return fault_at(
          *word,
          fmt::format("\"{}\" stands on a line that the backslash before it makes part of line {}",
                      word->text, line),
          "take that backslash out");
    line = word->line;
  }
  return std::nullopt;
}

std::optional<MeshFileFault> read_face(WordReader& words, const Word& start, Obj& obj) {
  std::vector<std::size_t> corners;
  corners.reserve(4);
  while (const auto word = on_long_line(words)) {
    const auto corner = read_corner(*word, obj);
    if (!corner) return corner.error();
    corners.push_back(*corner);
  }
  return add_face(obj.soup, corners, start.line, start.column);
}

std::optional<MeshFileFault> read_line(WordReader& words, const Word& first, Obj& obj) {
  if (first.text == "f") return read_face(words, first, obj);
  if (first.text == "v") {
    if (auto fault = read_vertex(words, obj)) return fault;
    return pass_over(words);
  }
  if (std::find(kPassedOver.begin(), kPassedOver.end(), first.text) != kPassedOver.end())
    return pass_over(words);
  return fault_at(first, fmt::format("\"{}\" starts no line that withy reads in an OBJ file", first.text),
                  "start a line with v, f, vn, vt, g, o, s, usemtl, mtllib or #");
}

}  // namespace

MeshReading read_obj(std::string_view bytes) {
  WordReader words(bytes, '#');
  Obj obj;
  do {
    const auto first = on_long_line(words);
    if (!first) continue;
    if (auto fault = read_line(words, *first, obj)) return tl::unexpected(std::move(*fault));
  } while (words.next_line());
  const std::size_t vertices = obj.soup.points.size();
  for (const auto& [word, face, vertex] : obj.ahead) {
    if (vertex >= vertices) return tl::unexpected(index_out_of_range(word.line, word.column, face, vertices));
  }
  if (obj.soup.faces() == 0) return tl::unexpected(no_triangles());
  return std::move(obj.soup);
}

}  // namespace withy
