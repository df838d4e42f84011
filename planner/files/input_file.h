// SPDX-License-Identifier: GPL-3.0-or-later
// Opening what somebody names as an input: a regular file of a size that can be meant, and nothing else.
//
// A pipe, a device or a socket in a file's place would make the program wait for ever or read without end, so
// the file is opened without waiting (O_NONBLOCK, which POSIX gives no meaning for regular files), and what
// was opened is asked what it is, not its name: nothing can be put in its place in between.
#pragma once

#include <cstddef>
#include <filesystem>
#include <string>
#include <string_view>

#include "planner/files/input_error.h"

namespace withy {

/// Files larger than this are taken for something else (bytes): a text that somebody wrote (a scene, a study,
/// a recipe), a table or plan that a program wrote, a mesh (ten million triangles of a binary STL, which take
/// four times the file's size of memory).
inline constexpr std::size_t kLargestText = std::size_t{4} << 20;
inline constexpr std::size_t kLargestTable = std::size_t{256} << 20;
inline constexpr std::size_t kLargestMesh = std::size_t{512} << 20;

/// All bytes of a regular file. Errors, at 1:1: it can't be opened, or its name holds a zero byte; it is a
/// folder, pipe or device; it is larger than `most` bytes.
Result<std::string> read_input(const std::filesystem::path& file, std::size_t most = kLargestTable);

/// The same of a text that must be UTF-8 (RFC 3629): an error where it is not.
Result<std::string> read_text_input(const std::filesystem::path& file, std::size_t most = kLargestText);

/// The place (from 0) of the first byte that is not part of well-formed UTF-8 (RFC 3629); nothing when all
/// is.
std::size_t first_fault_of_utf8(std::string_view text);

/// Is all of it well-formed UTF-8?
inline bool is_utf8(std::string_view text) {
  return first_fault_of_utf8(text) == text.size();
}

}  // namespace withy
