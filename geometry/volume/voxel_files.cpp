// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/voxel_files.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <fstream>
#include <limits>
#include <utility>

#include <Eigen/Core>
#include <Eigen/LU>
#include <fmt/core.h>

#include "geometry/volume/refusals.h"
#include "geometry/volume/unpack.h"
#include "planner/files/plain_line.h"
#include "planner/files/word_reader.h"
#include "planner/files/words.h"

namespace withy {
namespace {

/// Bytes of a text that are read at once.
constexpr std::size_t kTextAtOnce = std::size_t{1} << 20;

/// Three unit vectors span a volume where that of theirs is more than this.
constexpr double kLeastSpan = 1e-6;

VolumeRefusal at_line(VolumeRefusal refusal, int line) {
  refusal.line = line;
  return refusal;
}

std::optional<VolumeRefusal> at_field(std::optional<VolumeRefusal> refusal, const HeaderField& field) {
  if (refusal) refusal->line = field.line;
  return refusal;
}

/// How a file is called in a message.
std::string whose(const VoxelFile& file) {
  return file.name.empty() ? "the file" : plain_line(file.name);
}

/// Passes over whole lines; false where there are none.
bool skip_lines(std::ifstream& in, std::size_t lines) {
  for (std::size_t i = 0; i < lines; ++i)
    if (!in.ignore(std::numeric_limits<std::streamsize>::max(), '\n') || in.eof()) return false;
  return true;
}

/// Numbers of a text, or what is not one.
struct CountedWords {
  double count = 0.0;
  std::optional<std::string> none;
};

CountedWords count_words(std::ifstream& in, bool commas) {
  CountedWords counted;
  std::vector<char> part(kTextAtOnce);
  std::string word;
  const auto end_word = [&] {
    if (word.empty()) return true;
    if (!number<double>(word)) counted.none = word;
    word.clear();
    ++counted.count;
    return !counted.none;
  };
  while (in.read(part.data(), static_cast<std::streamsize>(part.size())) || in.gcount() > 0)
    for (std::streamsize i = 0; i < in.gcount(); ++i) {
      const char c = part[static_cast<std::size_t>(i)];
      const bool between = std::isspace(static_cast<unsigned char>(c)) != 0 || (commas && c == ',');
      if (!between && word.size() < kLongestWord) word += c;
      if (between && !end_word()) return counted;
    }
  end_word();
  return counted;
}

/// Bytes that a text's digits make; nothing where another character stands among them.
std::optional<double> count_hex(std::ifstream& in) {
  double digits = 0.0;
  for (std::string line; std::getline(in, line);)
    for (const unsigned char c : line) {
      if (std::isspace(c) != 0) continue;
      if (std::isxdigit(c) == 0) return std::nullopt;
      ++digits;
    }
  return 0.5 * digits;
}

std::optional<VolumeRefusal> check_text(std::ifstream& in, const VoxelFile& file, const VoxelFiles& voxels) {
  if (voxels.code == VoxelCode::hex) {
    const auto held = count_hex(in);
    if (!held)
      return unreadable(fmt::format("{} holds a character that is no digit from 0 to f", whose(file)),
                        "copy or export it again")
          .value();
    return wrong_count(whose(file), *held, voxels.bytes_each);
  }
  const CountedWords counted = count_words(in, voxels.commas);
  if (counted.none)
    return unreadable(fmt::format("{} holds \"{}\" where a voxel's number should be", whose(file),
                                  plain_line(*counted.none)),
                      "write numbers with blanks between them, or export it again")
        .value();
  return wrong_count(whose(file), counted.count * voxels.value_bytes, voxels.bytes_each);
}

std::optional<VolumeRefusal> check_packed(std::ifstream& in, const VoxelFile& file,
                                          const VoxelFiles& voxels) {
  const double meant = voxels.bytes_each + static_cast<double>(voxels.inner);
  double held = 0.0;
  const Unpacked all = unpack(in, [&](const char*, std::size_t count) {
    held += static_cast<double>(count);
    return held <= most_unpacked(meant);
  });
  if (auto refusal = wrong_packing(whose(file), all)) return refusal;
  if (auto refusal = wrong_count(whose(file), held, meant)) return refusal;
  if (voxels.packed_bytes && *voxels.packed_bytes != static_cast<double>(all.packed))
    return unreadable(fmt::format("its header gives {:.0f} bytes of packed voxels, and {} holds {}",
                                  *voxels.packed_bytes, whose(file), all.packed),
                      fmt::format("write CompressedDataSize = {}, or export it again", all.packed))
        .value();
  return std::nullopt;
}

std::optional<VolumeRefusal> check_plain(const std::filesystem::path& path, std::size_t begin,
                                         const VoxelFile& file, const VoxelFiles& voxels) {
  std::error_code ignored;
  const auto size = static_cast<double>(std::filesystem::file_size(path, ignored));
  if (!voxels.at_end)
    return wrong_count(whose(file), std::max(0.0, size - static_cast<double>(begin)), voxels.bytes_each);
  return size < voxels.bytes_each ? wrong_count(whose(file), size, voxels.bytes_each) : std::nullopt;
}

std::optional<VolumeRefusal> check_file(const std::filesystem::path& path, const VoxelFile& file,
                                        const VoxelFiles& voxels) {
  std::error_code fault;
  const auto status = std::filesystem::status(path, fault);
  if (!std::filesystem::exists(status))
    return unreadable(
               fmt::format("its header names {} for its voxels, and there is no such file", whose(file)),
               "put it where the header says, seen from the header's folder, or export the volume as one "
               "file, .nrrd, .nii or .mha")
        .value();
  if (!std::filesystem::is_regular_file(status))
    return unreadable(fmt::format("its header names {} for its voxels, which is no file", whose(file)),
                      "write the name of the file with the voxels there")
        .value();
  std::ifstream in(path, std::ios::binary);
  if (!in)
    return unreadable(fmt::format("{}, which holds its voxels, can't be opened", whose(file)),
                      "give a file that you may read")
        .value();
  if (!skip_lines(in, voxels.lines))
    return unreadable(fmt::format("{} has fewer lines than its header says to pass over", whose(file)),
                      "write how many lines stand before the voxels")
        .value();
  const auto begin = static_cast<std::size_t>(in.tellg()) + voxels.begin;
  if (voxels.code == VoxelCode::plain) return check_plain(path, begin, file, voxels);
  in.seekg(static_cast<std::streamoff>(begin));
  return voxels.code == VoxelCode::packed ? check_packed(in, file, voxels) : check_text(in, file, voxels);
}

}  // namespace

std::optional<VolumeRefusal> check_files(const std::filesystem::path& header, const VoxelFiles& voxels) {
  for (const VoxelFile& file : voxels.files) {
    const std::filesystem::path path = file.name.empty() ? header : header.parent_path() / file.name;
    if (auto refusal = check_file(path, file, voxels)) return at_line(std::move(*refusal), file.line);
  }
  return std::nullopt;
}

std::optional<VolumeRefusal> read_sizes(const HeaderField& field, std::size_t axes,
                                        std::vector<double>& sizes) {
  const std::vector<std::string> words = words_of(field.value);
  sizes.clear();
  for (const std::string& word : words) sizes.push_back(whole_number(word).value_or(0.0));
  if (words.size() == axes &&
      std::all_of(sizes.begin(), sizes.end(), [](double size) { return size >= 1.0; }))
    return at_field(too_large(sizes), field);
  return refused_field(field, given(field),
                       fmt::format("write {}, 1 or more each", count_of(axes, "whole number")));
}

std::optional<VolumeRefusal> check_spacings(const HeaderField& field, std::size_t count) {
  const auto spacings = numbers_of(words_of(field.value), count);
  if (spacings && std::all_of(spacings->begin(), spacings->begin() + 3, is_spacing)) return std::nullopt;
  return refused_field(field, given(field) + ", no distances between voxels",
                       "write the distance along each axis in mm there, above 0");
}

std::optional<VolumeRefusal> check_coordinates(const HeaderField& field,
                                               const std::vector<std::string>& words, std::size_t count) {
  const auto numbers = numbers_of(words, count);
  if (numbers && std::all_of(numbers->begin(), numbers->end(), is_place)) return std::nullopt;
  return refused_field(
      field, given(field) + ", no place",
      fmt::format("write {} there, a place in mm within a kilometre", count_of(count, "number")));
}

std::optional<VolumeRefusal> check_directions(const HeaderField& field, const std::vector<std::string>& words,
                                              bool lengths) {
  const auto numbers = numbers_of(words, 9);
  Eigen::Matrix3d axes = Eigen::Matrix3d::Zero();
  if (numbers) axes = Eigen::Map<const Eigen::Matrix3d>(numbers->data());
  const Eigen::Vector3d steps = axes.colwise().norm();
  if (numbers && std::all_of(steps.begin(), steps.end(), is_spacing) &&
      std::abs(axes.colwise().normalized().determinant()) > kLeastSpan)
    return std::nullopt;
  return refused_field(
      field, given(field) + ", no axes of a volume",
      lengths ? "write three vectors there, not in one plane, the steps from voxel to voxel in mm"
              : "write nine numbers there, three vectors that are not in one plane");
}

std::optional<VolumeRefusal> add_numbered(const HeaderField& field, const std::vector<std::string>& words,
                                          std::size_t count, VoxelFiles& voxels) {
  const auto number_at = [&](std::size_t k, double otherwise) {
    return k < words.size() ? whole_number(words[k]) : std::optional(otherwise);
  };
  const auto low = number_at(1, 1.0);
  const auto high = number_at(2, low.value_or(1.0) + static_cast<double>(count) - 1.0);
  const auto step = number_at(3, 1.0);
  const bool sound = low && high && step && *step != 0.0 && numbered_name(words[0], 0.0);
  const double named = sound ? std::floor((*high - *low) / *step) + 1.0 : 0.0;
  if (named != static_cast<double>(count))
    return refused_field(
        field,
        given(field) + (sound ? fmt::format(", which names {:.0f} files", std::max(0.0, named))
                              : std::string(", no name of files by numbers")),
        fmt::format("name {} there, as slice%03d.raw 1 {} 1 does", count_of(count, "file"), count));
  for (std::size_t k = 0; k < count; ++k)
    voxels.files.push_back({*numbered_name(words[0], *low + static_cast<double>(k) * *step), field.line});
  return std::nullopt;
}

std::optional<VolumeRefusal> add_listed(const std::filesystem::path& header, const TextHeader& text,
                                        const HeaderField& field, std::size_t count, VoxelFiles& voxels) {
  std::ifstream in(header, std::ios::binary);
  in.seekg(static_cast<std::streamoff>(text.end()));
  int number = field.line;
  for (std::string line; std::getline(in, line);) {
    ++number;
    while (!line.empty() && std::isspace(static_cast<unsigned char>(line.back())) != 0) line.pop_back();
    if (!line.empty()) voxels.files.push_back({line, number});
    if (voxels.files.size() > count) break;
  }
  if (voxels.files.size() == count) return std::nullopt;
  return refused_field(field,
                       voxels.files.size() > count
                           ? fmt::format("its header lists more than {}", count_of(count, "file"))
                           : fmt::format("its header lists {}, where its sizes make {}",
                                         count_of(voxels.files.size(), "file"), count),
                       "name a file a line, as many as there are slices");
}

}  // namespace withy
