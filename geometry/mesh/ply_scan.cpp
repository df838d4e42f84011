// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "geometry/mesh/mesh_scan.h"
#include "planner/files/word_reader.h"

namespace withy {
namespace {

enum class Encoding { text, little_endian, big_endian };

struct Type {
  std::string_view name, other_name;
  std::size_t bytes;
  bool whole;
};

constexpr std::array<Type, 8> kTypes = {{{"char", "int8", 1, true},
                                         {"uchar", "uint8", 1, true},
                                         {"short", "int16", 2, true},
                                         {"ushort", "uint16", 2, true},
                                         {"int", "int32", 4, true},
                                         {"uint", "uint32", 4, true},
                                         {"float", "float32", 4, false},
                                         {"double", "float64", 8, false}}};

const Type* type_named(std::string_view word) {
  const auto found = std::find_if(kTypes.begin(), kTypes.end(),
                                  [&](const Type& t) { return word == t.name || word == t.other_name; });
  return found == kTypes.end() ? nullptr : &*found;
}

struct Property {
  std::string_view name;
  const Type* type = nullptr;
  const Type* count_type = nullptr;  ///< of a list
  Word word;                         ///< where it is declared
};

struct Element {
  std::string_view name;
  std::size_t count = 0;
  std::vector<Property> properties;
  Word word;

  bool is_vertex() const { return name == "vertex" || name == "vertices"; }
  bool is_face() const { return name == "face" || name == "faces"; }
};

struct Header {
  Encoding encoding = Encoding::text;
  std::vector<Element> elements;

