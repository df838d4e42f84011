// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/stored_volume.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <memory>
#include <vector>

#include <zlib.h>

namespace withy {
namespace {

/// A header of text ends within so many lines, and a line within so many bytes.
constexpr int kMostHeaderLines = 400;
constexpr std::size_t kMostLine = 4096;

/// Bytes of a file that are read at once.
constexpr std::size_t kReadAtOnce = std::size_t{1} << 20;

constexpr std::size_t kHeader1 = 348;
constexpr std::size_t kHeader2 = 540;

/// No file holds so many: what a header has beyond, or has for no number, is taken for this.
constexpr double kMostBytes = 1e15;

std::size_t count_of_bytes(double said) {
  return static_cast<std::size_t>(said <= kMostBytes ? said : kMostBytes);
}

/// A value of a header, its bytes in the other order where the file's are.
template <class T>
T value_at(const std::vector<char>& bytes, std::size_t at, bool swapped) {
  std::array<char, sizeof(T)> own;
  std::copy_n(bytes.begin() + static_cast<std::ptrdiff_t>(at), sizeof(T), own.begin());
  if (swapped) std::reverse(own.begin(), own.end());
  T value;
  std::memcpy(&value, own.data(), sizeof(T));
  return value;
}

/// Where the voxels begin, and their bytes.
struct Layout {
  double offset = 0.0;
  double bytes = 0.0;
  bool placed = true;
};

template <class Number>
bool all_finite(const std::vector<char>& header, std::size_t at, std::size_t count, bool swapped) {
  for (std::size_t k = 0; k < count; ++k)
    if (!std::isfinite(value_at<Number>(header, at + k * sizeof(Number), swapped))) return false;
  return true;
}

/// pixdim[0..3], and where their codes are set the quaternion with its offset, and the rows of axes.
template <class Number, class Code>
bool is_placed(const std::vector<char>& header, std::size_t pixdim, std::size_t codes, std::size_t quatern,
               bool swapped) {
  constexpr std::size_t kQuatern = 6;
  constexpr std::size_t kRows = 12;
  return all_finite<Number>(header, pixdim, 4, swapped) &&
         (value_at<Code>(header, codes, swapped) <= 0 ||
          all_finite<Number>(header, quatern, kQuatern, swapped)) &&
         (value_at<Code>(header, codes + sizeof(Code), swapped) <= 0 ||
          all_finite<Number>(header, quatern + kQuatern * sizeof(Number), kRows, swapped));
}

template <class Size>
double voxels_of(const std::vector<char>& header, std::size_t at, bool swapped) {
  const auto dimensions = std::clamp<Size>(value_at<Size>(header, at, swapped), 1, 7);
  double voxels = 1.0;
  for (std::size_t k = 1; k <= static_cast<std::size_t>(dimensions); ++k)
    voxels *= static_cast<double>(std::max<Size>(1, value_at<Size>(header, at + k * sizeof(Size), swapped)));
  return voxels;
}

std::optional<Layout> layout_of(const std::vector<char>& header) {
  for (const bool swapped : {false, true}) {
    const auto length = static_cast<std::size_t>(value_at<std::uint32_t>(header, 0, swapped));
    if (length == kHeader1)
      return Layout{
          value_at<float>(header, 108, swapped),
          voxels_of<std::int16_t>(header, 40, swapped) * value_at<std::int16_t>(header, 72, swapped) / 8.0,
          is_placed<float, std::int16_t>(header, 76, 252, 256, swapped)};
    if (length == kHeader2)
      return Layout{
          static_cast<double>(value_at<std::int64_t>(header, 168, swapped)),
          voxels_of<std::int64_t>(header, 16, swapped) * value_at<std::int16_t>(header, 14, swapped) / 8.0,
          is_placed<double, std::int32_t>(header, 104, 344, 352, swapped)};
  }
  return std::nullopt;
}

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(), [](unsigned char c) { return std::tolower(c); });
  return text;
}

