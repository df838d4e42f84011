// SPDX-License-Identifier: GPL-3.0-or-later
// What zlib or gzip packed, unpacked to its end, with its check sums and lengths held against what came out
// (P. Deutsch and others, RFC 1950 and RFC 1952, 1996).
#pragma once

#include <cstddef>
#include <functional>
#include <istream>

namespace withy {

/// Takes unpacked bytes; false to have no more of them.
using ByteSink = std::function<bool(const char* bytes, std::size_t count)>;

struct Unpacked {
  enum class End {
    whole,        ///< check sum and length are right, and the stream holds nothing but zeros behind
    stopped,      ///< by the sink
    cut_short,    ///< the stream ends before what is packed does
    damaged,      ///< not packed so, or a check sum or a length is wrong
    more_behind,  ///< whole, with other bytes behind
  };
  End end = End::damaged;
  std::size_t packed = 0;  ///< bytes that were taken from the stream, those behind left out
  std::size_t bytes = 0;   ///< unpacked
};

/// Unpacks what a stream holds from here on. Several gzip streams in a row are one, as RFC 1952 has it.
Unpacked unpack(std::istream& in, const ByteSink& sink);

/// Does a stream go on with gzip's two magic bytes? It stays where it is.
bool is_gzip(std::istream& in);

}  // namespace withy
