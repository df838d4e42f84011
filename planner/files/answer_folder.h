// SPDX-License-Identifier: GPL-3.0-or-later
// A folder that holds one answer: its files are seen together or not at all, also by somebody who looks right
// after the program was killed.
//
// The answer is laid out in a staged folder (staging.h). Where the place is free, that is renamed to it.
// Where a folder stands there already, what in it is not the answer's own (the user's files) is linked into
// the staged folder, and the two folders change places in one step (renameat2, RENAME_EXCHANGE); then the old
// one is taken away. Entries that can't be linked (folders) are moved after the step. A process that dies
// before the step leaves the old answer, one that dies after it the new one; either way the next process that
// writes there clears up, and gives back what had not been moved yet. A mark in the staged folder tells the
// two apart.
//
// A folder that can't be exchanged (somebody's working folder, a mount point, a file system without the call)
// gets its files one by one after the old answer's were removed: a process that dies in between leaves a part
// of the new answer, never a mixture.
#pragma once

#include <filesystem>
#include <map>
#include <set>
#include <string>
#include <system_error>

#include "planner/files/staging.h"

namespace withy {

class AnswerFolder {
 public:
  /// Lays out `files` (name to contents). `owned` are all names that an answer of this kind may have: those
  /// not among `files` are not kept. Makes the folders above the place.
  static AnswerFolder stage(const std::filesystem::path& place,
                            const std::map<std::string, std::string>& files, std::set<std::string> owned,
                            std::error_code& why);
  AnswerFolder(AnswerFolder&&) noexcept = default;
  AnswerFolder& operator=(AnswerFolder&&) noexcept = default;
  ~AnswerFolder();

  /// Puts the answer in its place.
  std::error_code commit();

 private:
  AnswerFolder() = default;
  std::error_code exchange();
  std::error_code replace_one_by_one(int place);

  Descriptor above_;  ///< the folder that the answer is staged in: the one that the place is in, or the place
  std::string name_;  ///< of the place in it
  Staged staged_;
  bool inside_ = false;  ///< staged in the place itself: nothing can be made or exchanged beside it
  std::set<std::string> files_;
  std::set<std::string> owned_;
};

/// Removes what dead processes left beside or in the place. `owned` as above.
void clear_abandoned_answers(int above, const std::string& name, const std::set<std::string>& owned);

}  // namespace withy