  std::size_t count(bool (Element::*is)() const) const {
    for (const Element& e : elements) {
      if ((e.*is)()) return e.count;
    }
    return 0;
  }
};

MeshFileFault at(const Word& word, std::string problem, std::string remedy) {
  return {word.line, word.column, std::move(problem), std::move(remedy)};
}

MeshFileFault here(const WordReader& words, std::string problem, std::string remedy) {
  return {words.line(), words.column(), std::move(problem), std::move(remedy)};
}

bool is_corner_list(const Property& p) {
  return p.count_type != nullptr && (p.name == "vertex_indices" || p.name == "vertex_index");
}

// ---- Header
// ---------------------------------------------------------------------------------------------------------

std::optional<MeshFileFault> scan_format(WordReader& words, Header& header) {
  const auto keyword = words.on_line();
  const auto encoding = words.on_line();
  const auto version = words.on_line();
  if (!keyword || keyword->text != "format" || !encoding || !version) {
    return MeshFileFault{words.line(), 1, "the second line of a PLY file should name its format",
                         "write format ascii 1.0, or binary_little_endian 1.0"};
  }
  if (encoding->text == "ascii") {
    header.encoding = Encoding::text;
  } else if (encoding->text == "binary_little_endian") {
    header.encoding = Encoding::little_endian;
  } else if (encoding->text == "binary_big_endian") {
    header.encoding = Encoding::big_endian;
  } else {
    return at(*encoding, fmt::format("\"{}\" is no PLY format", encoding->text),
              "write ascii, binary_little_endian or binary_big_endian");
  }
  return std::nullopt;
}

std::optional<MeshFileFault> scan_element(WordReader& words, std::string_view bytes, Header& header) {
  const auto name = words.on_line();
  const auto count = words.on_line();
  if (!name || !count)
    return here(words, "an element needs a name and a count", "write, say, element vertex 8");
  const auto value = number<std::size_t>(count->text);
  if (!value) return at(*count, fmt::format("\"{}\" is not a count", count->text), "give a whole number");
  // An item takes a byte at the least, so a count beyond the file's bytes can't be meant.
  if (*value > bytes.size()) {
    return at(*count, fmt::format("the file is too short for {} items", *value), "give the number it has");
  }
  header.elements.push_back({name->text, *value, {}, *name});
  return std::nullopt;
}

std::optional<MeshFileFault> scan_property(WordReader& words, Header& header) {
  if (header.elements.empty())
    return here(words, "a property stands before any element", "put element before it");
  auto type = words.on_line();
  Property property;
  if (type && type->text == "list") {
    const auto count_type = words.on_line();
    if (count_type) property.count_type = type_named(count_type->text);
    if (!property.count_type || !property.count_type->whole) {
      return here(words, "a list needs a whole-number type for its count",
                  "write, say, property list uchar int vertex_indices");
    }
    type = words.on_line();
  }
  const auto name = words.on_line();
  if (!type || !name)
    return here(words, "a property needs a type and a name", "write, say, property float x");
  property.type = type_named(type->text);
  if (!property.type) {
    return at(*type, fmt::format("\"{}\" is no PLY type", type->text),
              "write char, uchar, short, ushort, int, uint, float or double");
  }
  property.name = name->text;
  property.word = *name;
  header.elements.back().properties.push_back(property);
  return std::nullopt;
}

std::optional<MeshFileFault> scan_header_lines(WordReader& words, std::string_view bytes, Header& header) {
  const auto first = words.on_line();
  if (!first || first->text != "ply")
    return MeshFileFault{1, 1, "a PLY file starts with ply", "export the mesh again as PLY"};
  words.next_line();
  if (auto fault = scan_format(words, header)) return fault;
  while (words.next_line()) {
    const auto keyword = words.on_line();
    if (!keyword && words.offset() == bytes.size()) break;
    if (!keyword) return here(words, "a PLY header has no empty lines", "remove this line");
    std::optional<MeshFileFault> fault;
    if (keyword->text == "end_header") return std::nullopt;
    if (keyword->text == "element") fault = scan_element(words, bytes, header);
    if (keyword->text == "property") fault = scan_property(words, header);
    if (fault) return fault;
  }
  return here(words, "the file ends within its header", "copy or export the file whole");
}

/// The reader takes coordinates as float or double only, and corners as lists of int or uint only.
std::optional<MeshFileFault> fault_of_vertex_header(const Element& element) {
  for (const std::string_view axis : {"x", "y", "z"}) {
    const auto found = std::find_if(element.properties.begin(), element.properties.end(),
                                    [&](const Property& p) { return p.name == axis; });
    if (found == element.properties.end()) {
      return at(element.word, fmt::format("the vertices have no {}", axis),
                "give each vertex float x, y and z");
    }
    if (found->count_type || found->type->whole) {
      return at(found->word, fmt::format("coordinate {} is not float or double", axis),
                "write property float");
    }
  }
  return std::nullopt;
}

std::optional<MeshFileFault> fault_of_face_header(const Element& element) {
  const auto corners = std::find_if(element.properties.begin(), element.properties.end(), is_corner_list);
  if (corners == element.properties.end()) {
    return at(element.word, "the faces have no list of corners",
              "write property list uchar int vertex_indices");
  }
  if (!corners->type->whole || corners->type->bytes != 4) {
    return at(corners->word, "the corners are not int or uint",
              "write property list uchar int vertex_indices");
  }
  return std::nullopt;
}

std::optional<MeshFileFault> scan_header(WordReader& words, std::string_view bytes, Header& header) {
  if (auto fault = scan_header_lines(words, bytes, header)) return fault;
  for (const Element& element : header.elements) {
    std::optional<MeshFileFault> fault;
    if (element.is_vertex()) fault = fault_of_vertex_header(element);
    if (element.is_face()) fault = fault_of_face_header(element);
    if (fault) return fault;
  }
  if (header.count(&Element::is_face) == 0) return no_triangles();
  return std::nullopt;
}

// ---- Body in text
// ---------------------------------------------------------------------------------------------------

/// One number of item `item` (from 1) of an element.
std::optional<MeshFileFault> scan_number(WordReader& words, const Element& element, std::size_t item,
                                         const Type& type, Word& word) {
  const auto found = words.anywhere();
  if (!found) {
    return here(words, fmt::format("the file ends within {} {} of {}", element.name, item, element.count),
                "copy or export the file whole");
  }
  word = *found;
  if (type.whole) {
    if (!number<long long>(word.text)) {
      return at(word, fmt::format("\"{}\" is not a whole number", word.text), "give a whole number");
    }
    return std::nullopt;
  }
  const auto value = number<double>(word.text);
  if (!value) return at(word, fmt::format("\"{}\" is not a number", word.text), "give a number such as 12.5");
  if (!std::isfinite(*value)) return not_finite(word.line, word.column, item);
  return std::nullopt;
}

std::optional<MeshFileFault> scan_list(WordReader& words, const Element& element, std::size_t item,
                                       const Property& property, std::size_t vertices) {
  Word word;
  if (auto fault = scan_number(words, element, item, *property.count_type, word)) return fault;
  const auto count = number<long long>(word.text).value_or(0);
  const bool corners = element.is_face() && is_corner_list(property);
  if (corners && count != 3)
    return not_a_triangle(word.line, word.column, item, static_cast<std::size_t>(count));
  for (long long k = 0; k < count; ++k) {
    if (auto fault = scan_number(words, element, item, *property.type, word)) return fault;
    if (!corners) continue;
    const auto index = number<long long>(word.text).value_or(-1);
    if (index < 0 || index >= static_cast<long long>(vertices)) {
      return index_out_of_range(word.line, word.column, item, vertices);
    }
  }
  return std::nullopt;
}

std::optional<MeshFileFault> scan_text_body(WordReader& words, const Header& header) {
  const std::size_t vertices = header.count(&Element::is_vertex);
  for (const Element& element : header.elements) {
    for (std::size_t item = 1; item <= element.count; ++item) {
      for (const Property& property : element.properties) {
        Word word;
        auto fault = property.count_type ? scan_list(words, element, item, property, vertices)
                                         : scan_number(words, element, item, *property.type, word);
        if (fault) return fault;
      }
    }
  }
  return std::nullopt;
}

// ---- Body in bytes
// --------------------------------------------------------------------------------------------------

/// A list's count; what the numbers say otherwise is looked at after reading.
std::size_t count_at(const char* data, std::size_t size, Encoding encoding) {
  std::uint32_t value = 0;
  for (std::size_t k = 0; k < size; ++k) {
    const std::size_t significance = encoding == Encoding::little_endian ? k : size - 1 - k;
    value |= static_cast<std::uint32_t>(static_cast<unsigned char>(data[k])) << (8 * significance);
  }
  return value;
}

MeshFileFault cut_off(const Element& element, std::size_t item) {
  return {1, 1, fmt::format("the file ends within {} {} of {}", element.name, item, element.count),
          "copy or export the file whole"};
}

std::optional<MeshFileFault> scan_binary_body(std::string_view body, const Header& header) {
  std::size_t at = 0;
  for (const Element& element : header.elements) {
    for (std::size_t item = 1; item <= element.count; ++item) {
      for (const Property& property : element.properties) {
        std::size_t numbers = 1;
        if (property.count_type) {
          if (body.size() - at < property.count_type->bytes) return cut_off(element, item);
          numbers = count_at(body.data() + at, property.count_type->bytes, header.encoding);
          at += property.count_type->bytes;
          if (element.is_face() && is_corner_list(property) && numbers != 3)
            return not_a_triangle(1, 1, item, numbers);
        }
        if ((body.size() - at) / property.type->bytes < numbers) return cut_off(element, item);
        at += numbers * property.type->bytes;
      }
    }
  }
  return std::nullopt;
}

}  // namespace

std::optional<MeshFileFault> scan_ply(std::string_view bytes) {
  WordReader words(bytes);
  Header header;
  if (auto fault = scan_header(words, bytes, header)) return fault;
  const bool more = words.next_line();
  if (header.encoding == Encoding::text) return scan_text_body(words, header);
  return scan_binary_body(more ? bytes.substr(words.offset()) : std::string_view{}, header);
}

}  // namespace withy
