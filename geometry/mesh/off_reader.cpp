// SPDX-License-Identifier: GPL-3.0-or-later
#include <array>
#include <cassert>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/mesh_reader_parts.h"

namespace withy {
namespace {

/// How many numbers a vertex has after x, y and z: a colour has three or four.
struct VertexExtras {
  std::size_t least = 0;
  std::size_t most = 0;
};

struct Counts {
  std::size_t vertices = 0;
  std::size_t faces = 0;
};

/// Moves to the start of the next line that has a word; false when there is none.
bool next_written_line(WordReader& words) {
  while (words.next_line()) {
    WordReader look = words;
    if (look.on_line()) return true;
  }
  return false;
}

/// Takes `part` off the front of `text`, if it stands there.
bool take(std::string_view& text, std::string_view part) {
  if (!text.starts_with(part)) return false;
  text.remove_prefix(part.size());
  return true;
}

/// [ST][C][N][4][n]OFF, and BINARY after it.
std::optional<MeshFileFault> read_keyword(WordReader& words, VertexExtras& extras) {
  const auto keyword = words.anywhere();
  const auto not_off = [&] {
    const std::string remedy = "export the mesh again as OFF";
    return keyword ? fault_at(*keyword, "an OFF file starts with OFF", remedy)
                   : MeshFileFault{1, 1, "an OFF file starts with OFF", remedy};
  };
  if (!keyword || !keyword->text.ends_with("OFF")) return not_off();
  std::string_view rest = keyword->text;
  if (take(rest, "ST")) extras = {extras.least + 2, extras.most + 2};
  if (take(rest, "C")) extras = {extras.least + 3, extras.most + 4};
  if (take(rest, "N")) extras = {extras.least + 3, extras.most + 3};
  const bool flat_points = !rest.starts_with('4') && !rest.starts_with('n');
  take(rest, "4");
  take(rest, "n");
  if (rest != "OFF") return not_off();
  if (!flat_points) {
    return fault_at(*keyword, fmt::format("the vertices of \"{}\" are not x, y and z", keyword->text),
                    "export the mesh as OFF with three coordinates a vertex");
  }
  WordReader next = words;
  const auto encoding = next.on_line();
  if (encoding && (encoding->text == "BINARY" || encoding->text == "binary"))
    return fault_at(*encoding, "withy does not read binary OFF files", "export the mesh as OFF text");
  return std::nullopt;
}

/// The numbers of vertices, faces and edges (which nobody reads).
std::optional<MeshFileFault> read_counts(WordReader& words, std::string_view bytes, Counts& counts) {
  std::array<std::size_t, 3> values{};
  auto word = words.anywhere();
  if (!word) return fault_at_end(words, "the file ends before its numbers of vertices and faces");
  for (std::size_t& value : values) {
    if (!word) {
      return fault_here(words, "the numbers of vertices, faces and edges do not stand on one line",
                        "write, say, 8 12 0");
    }
    const auto count = number<std::size_t>(word->text);
    if (!count) {
      return fault_at(*word, fmt::format("\"{}\" is not a number of vertices or faces", word->text),
                      "give a whole number");
    }
    // Every vertex and face takes a line, so a count beyond the file's bytes can't be meant.
    if (*count > bytes.size()) {
      return fault_at(*word, fmt::format("the file is too short for {} vertices or faces", *count),
                      "give the number it has");
    }
    value = *count;
    word = words.on_line();
  }
  if (word) {
    return fault_at(*word,
                    fmt::format("\"{}\" stands behind the numbers of vertices, faces and edges", word->text),
                    "start the first vertex on a line of its own");
  }
  counts = {values[0], values[1]};
  return std::nullopt;
}

/// The numbers on the rest of the line; `what` has them.
std::optional<MeshFileFault> count_numbers(WordReader& words, const std::string& what, std::size_t& numbers) {
  for (numbers = 0; const auto word = words.on_line(); ++numbers) {
    if (!number<double>(word->text))
      return fault_at(*word, fmt::format("\"{}\" behind {} is not a number", word->text, what),
                      "give one vertex or face a line, and nothing but numbers");
  }
  return std::nullopt;
}

/// x, y, z and the extras of vertex `v` (from 1), the rest of this line.
std::optional<MeshFileFault> read_vertex(WordReader& words, std::size_t v, const VertexExtras& extras,
                                         FaceSoup& soup) {
  Eigen::Vector3d point;
  if (auto fault = read_point(words, v, point)) return fault;
  const WordReader behind = words;
  std::size_t numbers = 0;
  if (auto fault = count_numbers(words, fmt::format("vertex {}", v), numbers)) return fault;
  if (numbers < extras.least || numbers > extras.most) {
    return fault_here(behind, fmt::format("vertex {} has {} numbers", v, 3 + numbers),
                      fmt::format("give {} a vertex, as the file's first word asks for",
                                  extras.least == extras.most
                                      ? fmt::format("{}", 3 + extras.least)
                                      : fmt::format("{} or {}", 3 + extras.least, 3 + extras.most)));
  }
  soup.points.push_back(point);
  return std::nullopt;
}

/// The corners of face `face` (from 1) and its colour, the rest of this line.
std::optional<MeshFileFault> read_face(WordReader& words, std::size_t face, FaceSoup& soup) {
  const auto first = words.on_line();
  assert(first);  // next_written_line found it
  const auto corners = number<std::size_t>(first->text);
  if (!corners) {
    return fault_at(*first, fmt::format("\"{}\" is not a number of corners", first->text),
                    "start a face's line with how many corners it has");
  }
  if (*corners < 3) return too_few_corners(first->line, first->column, face, *corners);
  std::vector<std::size_t> named;
  named.reserve(4);
  while (named.size() < *corners) {
    const auto word = words.on_line();
    if (!word) {
      return fault_here(words, fmt::format("face {} has too few corners", face),
                        fmt::format("give {} numbers of vertices", *corners));
    }
    const auto index = number<long long>(word->text);
    if (!index) {
      return fault_at(*word, fmt::format("\"{}\" is not the number of a vertex", word->text),
                      "give a whole number");
    }
    if (*index < 0 || *index >= static_cast<long long>(soup.points.size()))
      return index_out_of_range(word->line, word->column, face, soup.points.size());
    named.push_back(static_cast<std::size_t>(*index));
  }
  std::size_t colours = 0;
  if (auto fault = count_numbers(words, fmt::format("face {}", face), colours)) return fault;
  return add_face(soup, named, first->line, first->column);
}

}  // namespace

MeshReading read_off(std::string_view bytes) {
  WordReader words(bytes, '#');
  VertexExtras extras;
  if (auto fault = read_keyword(words, extras)) return tl::unexpected(std::move(*fault));
  Counts counts;
  if (auto fault = read_counts(words, bytes, counts)) return tl::unexpected(std::move(*fault));
  FaceSoup soup;
  for (std::size_t v = 1; v <= counts.vertices; ++v) {
    if (!next_written_line(words)) {
      return tl::unexpected(
          fault_at_end(words, fmt::format("the file ends before vertex {} of {}", v, counts.vertices)));
    }
    if (auto fault = read_vertex(words, v, extras, soup)) return tl::unexpected(std::move(*fault));
  }
  for (std::size_t f = 1; f <= counts.faces; ++f) {
    if (!next_written_line(words)) {
      return tl::unexpected(
          fault_at_end(words, fmt::format("the file ends before face {} of {}", f, counts.faces)));
    }
    if (auto fault = read_face(words, f, soup)) return tl::unexpected(std::move(*fault));
  }
  if (const auto word = words.anywhere()) {
    return tl::unexpected(
        fault_at(*word, fmt::format("\"{}\" stands behind the last of {} faces", word->text, counts.faces),
                 "give the number of faces that the file has"));
  }
  if (soup.faces() == 0) return tl::unexpected(no_triangles());
  return soup;
}

}  // namespace withy
