// SPDX-License-Identifier: GPL-3.0-or-later
// MetaImage: the fields of its header as ITK's documentation of MetaIO has them.
#include <algorithm>
#include <array>
#include <cctype>
#include <fstream>
#include <string_view>
#include <utility>

#include <fmt/core.h>

#include "geometry/volume/refusals.h"
#include "geometry/volume/unpack.h"
#include "geometry/volume/voxel_files.h"

namespace withy {
namespace {

struct MetaType {
  std::string_view name;
  double bytes;
};
constexpr std::array<MetaType, 12> kMetaTypes = {{{"MET_CHAR", 1},
                                                  {"MET_UCHAR", 1},
                                                  {"MET_SHORT", 2},
                                                  {"MET_USHORT", 2},
                                                  {"MET_INT", 4},
                                                  {"MET_UINT", 4},
                                                  {"MET_LONG", 4},
                                                  {"MET_ULONG", 4},
                                                  {"MET_LONG_LONG", 8},
                                                  {"MET_ULONG_LONG", 8},
                                                  {"MET_FLOAT", 4},
                                                  {"MET_DOUBLE", 8}}};

/// Bytes of a field's name and of its value that its reader has room for: 255 and 500. It ends the program
/// where a name is longer, and takes what is left of a longer value for the next field.
constexpr std::size_t kMostMetaName = 200;
constexpr std::size_t kMostMetaValue = 450;

/// MetaImage has so many axes at most.
constexpr double kMostMetaAxes = 10.0;

constexpr std::array<std::string_view, 18> kReadFields = {"objecttype",
                                                          "ndims",
                                                          "dimsize",
                                                          "elementtype",
                                                          "elementnumberofchannels",
                                                          "elementspacing",
                                                          "elementsize",
                                                          "transformmatrix",
                                                          "rotation",
                                                          "orientation",
                                                          "offset",
                                                          "position",
                                                          "origin",
                                                          "binarydata",
                                                          "compresseddata",
                                                          "headersize",
                                                          "elementdatafile",
                                                          "compresseddatasize"};

bool is_true(const HeaderField* field) {
  return field != nullptr && !field->value.empty() &&
         std::string_view("tT1").find(field->value[0]) != std::string_view::npos;
}

std::optional<VolumeRefusal> meta_twice(const TextHeader& header) {
  for (const std::string_view name : kReadFields) {
    const HeaderField* first = header.find({name});
    for (const HeaderField& field : header.fields())
      if (field.name == name && &field != first)
        return refused_field(field, given(field) + " a second time", "leave one of the two out");
  }
  return std::nullopt;
}

/// Lines that its reader has no room for, or takes for others than are seen here.
std::optional<VolumeRefusal> check_meta_lines(const std::filesystem::path& file, const TextHeader& header) {
  std::ifstream in(file, std::ios::binary);
  int number = 1;
  for (std::string line; static_cast<std::size_t>(in.tellg()) < header.end() && std::getline(in, line);
       ++number) {
    const std::size_t name = std::min(line.find_first_of("=:"), line.size());
    const bool no_text = std::any_of(line.begin(), line.end(), [](unsigned char c) {
      return std::iscntrl(c) != 0 && c != '\t' && c != '\r';
    });
    if (!no_text && name <= kMostMetaName && line.size() - name <= kMostMetaValue) continue;
    auto refusal = unreadable(
        no_text ? "a line of its header holds bytes that are no text"
                : fmt::format("a line of its header is too long: a name may have {} bytes, a value {}",
                              kMostMetaName, kMostMetaValue),
        "leave that line out, or export it again");
    refusal.value().line = number;
    return std::move(refusal).value();
  }
  return std::nullopt;
}

VolumeRefusal missing_line(const char* example) {
  return unreadable(fmt::format("its header has no line as \"{}\"", example),
                    "write it there, or export it again")
      .value();
}

std::optional<VolumeRefusal> read_meta_voxels(const TextHeader& header, std::vector<double>& sizes,
                                              VoxelFiles& voxels) {
  const HeaderField* axes_field = header.find({"ndims"});
  const HeaderField* size_field = header.find({"dimsize"});
  const HeaderField* type = header.find({"elementtype"});
  const HeaderField* channels_field = header.find({"elementnumberofchannels"});
  if (axes_field == nullptr) return missing_line("NDims = 3");
  if (size_field == nullptr) return missing_line("DimSize = 512 512 400");
  if (type == nullptr) return missing_line("ElementType = MET_SHORT");
  const auto axes = whole_number(axes_field->value);
  if (!axes || *axes < 1.0 || *axes > kMostMetaAxes)
    return refused_field(*axes_field, given(*axes_field), "write 3 there");
  if (auto refusal = read_sizes(*size_field, static_cast<std::size_t>(*axes), sizes)) return refusal;
  const auto channels = channels_field == nullptr ? std::optional(1.0) : whole_number(channels_field->value);
  if (!channels || *channels < 1.0)
    return refused_field(*channels_field, given(*channels_field), "write 1 there");
  if (auto refusal = not_three_axes(sizes, static_cast<std::size_t>(*channels))) {
    refusal->line = axes_field->line;
    return refusal;
  }
  const auto known = std::find_if(kMetaTypes.begin(), kMetaTypes.end(),
                                  [&](const MetaType& t) { return t.name == type->value; });
  if (known == kMetaTypes.end())
    return refused_field(*type, given(*type) + ", which withy does not read",
                         "export it with whole numbers, as MET_SHORT, or with MET_FLOAT or MET_DOUBLE");
  voxels.value_bytes = known->bytes;
  voxels.bytes_each = known->bytes * sizes[0] * sizes[1] * sizes[2];
  return std::nullopt;
}

std::optional<VolumeRefusal> check_meta_places(const TextHeader& header, std::size_t axes) {
  for (const char* name : {"elementspacing", "elementsize"})
    if (const HeaderField* field = header.find({name}))
      if (auto refusal = check_spacings(*field, axes)) return refusal;
  for (const char* name : {"offset", "position", "origin"})
    if (const HeaderField* field = header.find({name}))
      if (auto refusal = check_coordinates(*field, words_of(field->value), axes)) return refusal;
  for (const char* name : {"transformmatrix", "rotation", "orientation"})
    if (const HeaderField* field = header.find({name})) {
      const auto words = words_of(field->value);
      if (auto refusal = axes == 3 ? check_directions(*field, words, false)
                                   : check_coordinates(*field, words, axes * axes))
        return refusal;
    }
  return std::nullopt;
}

std::optional<VolumeRefusal> read_meta_code(const TextHeader& header, VoxelFiles& voxels) {
  const bool binary = is_true(header.find({"binarydata"}));
  const HeaderField* compressed = header.find({"compresseddata"});
  voxels.code = !binary ? VoxelCode::words : is_true(compressed) ? VoxelCode::packed : VoxelCode::plain;
  if (!binary && is_true(compressed))
    return refused_field(*compressed, "its header has packed voxels that are not binary",
                         "write BinaryData = True there, or export it again");
  if (const HeaderField* size = header.find({"compresseddatasize"}); size != nullptr && is_true(compressed)) {
    voxels.packed_bytes = whole_number(size->value);
    if (!voxels.packed_bytes || *voxels.packed_bytes < 1.0)
      return refused_field(*size, given(*size),
                           "leave that line out, or write the bytes that the packed voxels take");
  }
  return std::nullopt;
}

/// The bytes that are passed over before the voxels.
std::optional<VolumeRefusal> read_skip(const TextHeader& header, bool local, VoxelFiles& voxels) {
  const HeaderField* field = header.find({"headersize"});
  if (local) voxels.begin = header.end();
  if (field == nullptr) return std::nullopt;
  const auto bytes = whole_number(field->value);
  constexpr double kMostMetaSkipped = 2147483647.0;  // its reader has four bytes for it
  const bool plain = voxels.code == VoxelCode::plain;
  if (!bytes || *bytes < (plain ? -1.0 : 0.0) || *bytes > kMostMetaSkipped || (local && *bytes > 0.0))
    return refused_field(
        *field, given(*field),
        local   ? "leave that line out: the voxels follow the header"
        : plain ? "write how many bytes stand before the voxels, or -1 where they are the file's last"
                : "write how many bytes stand before the voxels, 0 or more");
  if (local) return std::nullopt;
  voxels.at_end = *bytes == -1.0;
  if (!voxels.at_end) voxels.begin = static_cast<std::size_t>(*bytes);
  return std::nullopt;
}

/// The files that hold the voxels.
std::optional<VolumeRefusal> read_meta_names(const std::filesystem::path& file, const TextHeader& header,
                                             const std::vector<double>& sizes, VoxelFiles& voxels) {
  const HeaderField* data = header.find({"elementdatafile"});
  const std::vector<std::string> words = words_of(data->value);
  if (words.empty())
    return refused_field(*data, given(*data), "write LOCAL there, or the name of the file with the voxels");
  const bool local = words.size() == 1 && (words[0] == "LOCAL" || words[0] == "Local" || words[0] == "local");
  if (auto refusal = read_skip(header, local, voxels)) return refusal;
  if (local) {
    voxels.files.push_back({});
    return std::nullopt;
  }
  const bool list = words[0].starts_with("LIST");
  if (!list && data->value.find('%') == std::string::npos) {
    voxels.files.push_back({data->value, data->line});
    return std::nullopt;
  }
  if (voxels.code == VoxelCode::packed)
    return refused_field(*data, "its header has packed voxels in several files, which withy does not read",
                         "export it as one file, .mha");
  const double axes = list && words.size() > 1 ? whole_number(words[1]).value_or(0.0)
                                               : static_cast<double>(sizes.size()) - 1.0;
  if (!(axes >= 1.0 && axes <= static_cast<double>(sizes.size())))
    return refused_field(*data, given(*data), "write LIST there, or LIST and the axes that each file holds");
  double count = 1.0;
  for (auto k = static_cast<std::size_t>(axes); k < sizes.size(); ++k) count *= sizes[k];
  voxels.bytes_each /= count;
  return list ? add_listed(file, header, *data, static_cast<std::size_t>(count), voxels)
              : add_numbered(*data, words, static_cast<std::size_t>(count), voxels);
}

/// Is this a packed file in one that does not say how long its voxels are?
bool lacks_size(const TextHeader& header) {
  return is_true(header.find({"binarydata"})) && is_true(header.find({"compresseddata"})) &&
         header.find({"compresseddatasize"}) == nullptr &&
         lower_case(header.find({"elementdatafile"})->value) == "local";
}

}  // namespace

std::optional<MemoryFile> unpacked_meta(const std::filesystem::path& file) {
  const auto header = TextHeader::read(file, TextHeader::Format::meta);
  if (!header || !lacks_size(*header)) return std::nullopt;
  auto copy = MemoryFile::make("unpacked.mha");
  if (!copy) return std::nullopt;
  std::ifstream in(file, std::ios::binary);
  for (std::string line; static_cast<std::size_t>(in.tellg()) < header->end() && std::getline(in, line);) {
    if (lower_case(line).starts_with("compresseddata")) continue;
    line += '\n';
    if (!copy->write(line.data(), line.size())) return std::nullopt;
  }
  const Unpacked all =
      unpack(in, [&](const char* bytes, std::size_t count) { return copy->write(bytes, count); });
  if (all.end != Unpacked::End::whole) return std::nullopt;
  return copy;
}

std::optional<VolumeRefusal> check_meta(const std::filesystem::path& file, std::vector<std::string>& done) {
  const auto header = TextHeader::read(file, TextHeader::Format::meta);
  if (!header)
    return unreadable("this is no MetaImage file: it has no line \"ElementDataFile = \"",
                      "give a file that is what its name says, .mha or .mhd")
        .value();
  if (auto refusal = check_meta_lines(file, *header)) return refusal;
  if (auto refusal = meta_twice(*header)) return refusal;
  std::vector<double> sizes;
  VoxelFiles voxels;
  if (auto refusal = read_meta_voxels(*header, sizes, voxels)) return refusal;
  if (auto refusal = check_meta_places(*header, sizes.size())) return refusal;
  if (auto refusal = read_meta_code(*header, voxels)) return refusal;
  if (auto refusal = read_meta_names(file, *header, sizes, voxels)) return refusal;
  if (auto refusal = check_files(file, voxels)) return refusal;
  if (header->find({"elementspacing", "elementsize"}) == nullptr)
    done.push_back("The file gives no distance between voxels: took 1 mm (--scale S if it is S mm).");
  return std::nullopt;
}

}  // namespace withy
