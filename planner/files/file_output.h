// SPDX-License-Identifier: GPL-3.0-or-later
// Files written whole or not at all: to a temporary file beside the final place, then renamed over it.
//
// A rename within one folder replaces the old file in one step (POSIX rename), so a reader, an interruption
// or a full disk never meets half a file.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "planner/files/input_error.h"

namespace withy {

/// Several files that belong together. Nothing of them is seen until commit(); temporary files that were not
/// committed go away with the batch.
class FileBatch {
 public:
  FileBatch() = default;
  ~FileBatch();
  FileBatch(const FileBatch&) = delete;
  FileBatch& operator=(const FileBatch&) = delete;

  /// Takes a file to be written; the last of several for one path counts.
  void add(const std::filesystem::path& file, std::string contents);

  /// Writes every file to its temporary place, and only when all of them are written renames them. Makes the
  /// folders that are missing. An error names the file that can't be written.
  Result<void> commit();

 private:
  struct Item {
    std::filesystem::path file;
    std::filesystem::path temporary;  // empty: none written, or renamed already
    std::string contents;
  };
  std::vector<Item> items_;
};

/// A batch of one.
Result<void> write_whole(const std::filesystem::path& file, std::string contents);

}  // namespace withy
