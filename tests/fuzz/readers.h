// SPDX-License-Identifier: GPL-3.0-or-later
// Every reader of files as a function of bytes: what fuzzers, the kept corpus and the seeded attack feed.
//
// Each reads the bytes as the program would, from a file in a folder of its own with a sound scene beside it,
// and goes as far with what it got as can be done in milliseconds: a mesh becomes a channel, a plan is held
// against the scene, a script is replayed, journals are joined.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace withy_test {

struct FuzzReader {
  const char* name;
  /// What the reader said was wrong; nothing when it took the bytes.
  std::optional<std::string> (*read)(const std::string& bytes);
};

const std::vector<FuzzReader>& fuzz_readers();

/// From now on only one input in so many, chosen by its bytes, is verified against the scene. With sanitizers
/// a sound plan or script takes seconds, and a fuzzer that tries one a second finds nothing.
void verify_one_in(unsigned inputs);

/// The reader of that name; it must be there.
const FuzzReader& fuzz_reader(std::string_view name);

}  // namespace withy_test
