// SPDX-License-Identifier: GPL-3.0-or-later
// Files written whole or not at all, and those that belong together together (answer_folder.h).
//
// Everything is laid out and on the disk before any of it is seen. A single file is renamed over its place
// (POSIX rename), which replaces the old one in one step and follows no link; a folder of files changes
// places with the one that was there. Only rewrite_whole(), for a user's own file, goes through links.
#pragma once

#include <filesystem>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "planner/files/input_error.h"

namespace withy {

/// Several files that belong together. Nothing of them is seen until commit(); what was not committed goes
/// away with the batch.
class FileBatch {
 public:
  /// Takes a file to be written; the last of several for one path counts.
  void add(const std::filesystem::path& file, std::string contents);

  /// Says that the folder holds one answer whose files have these names: those that were not added are gone
  /// once it is committed, so that no file of another answer stands beside this one's.
  void owns(const std::filesystem::path& folder, const std::set<std::string>& names);

  /// Writes everything and then puts it in place: folders first, then single files. Makes the folders that
  /// are missing. An error names what can't be written.
  Result<void> commit();

 private:
  std::map<std::filesystem::path, std::map<std::string, std::string>> files_;  // by folder and name
  std::map<std::filesystem::path, std::set<std::string>> owned_;
};

/// A batch of one.
Result<void> write_whole(const std::filesystem::path& file, std::string contents);

/// Puts other contents into a file that is there, through links that lead to it: its owner, where that can be
/// had, and its mode stay. An error where it can't be written to.
Result<void> rewrite_whole(const std::filesystem::path& file, const std::string& contents);

/// What somebody named for output and can't be: told before work is done for it. Errors: no UTF-8; a folder
/// where a file is meant or the other way round; a device, or a link for a file; a place that can't be
/// written to; one of `inputs`, or for a folder one of them under one of the answer's `names` in it, or a
/// folder of one of those names.
Result<void> check_output_file(const std::filesystem::path& file,
                               const std::vector<std::filesystem::path>& inputs = {});
Result<void> check_output_folder(const std::filesystem::path& folder, const std::set<std::string>& names = {},
                                 const std::vector<std::filesystem::path>& inputs = {});

}  // namespace withy