std::string trimmed(const std::string& text) {
  const std::size_t first = text.find_first_not_of(" \t\r");
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

/// Adds what a stream holds from here on, packed by zlib, to a file; false where it does not end there.
bool unpack_rest(std::istream& in, MemoryFile& to) {
  z_stream packed{};
  constexpr int kAnyHeader = MAX_WBITS + 32;  // zlib's or gzip's
  if (inflateInit2(&packed, kAnyHeader) != Z_OK) return false;
  const std::unique_ptr<z_stream, int (*)(z_stream*)> ends(&packed, inflateEnd);
  std::vector<char> part(kReadAtOnce);
  std::vector<char> out(kReadAtOnce);
  int state = Z_OK;
  while (state == Z_OK &&
         (in.read(part.data(), static_cast<std::streamsize>(part.size())) || in.gcount() > 0)) {
    packed.next_in = reinterpret_cast<Bytef*>(part.data());
    packed.avail_in = static_cast<uInt>(in.gcount());
    do {
      packed.next_out = reinterpret_cast<Bytef*>(out.data());
      packed.avail_out = static_cast<uInt>(out.size());
      state = inflate(&packed, Z_NO_FLUSH);
      if (state == Z_BUF_ERROR) state = Z_OK;  // wants more
      if (!to.write(out.data(), out.size() - packed.avail_out)) return false;
    } while (state == Z_OK && packed.avail_out == 0);
  }
  return state == Z_STREAM_END;
}

}  // namespace

std::optional<StoredNifti> read_nifti(const std::filesystem::path& file) {
  const std::unique_ptr<gzFile_s, int (*)(gzFile)> in(gzopen(file.c_str(), "rb"), gzclose);
  if (!in) return std::nullopt;
  std::vector<char> part(kReadAtOnce, 0);
  int got = gzread(in.get(), part.data(), static_cast<unsigned>(part.size()));
  if (got < static_cast<int>(kHeader1)) return std::nullopt;
  const auto layout = layout_of(part);
  if (!layout || layout->offset < 0.0 || layout->bytes < 0.0) return std::nullopt;
  StoredNifti stored;
  stored.placed = layout->placed;
  stored.bytes.meant = count_of_bytes(layout->bytes);
  const std::size_t begin = count_of_bytes(layout->offset);
  const std::size_t end = begin + stored.bytes.meant;
  std::size_t read = 0;
  if (gzdirect(in.get()) != 0) {  // not packed
    std::error_code fault;
    read = static_cast<std::size_t>(std::filesystem::file_size(file, fault));
    if (fault) return std::nullopt;
  } else {
    stored.unpacked = MemoryFile::make("unpacked.nii");
    for (; got > 0; got = gzread(in.get(), part.data(), static_cast<unsigned>(part.size()))) {
      const auto bytes = static_cast<std::size_t>(got);
      const std::size_t wanted = std::min(bytes, end - std::min(read, end));
      if (stored.unpacked && !stored.unpacked->write(part.data(), wanted)) stored.unpacked.reset();
      read += bytes;
    }
    int fault = Z_OK;
    gzerror(in.get(), &fault);
    stored.bytes.unpacks = got == 0 && (fault == Z_OK || fault == Z_STREAM_END);
  }
  stored.bytes.held = read - std::min(read, begin);
  return stored;
}

std::optional<MemoryFile> unpacked_meta(const std::filesystem::path& file) {
  const std::string packed = header_field(file, "compresseddata").value_or("");
  if (!packed.starts_with("t") && !packed.starts_with("1")) return std::nullopt;
  if (header_field(file, "compresseddatasize") || header_field(file, "elementdatafile") != "local")
    return std::nullopt;
  std::ifstream in(file, std::ios::binary);
  auto copy = MemoryFile::make("unpacked.mha");
  if (!copy) return std::nullopt;
  for (std::string line; std::getline(in, line);) {
    const std::string field = lower(trimmed(line.substr(0, line.find('='))));
    const std::string kept = field == "compresseddata" ? "CompressedData = False\n" : line + '\n';
    if (!copy->write(kept.data(), kept.size())) return std::nullopt;
    if (field == "elementdatafile") break;
  }
  if (!unpack_rest(in, *copy)) return std::nullopt;
  return copy;
}

std::optional<std::string> header_field(const std::filesystem::path& file, const std::string& name) {
  std::ifstream in(file, std::ios::binary);
  std::string line;
  std::vector<char> part(kMostLine);
  for (int i = 0; i < kMostHeaderLines && in.getline(part.data(), static_cast<std::streamsize>(kMostLine));
       ++i) {
    line = trimmed(part.data());
    if (line.empty()) break;  // NRRD: the voxels follow
    const std::size_t sign = line.find_first_of(":=");
    if (sign == std::string::npos) continue;
    const std::string field = lower(trimmed(line.substr(0, sign)));
    if (field == name) return lower(trimmed(line.substr(line[sign + 1] == '=' ? sign + 2 : sign + 1)));
    if (field == "elementdatafile") break;  // MetaImage: the voxels follow
  }
  return std::nullopt;
}

}  // namespace withy
