// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/unpack.h"

#include <algorithm>
#include <array>
#include <ios>
#include <memory>
#include <vector>

#include <zlib.h>

namespace withy {
namespace {

/// Bytes that are read and unpacked at once.
constexpr std::size_t kUnpackedAtOnce = std::size_t{1} << 20;

constexpr std::array<unsigned char, 2> kGzipMagic = {0x1f, 0x8b};

/// A stream's bytes, a part at a time, for zlib to take from.
class PackedBytes {
 public:
  PackedBytes(std::istream& in, z_stream& zlib) : in_(in), zlib_(zlib) {}

  /// Is there a byte to take?
  bool any() {
    if (zlib_.avail_in > 0) return true;
    in_.read(part_.data(), static_cast<std::streamsize>(part_.size()));
    zlib_.next_in = reinterpret_cast<Bytef*>(part_.data());
    zlib_.avail_in = static_cast<uInt>(in_.gcount());
    return zlib_.avail_in > 0;
  }

  unsigned char next() const { return *zlib_.next_in; }
  void skip() { ++zlib_.next_in, --zlib_.avail_in; }

 private:
  std::istream& in_;
  z_stream& zlib_;
  std::vector<char> part_ = std::vector<char>(kUnpackedAtOnce);
};

/// Unpacks one stream of zlib's to its end. zlib holds its check sum and its length against what came out.
Unpacked::End unpack_one(z_stream& zlib, PackedBytes& packed, std::vector<char>& out, const ByteSink& sink,
                         std::size_t& bytes) {
  bool filled = false;  // what was last unpacked filled its place, so zlib may hold more
  while (filled || packed.any()) {
    zlib.next_out = reinterpret_cast<Bytef*>(out.data());
    zlib.avail_out = static_cast<uInt>(out.size());
    const int state = inflate(&zlib, Z_NO_FLUSH);
    const std::size_t got = out.size() - zlib.avail_out;
    bytes += got;
    filled = zlib.avail_out == 0;
    if (got > 0 && !sink(out.data(), got)) return Unpacked::End::stopped;
    if (state == Z_STREAM_END) return Unpacked::End::whole;
    if (state != Z_OK && state != Z_BUF_ERROR) return Unpacked::End::damaged;
  }
  return Unpacked::End::cut_short;
}

}  // namespace

Unpacked unpack(std::istream& in, const ByteSink& sink) {
  Unpacked unpacked;
  z_stream zlib{};
  constexpr int kAnyHeader = MAX_WBITS + 32;  // zlib's or gzip's
  if (inflateInit2(&zlib, kAnyHeader) != Z_OK) return unpacked;
  const std::unique_ptr<z_stream, int (*)(z_stream*)> ends(&zlib, inflateEnd);
  PackedBytes packed(in, zlib);
  std::vector<char> out(kUnpackedAtOnce);
  for (;;) {
    unpacked.end = unpack_one(zlib, packed, out, sink, unpacked.bytes);
    unpacked.packed += static_cast<std::size_t>(zlib.total_in);
    if (unpacked.end != Unpacked::End::whole) return unpacked;
    if (!packed.any() || packed.next() != kGzipMagic[0]) break;
    if (inflateReset(&zlib) != Z_OK) break;
  }
  for (; packed.any(); packed.skip()) {  // tapes and blocks are filled up with zeros
    if (packed.next() == 0) continue;
    unpacked.end = Unpacked::End::more_behind;
    break;
  }
  return unpacked;
}

bool is_gzip(std::istream& in) {
  const auto at = in.tellg();
  std::array<char, 2> first{};
  in.read(first.data(), first.size());
  const bool whole = in.gcount() == static_cast<std::streamsize>(first.size());
  in.clear();
  in.seekg(at);
  return whole && std::equal(first.begin(), first.end(), kGzipMagic.begin(),
                             [](char a, unsigned char b) { return static_cast<unsigned char>(a) == b; });
}

}  // namespace withy
