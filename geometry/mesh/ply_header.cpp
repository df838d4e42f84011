// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/ply_header.h"

#include <algorithm>
#include <array>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader_parts.h"

namespace withy {
namespace {

constexpr std::array<PlyType, 8> kTypes = {{{"char", "int8", 1, PlyNumber::whole},
                                            {"uchar", "uint8", 1, PlyNumber::natural},
                                            {"short", "int16", 2, PlyNumber::whole},
                                            {"ushort", "uint16", 2, PlyNumber::natural},
                                            {"int", "int32", 4, PlyNumber::whole},
                                            {"uint", "uint32", 4, PlyNumber::natural},
                                            {"float", "float32", 4, PlyNumber::real},
                                            {"double", "float64", 8, PlyNumber::real}}};

const PlyType* type_named(std::string_view word) {
  const auto found = std::find_if(kTypes.begin(), kTypes.end(),
                                  [&](const PlyType& t) { return word == t.name || word == t.other_name; });
  return found == kTypes.end() ? nullptr : &*found;
}

std::optional<MeshFileFault> read_format(WordReader& words, PlyHeader& header) {
  const auto keyword = words.on_line();
  const auto encoding = words.on_line();
  const auto version = words.on_line();
  if (!keyword || keyword->text != "format" || !encoding || !version) {
    return MeshFileFault{words.line(), 1, "the second line of a PLY file should name its format",
                         "write format ascii 1.0, or binary_little_endian 1.0"};
  }
  if (encoding->text == "ascii") {
    header.encoding = PlyEncoding::text;
  } else if (encoding->text == "binary_little_endian") {
    header.encoding = PlyEncoding::little_endian;
  } else if (encoding->text == "binary_big_endian") {
    header.encoding = PlyEncoding::big_endian;
  } else {
    return fault_at(*encoding, fmt::format("\"{}\" is no PLY format", encoding->text),
                    "write ascii, binary_little_endian or binary_big_endian");
  }
  return std::nullopt;
}

std::optional<MeshFileFault> read_element(WordReader& words, std::string_view bytes, PlyHeader& header) {
  const auto name = words.on_line();
  const auto count = words.on_line();
  if (!name || !count)
    return fault_here(words, "an element needs a name and a count", "write, say, element vertex 8");
  const auto value = number<std::size_t>(count->text);
  if (!value)
    return fault_at(*count, fmt::format("\"{}\" is not a count", count->text), "give a whole number");
  // An item takes a byte at the least, so a count beyond the file's bytes can't be meant.
  if (*value > bytes.size()) {
    return fault_at(*count, fmt::format("the file is too short for {} items", *value),
                    "give the number it has");
  }
  header.elements.push_back({name->text, *value, {}, *name});
  return std::nullopt;
}

std::optional<MeshFileFault> read_property(WordReader& words, PlyHeader& header) {
  if (header.elements.empty())
    return fault_here(words, "a property stands before any element", "put element before it");
  auto type = words.on_line();
  PlyProperty property;
  if (type && type->text == "list") {
    const auto count_type = words.on_line();
    if (count_type) property.count_type = type_named(count_type->text);
    if (!property.count_type || property.count_type->kind == PlyNumber::real) {
      return fault_here(words, "a list needs a whole-number type for its count",
                        "write, say, property list uchar int vertex_indices");
    }
    type = words.on_line();
  }
  const auto name = words.on_line();
  if (!type || !name)
    return fault_here(words, "a property needs a type and a name", "write, say, property float x");
  property.type = type_named(type->text);
  if (!property.type) {
    return fault_at(*type, fmt::format("\"{}\" is no PLY type", type->text),
                    "write char, uchar, short, ushort, int, uint, float or double");
  }
  property.name = name->text;
  property.word = *name;
  header.elements.back().properties.push_back(property);
  return std::nullopt;
}

std::optional<MeshFileFault> read_header_lines(WordReader& words, std::string_view bytes, PlyHeader& header) {
  const auto first = words.on_line();
  if (!first || first->text != "ply")
    return MeshFileFault{1, 1, "a PLY file starts with ply", "export the mesh again as PLY"};
  words.next_line();
  if (auto fault = read_format(words, header)) return fault;
  while (words.next_line()) {
    const auto keyword = words.on_line();
    if (!keyword && words.offset() == bytes.size()) break;
    if (!keyword) return fault_here(words, "a PLY header has no empty lines", "remove this line");
    std::optional<MeshFileFault> fault;
    if (keyword->text == "end_header") return std::nullopt;
    if (keyword->text == "element") fault = read_element(words, bytes, header);
    if (keyword->text == "property") fault = read_property(words, header);
    if (fault) return fault;
  }
  return fault_here(words, "the file ends within its header", "copy or export the file whole");
}

std::optional<MeshFileFault> find_coordinates(PlyElement& element) {
  for (const auto& [axis, use] : {std::pair{"x", PlyUse::x}, {"y", PlyUse::y}, {"z", PlyUse::z}}) {
    const auto found = std::find_if(element.properties.begin(), element.properties.end(),
                                    [axis = axis](const PlyProperty& p) { return p.name == axis; });
    if (found == element.properties.end()) {
      return fault_at(element.word, fmt::format("the vertices have no {}", axis),
                      "give each vertex float x, y and z");
    }
    if (found->count_type || found->type->kind != PlyNumber::real) {
      return fault_at(found->word, fmt::format("coordinate {} is not float or double", axis),
                      "write property float");
    }
    found->use = use;
  }
  return std::nullopt;
}

std::optional<MeshFileFault> find_corners(PlyElement& element) {
  const auto corners =
      std::find_if(element.properties.begin(), element.properties.end(), [](const PlyProperty& p) {
        return p.count_type && (p.name == "vertex_indices" || p.name == "vertex_index");
      });
  if (corners == element.properties.end()) {
    return fault_at(element.word, "the faces have no list of corners",
                    "write property list uchar int vertex_indices");
  }
  if (corners->type->kind == PlyNumber::real || corners->type->bytes != 4) {
    return fault_at(corners->word, "the corners are not int or uint",
                    "write property list uchar int vertex_indices");
  }
  corners->use = PlyUse::corners;
  return std::nullopt;
}

/// One element of vertices at most, and one of faces.
std::optional<MeshFileFault> fault_of_repeats(const PlyHeader& header) {
  for (const auto is : {&PlyElement::is_vertex, &PlyElement::is_face}) {
    const PlyElement* first = nullptr;
    for (const PlyElement& element : header.elements) {
      if (!(element.*is)()) continue;
      if (first)
        return fault_at(element.word, fmt::format("\"{}\" is declared a second time", element.name),
                        "declare vertices and faces once each");
      first = &element;
    }
  }
  return std::nullopt;
}

}  // namespace

std::optional<MeshFileFault> read_ply_header(WordReader& words, std::string_view bytes, PlyHeader& header) {
  if (auto fault = read_header_lines(words, bytes, header)) return fault;
  if (auto fault = fault_of_repeats(header)) return fault;
  std::size_t faces = 0;
  for (PlyElement& element : header.elements) {
    std::optional<MeshFileFault> fault;
    if (element.is_vertex()) {
      fault = find_coordinates(element);
      header.vertices = element.count;
    }
    if (element.is_face()) {
      fault = find_corners(element);
      faces = element.count;
    }
    if (fault) return fault;
  }
  if (faces == 0) return no_triangles();
  return std::nullopt;
}

}  // namespace withy
