// SPDX-License-Identifier: GPL-3.0-or-later
// NRRD: "Definition of NRRD File Format", Teem.
#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

#include <fmt/core.h>

#include "geometry/volume/refusals.h"
#include "geometry/volume/voxel_files.h"
#include "planner/files/words.h"

namespace withy {
namespace {

struct NrrdType {
  std::string_view name;
  double bytes;
};
constexpr std::array<NrrdType, 40> kNrrdTypes = {{{"signed char", 1},
                                                  {"int8", 1},
                                                  {"int8_t", 1},
                                                  {"uchar", 1},
                                                  {"unsigned char", 1},
                                                  {"uint8", 1},
                                                  {"uint8_t", 1},
                                                  {"short", 2},
                                                  {"short int", 2},
                                                  {"signed short", 2},
                                                  {"signed short int", 2},
                                                  {"int16", 2},
                                                  {"int16_t", 2},
                                                  {"ushort", 2},
                                                  {"unsigned short", 2},
                                                  {"unsigned short int", 2},
                                                  {"uint16", 2},
                                                  {"uint16_t", 2},
                                                  {"int", 4},
                                                  {"signed int", 4},
                                                  {"int32", 4},
                                                  {"int32_t", 4},
                                                  {"uint", 4},
                                                  {"unsigned int", 4},
                                                  {"uint32", 4},
                                                  {"uint32_t", 4},
                                                  {"longlong", 8},
                                                  {"long long", 8},
                                                  {"long long int", 8},
                                                  {"signed long long", 8},
                                                  {"signed long long int", 8},
                                                  {"int64", 8},
                                                  {"int64_t", 8},
                                                  {"ulonglong", 8},
                                                  {"unsigned long long", 8},
                                                  {"unsigned long long int", 8},
                                                  {"uint64", 8},
                                                  {"uint64_t", 8},
                                                  {"float", 4},
                                                  {"double", 8}}};

/// NRRD has so many axes at most.
constexpr double kMostNrrdAxes = 16.0;

VolumeRefusal missing_field(const char* name, const char* example) {
  return unreadable(fmt::format("its header has no field \"{}\"", name),
                    fmt::format("write \"{}\" there, or export it again", example))
      .value();
}

bool is_one_of(const std::string& value, std::initializer_list<std::string_view> names) {
  return std::find(names.begin(), names.end(), value) != names.end();
}

/// The fields that are read here come once each.
std::optional<VolumeRefusal> nrrd_twice(const TextHeader& header) {
  for (std::size_t i = 0; i < header.fields().size(); ++i)
    for (std::size_t j = 0; j < i; ++j)
      if (header.fields()[i].name == header.fields()[j].name)
        return refused_field(header.fields()[i], given(header.fields()[i]) + " a second time",
                             "leave one of the two out");
  return std::nullopt;
}

/// "(1,0,0) (0,1,0)": the numbers, in a row.
std::vector<std::string> coordinates(std::string value) {
  std::replace_if(
      value.begin(), value.end(), [](char c) { return c == '(' || c == ')' || c == ','; }, ' ');
  return words_of(value);
}

std::optional<VolumeRefusal> check_nrrd_places(const TextHeader& header) {
  const HeaderField* spacings = header.find({"spacings"});
  const HeaderField* directions = header.find({"space directions"});
  const HeaderField* origin = header.find({"space origin"});
  if (spacings != nullptr)
    if (auto refusal = check_spacings(*spacings, 3)) return refusal;
  if (directions != nullptr)
    if (auto refusal = check_directions(*directions, coordinates(directions->value), true)) return refusal;
  return origin == nullptr ? std::nullopt : check_coordinates(*origin, coordinates(origin->value), 3);
}

std::optional<VolumeRefusal> read_nrrd_code(const TextHeader& header, VoxelFiles& voxels) {
  const HeaderField* encoding = header.find({"encoding"});
  if (encoding == nullptr) return missing_field("encoding", "encoding: raw");
  const std::string name = lower_case(encoding->value);
  voxels.commas = true;
  if (name == "raw") {
    voxels.code = VoxelCode::plain;
    const HeaderField* endian = header.find({"endian"});
    if (voxels.value_bytes > 1.0 && endian == nullptr) return missing_field("endian", "endian: little");
    if (endian != nullptr && !is_one_of(lower_case(endian->value), {"little", "big"}))
      return refused_field(*endian, given(*endian), "write little or big there");
  } else if (is_one_of(name, {"gz", "gzip"})) {
    voxels.code = VoxelCode::packed;
  } else if (is_one_of(name, {"txt", "text", "ascii"})) {
    voxels.code = VoxelCode::words;
  } else if (name == "hex") {
    voxels.code = VoxelCode::hex;
  } else {
    return refused_field(*encoding, given(*encoding) + ", which withy does not read",
                         "export it with the encoding raw or gzip");
  }
  return std::nullopt;
}

/// Bytes and lines before the voxels.
std::optional<VolumeRefusal> read_skips(const TextHeader& header, VoxelFiles& voxels) {
  const auto count_of_field = [](const HeaderField* field) {
    return field == nullptr ? std::optional(0.0) : whole_number(field->value);
  };
  const HeaderField* lines = header.find({"line skip", "lineskip"});
  const HeaderField* bytes = header.find({"byte skip", "byteskip"});
  const auto line_count = count_of_field(lines);
  const auto byte_count = count_of_field(bytes);
  constexpr double kMostNrrdSkipped = 1e15;  // bytes: no file holds so many
  if (!line_count || *line_count < 0.0 || *line_count > kMostNrrdSkipped)
    return refused_field(*lines, given(*lines), "write how many lines stand before the voxels, 0 or more");
  const bool plain = voxels.code == VoxelCode::plain;
  if (!byte_count || *byte_count < (plain ? -1.0 : 0.0) || *byte_count > kMostNrrdSkipped)
    return refused_field(
        *bytes, given(*bytes),
        plain ? "write how many bytes stand before the voxels, or -1 where they are the file's last"
              : "write how many bytes stand before the voxels, 0 or more");
  voxels.lines = static_cast<std::size_t>(*line_count);
  voxels.at_end = *byte_count == -1.0;
  if (voxels.at_end) return std::nullopt;
  (voxels.code == VoxelCode::packed ? voxels.inner : voxels.begin) = static_cast<std::size_t>(*byte_count);
  return std::nullopt;
}

/// The files that hold the voxels: one, or as many as the slower axes make.
std::optional<VolumeRefusal> read_nrrd_names(const std::filesystem::path& file, const TextHeader& header,
                                             const std::vector<double>& sizes, VoxelFiles& voxels) {
  const HeaderField* data = header.find({"data file", "datafile"});
  if (data == nullptr) {
    if (voxels.at_end || voxels.lines > 0)
      return unreadable("its header passes over bytes or lines of voxels that stand behind it",
                        "leave \"byte skip\" and \"line skip\" out, or name a \"data file\"")
          .value();
    voxels.begin += header.end();
    voxels.files.push_back({});
    return std::nullopt;
  }
  const std::vector<std::string> words = words_of(data->value);
  if (words.empty())
    return refused_field(*data, given(*data), "write the name of the file with the voxels there");
  const bool list = words[0] == "LIST";
  if (!list && (words.size() < 4 || words[0].find('%') == std::string::npos)) {
    voxels.files.push_back({data->value, data->line});
    return std::nullopt;
  }
  const std::size_t at = list ? 1 : 4;
  const double axes = words.size() > at ? whole_number(words[at]).value_or(0.0) : 2.0;
  if (!(axes >= 1.0 && axes <= 3.0) || words.size() > at + 1)
    return refused_field(*data, given(*data),
                         "write how many axes each file holds, 2 for slices, or leave it out");
  double count = 1.0;
  for (auto k = static_cast<std::size_t>(axes); k < sizes.size(); ++k) count *= sizes[k];
  voxels.bytes_each /= count;
  return list ? add_listed(file, header, *data, static_cast<std::size_t>(count), voxels)
              : add_numbered(*data, words, static_cast<std::size_t>(count), voxels);
}

std::optional<VolumeRefusal> read_nrrd_voxels(const TextHeader& header, std::vector<double>& sizes,
                                              VoxelFiles& voxels) {
  const HeaderField* type = header.find({"type"});
  const HeaderField* dimension = header.find({"dimension"});
  const HeaderField* size = header.find({"sizes"});
  if (type == nullptr) return missing_field("type", "type: short");
  if (dimension == nullptr) return missing_field("dimension", "dimension: 3");
  if (size == nullptr) return missing_field("sizes", "sizes: 512 512 400");
  const auto axes = whole_number(dimension->value);
  if (!axes || *axes < 1.0 || *axes > kMostNrrdAxes)
    return refused_field(*dimension, given(*dimension), "write 3 there");
  if (auto refusal = read_sizes(*size, static_cast<std::size_t>(*axes), sizes)) return refusal;
  if (*axes != 3.0)
    return VolumeRefusal{
        VolumeFault::not_a_volume,
        fmt::format("this has {}; the values of a voxel, where there are several, count as one",
                    count_of(static_cast<std::size_t>(*axes), "dimension")),
        "give one volume of three dimensions and one value a voxel", dimension->line};
  const auto known = std::find_if(kNrrdTypes.begin(), kNrrdTypes.end(),
                                  [&](const NrrdType& t) { return t.name == lower_case(type->value); });
  if (known == kNrrdTypes.end())
    return refused_field(*type, given(*type) + ", which withy does not read",
                         "export it with whole numbers, as short, or with float or double");
  voxels.value_bytes = known->bytes;
  voxels.bytes_each = known->bytes * sizes[0] * sizes[1] * sizes[2];
  return std::nullopt;
}

/// What a header's unit of length is in mm; nothing where it is none, or axes have several.
std::optional<double> unit_in_mm(const HeaderField& field) {
  struct Unit {
    std::string_view name;
    double mm;
  };
  constexpr std::array<Unit, 8> kUnits = {{{"mm", 1.0},
                                           {"millimeter", 1.0},
                                           {"cm", 10.0},
                                           {"m", 1000.0},
                                           {"meter", 1000.0},
                                           {"um", 1e-3},
                                           {"micron", 1e-3},
                                           {"micrometer", 1e-3}}};
  std::string names = lower_case(field.value);
  std::replace(names.begin(), names.end(), '"', ' ');
  const std::vector<std::string> words = words_of(names);
  const auto unit = std::find_if(kUnits.begin(), kUnits.end(),
                                 [&](const Unit& u) { return !words.empty() && u.name == words.front(); });
  const bool same =
      std::all_of(words.begin(), words.end(), [&](const auto& w) { return w == words.front(); });
  return unit != kUnits.end() && same ? std::optional(unit->mm) : std::nullopt;
}

/// What is taken where the header has no distances, or has them in another unit.
void note_lengths(const TextHeader& header, std::vector<std::string>& done) {
  if (const HeaderField* field = header.find({"space units", "units"})) {
    const auto mm = unit_in_mm(*field);
    if (!mm)
      done.push_back(fmt::format(
          "The header's distances are in {}, and are taken for mm (--scale 10 for cm).", field->value));
    else if (*mm != 1.0)
      done.push_back(fmt::format("The header's lengths are in {}: converted to mm.", field->value));
  }
  if (header.find({"spacings", "space directions"}) == nullptr)
    done.push_back("The file gives no distance between voxels: took 1 mm (--scale S if it is S mm).");
}

}  // namespace

std::optional<VolumeRefusal> check_nrrd(const std::filesystem::path& file, std::vector<std::string>& done) {
  const auto header = TextHeader::read(file, TextHeader::Format::nrrd);
  if (!header || !header->first_line().starts_with("NRRD000") || header->first_line().size() != 8)
    return unreadable("this is no NRRD file: its first line is not NRRD0001 to NRRD0005",
                      "give a file that is what its name says, .nrrd or .nhdr")
        .value();
  if (auto refusal = nrrd_twice(*header)) return refusal;
  std::vector<double> sizes;
  VoxelFiles voxels;
  if (auto refusal = read_nrrd_voxels(*header, sizes, voxels)) return refusal;
  if (auto refusal = check_nrrd_places(*header)) return refusal;
  if (auto refusal = read_nrrd_code(*header, voxels)) return refusal;
  if (auto refusal = read_skips(*header, voxels)) return refusal;
  if (auto refusal = read_nrrd_names(file, *header, sizes, voxels)) return refusal;
  if (auto refusal = check_files(file, voxels)) return refusal;
  note_lengths(*header, done);
  return std::nullopt;
}

double nrrd_unit_mm(const std::filesystem::path& file) {
  const auto header = TextHeader::read(file, TextHeader::Format::nrrd);
  const HeaderField* field = header ? header->find({"space units", "units"}) : nullptr;
  return field == nullptr ? 1.0 : unit_in_mm(*field).value_or(1.0);
}

}  // namespace withy
