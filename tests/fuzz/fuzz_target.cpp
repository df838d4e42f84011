// SPDX-License-Identifier: GPL-3.0-or-later
// A libFuzzer target for one reader, WITHY_READER: built by tools/run-fuzzers, once for each.
#include <cstddef>
#include <cstdint>
#include <string>

#include "tests/fuzz/readers.h"

namespace {

/// So that a sound plan's seconds are spent on one input in as many as make a second or two of reading.
constexpr unsigned kVerifiedOneIn = 1024;

}  // namespace

/// Before the clock of the first input runs: scenes are prepared once, which takes seconds with sanitizers.
extern "C" int LLVMFuzzerInitialize(int*, char***) {
  withy_test::verify_one_in(kVerifiedOneIn);
  withy_test::fuzz_reader(WITHY_READER).read("");
  return 0;
}

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  static const withy_test::FuzzReader& reader = withy_test::fuzz_reader(WITHY_READER);
  // NOLINTNEXTLINE(cppcoreguidelines-pro-type-reinterpret-cast): bytes as characters
  reader.read(std::string(reinterpret_cast<const char*>(data), size));
  return 0;
}
