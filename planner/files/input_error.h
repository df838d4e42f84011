// SPDX-License-Identifier: GPL-3.0-or-later
// What withy says of a file it can't use: where, what is wrong, what would be right. A value, never a throw.
#pragma once

#include <string>
#include <utility>

#include <tl/expected.hpp>

namespace withy {

/// A position in a text file, counting from 1.
struct SourcePosition {
  int line = 1;
  int column = 1;
};

/// One fault of one input file. Lines and columns count from 1; a fault of a whole (or binary) file stands at
/// 1:1.
struct InputError {
  std::string file;
  int line = 1;
  int column = 1;
  std::string problem;  ///< what is wrong, no full stop
  std::string remedy;   ///< what would be right, no full stop
  /// Each value is sound by itself; together they make no design.
  bool of_values_together = false;

  /// `file:line:column: problem, remedy`, one line, no newline.
  std::string message() const {
    return file + ":" + std::to_string(line) + ":" + std::to_string(column) + ": " + problem + ", " + remedy;
  }
};

template <class T>
using Result = tl::expected<T, InputError>;

inline tl::unexpected<InputError> input_error(std::string file, int line, int column, std::string problem,
                                              std::string remedy) {
  return tl::unexpected<InputError>(
      InputError{std::move(file), line, column, std::move(problem), std::move(remedy)});
}

}  // namespace withy
