// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/mesh_reader_parts.h"
#include "geometry/mesh/ply_header.h"

namespace withy {
namespace {

/// A number of the body and where it stands; which of the two values holds depends on its type.
struct Value {
  double real = 0.0;
  long long whole = 0;
  int line = 1;
  int column = 1;
};

/// Which item is being read, counting from 1.
struct Item {
  const PlyElement& element;
  std::size_t index;
};

std::string name_of(const Item& item) {
  return fmt::format("{} {} of {}", item.element.name, item.index, item.element.count);
}

// ---- Numbers in text
// ------------------------------------------------------------------------------------------------

class TextNumbers {
 public:
  explicit TextNumbers(const WordReader& words) : words_(words) {}

  std::optional<MeshFileFault> next(const PlyType& type, const Item& item, Value& value) {
    const auto word = words_.anywhere();
    if (!word) return fault_at_end(words_, fmt::format("the file ends within {}", name_of(item)));
    value.line = word->line;
    value.column = word->column;
    return type.kind == PlyNumber::real ? read_real(*word, type, value) : read_whole(*word, type, value);
  }

 private:
  static std::optional<MeshFileFault> read_real(const Word& word, const PlyType& type, Value& value) {
    const auto read = number<double>(word.text);
    if (!read) {
      return fault_at(word, fmt::format("\"{}\" is not a number", word.text), "give a number such as 12.5");
    }
    value.real = *read;
    // The nearest float of the text is not always that of the nearest double.
    if (type.bytes == sizeof(float))
      value.real = number<float>(word.text).value_or(static_cast<float>(*read));
    return std::nullopt;
  }

  static std::optional<MeshFileFault> read_whole(const Word& word, const PlyType& type, Value& value) {
    const auto read = number<long long>(word.text);
    if (!read || (*read < 0 && type.kind == PlyNumber::natural)) {
      return fault_at(word, fmt::format("\"{}\" is not a whole number{}", word.text, read ? " from 0" : ""),
                      "give a whole number");
    }
    value.whole = *read;
    return std::nullopt;
  }

  WordReader words_;
};

// ---- Numbers in bytes
// -----------------------------------------------------------------------------------------------

template <class Number>
Number as(const std::array<char, 8>& bytes) {
  Number number;
  std::memcpy(&number, bytes.data(), sizeof number);
  return number;
}

/// `bytes`, in this machine's order, as a whole number.
long long whole_number(const std::array<char, 8>& bytes, const PlyType& type) {
  const bool natural = type.kind == PlyNumber::natural;
  if (type.bytes == 1) return natural ? as<std::uint8_t>(bytes) : as<std::int8_t>(bytes);
  if (type.bytes == 2) return natural ? as<std::uint16_t>(bytes) : as<std::int16_t>(bytes);
  return natural ? as<std::uint32_t>(bytes) : as<std::int32_t>(bytes);
}

class ByteNumbers {
 public:
  ByteNumbers(std::string_view body, PlyEncoding encoding)
      : rest_(body),
        turned_((encoding == PlyEncoding::big_endian) == (std::endian::native == std::endian::little)) {}

  std::optional<MeshFileFault> next(const PlyType& type, const Item& item, Value& value) {
    if (rest_.size() < type.bytes) {
      return MeshFileFault{1, 1, fmt::format("the file ends within {}", name_of(item)),
                           "copy or export the file whole"};
    }
    std::array<char, 8> bytes{};
    std::copy_n(rest_.begin(), type.bytes, bytes.begin());
    if (turned_) std::reverse(bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(type.bytes));
    rest_.remove_prefix(type.bytes);
    if (type.kind != PlyNumber::real) {
      value.whole = whole_number(bytes, type);
    } else {
      value.real = type.bytes == sizeof(float) ? as<float>(bytes) : as<double>(bytes);
    }
    return std::nullopt;
  }

 private:
  std::string_view rest_;
  bool turned_;
};

// ---- Elements
// -------------------------------------------------------------------------------------------------------

template <class Numbers>
class BodyReader {
 public:
  BodyReader(Numbers numbers, const PlyHeader& header) : numbers_(std::move(numbers)), header_(header) {}

  MeshReading read() {
    for (const PlyElement& element : header_.elements) {
      for (std::size_t i = 1; i <= element.count; ++i) {
        if (auto fault = read_item({element, i})) return tl::unexpected(std::move(*fault));
      }
    }
    return std::move(soup_);
  }

 private:
  std::optional<MeshFileFault> read_item(const Item& item) {
    Eigen::Vector3d point = Eigen::Vector3d::Zero();
    for (const PlyProperty& property : item.element.properties) {
      std::optional<MeshFileFault> fault;
      if (property.use == PlyUse::corners) {
        fault = read_corners(property, item);
      } else if (property.count_type) {
        fault = pass_over_list(property, item);
      } else {
        fault = read_number(property, item, point);
      }
      if (fault) return fault;
    }
    if (item.element.is_vertex()) soup_.points.push_back(point);
    return std::nullopt;
  }

  std::optional<MeshFileFault> read_number(const PlyProperty& property, const Item& item,
                                           Eigen::Vector3d& point) {
    Value value;
    if (auto fault = numbers_.next(*property.type, item, value)) return fault;
    if (property.use == PlyUse::none) return std::nullopt;
    if (!std::isfinite(value.real)) return not_finite(value.line, value.column, item.index);
    point[static_cast<int>(property.use) - static_cast<int>(PlyUse::x)] = value.real;
    return std::nullopt;
  }

  std::optional<MeshFileFault> read_count(const PlyProperty& property, const Item& item, Value& count) {
    if (auto fault = numbers_.next(*property.count_type, item, count)) return fault;
    if (count.whole >= 0) return std::nullopt;
    return MeshFileFault{count.line, count.column,
                         fmt::format("a list of {} counts {} numbers", name_of(item), count.whole),
                         "give a count from 0"};
  }

  std::optional<MeshFileFault> pass_over_list(const PlyProperty& property, const Item& item) {
    Value count, value;
    if (auto fault = read_count(property, item, count)) return fault;
    for (long long k = 0; k < count.whole; ++k) {
      if (auto fault = numbers_.next(*property.type, item, value)) return fault;
    }
    return std::nullopt;
  }

  std::optional<MeshFileFault> read_corners(const PlyProperty& property, const Item& item) {
    Value count;
    if (auto fault = read_count(property, item, count)) return fault;
    if (count.whole < 3)
      return too_few_corners(count.line, count.column, item.index, static_cast<std::size_t>(count.whole));
    std::vector<std::size_t> corners;
    corners.reserve(4);
    for (long long k = 0; k < count.whole; ++k) {
      Value value;
      if (auto fault = numbers_.next(*property.type, item, value)) return fault;
      if (value.whole < 0 || value.whole >= static_cast<long long>(header_.vertices))
        return index_out_of_range(value.line, value.column, item.index, header_.vertices);
      corners.push_back(static_cast<std::size_t>(value.whole));
    }
    return add_face(soup_, corners, count.line, count.column);
  }

  Numbers numbers_;
  const PlyHeader& header_;
  FaceSoup soup_;
};

}  // namespace

MeshReading read_ply(std::string_view bytes) {
  WordReader words(bytes);
  PlyHeader header;
  if (auto fault = read_ply_header(words, bytes, header)) return tl::unexpected(std::move(*fault));
  const bool more = words.next_line();
  if (header.encoding == PlyEncoding::text) return BodyReader(TextNumbers(words), header).read();
  const std::string_view body = more ? bytes.substr(words.offset()) : std::string_view{};
  return BodyReader(ByteNumbers(body, header.encoding), header).read();
}

}  // namespace withy
