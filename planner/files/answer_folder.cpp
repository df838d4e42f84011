// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/answer_folder.h"

#include <cerrno>
#include <cstdio>
#include <utility>
#include <vector>

#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace withy {
namespace {

// In a staged folder that has not been put in its place yet.
constexpr const char* kMark = ".withy-staged";

std::vector<std::string> entries_of(int folder) {
  std::vector<std::string> names;
  const int copy = ::openat(folder, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  DIR* const entries = copy >= 0 ? ::fdopendir(copy) : nullptr;
  if (entries == nullptr) {
    if (copy >= 0) ::close(copy);
    return names;
  }
  while (const dirent* entry = ::readdir(entries)) {
    const std::string name = entry->d_name;
    if (name != "." && name != "..") names.push_back(name);
  }
  ::closedir(entries);
  return names;
}

bool exists(int folder, const std::string& name) {
  struct stat about = {};
  return ::fstatat(folder, name.c_str(), &about, AT_SYMLINK_NOFOLLOW) == 0;
}

bool is_folder(int folder, const std::string& name) {
  struct stat about = {};
  return ::fstatat(folder, name.c_str(), &about, AT_SYMLINK_NOFOLLOW) == 0 && S_ISDIR(about.st_mode);
}

Descriptor open_below(int folder, const std::string& name) {
  return Descriptor(::openat(folder, name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
}

/// Removes a folder of plain entries; folders in it stay, and then it stays too.
void remove_folder(int above, const std::string& name) {
  {
    const Descriptor folder = open_below(above, name);
    if (!folder.open()) return;
    for (const std::string& entry : entries_of(folder.get())) ::unlinkat(folder.get(), entry.c_str(), 0);
  }
  ::unlinkat(above, name.c_str(), AT_REMOVEDIR);
}

/// Removes the folder that an answer has taken the place of: the answer's own files, and what has its name in
/// the new folder. What could not be given back (a full disk) stays, for the next answer to give back.
void remove_replaced(int above, const std::string& name, int new_folder, const std::set<std::string>& owned) {
  {
    const Descriptor folder = open_below(above, name);
    if (!folder.open()) return;
    for (const std::string& entry : entries_of(folder.get()))
      if (owned.contains(entry) || entry == kMark || exists(new_folder, entry))
        ::unlinkat(folder.get(), entry.c_str(), 0);
  }
  ::unlinkat(above, name.c_str(), AT_REMOVEDIR);
}

/// What stands in the old folder and not in the new one goes there, but for the answer's own files.
void give_back(int old_folder, int new_folder, const std::set<std::string>& owned) {
  for (const std::string& entry : entries_of(old_folder))
    if (!owned.contains(entry) && entry != kMark)
      ::renameat2(old_folder, entry.c_str(), new_folder, entry.c_str(), RENAME_NOREPLACE);
}

/// Is that what a disk without room says, or a user who may have no more of it?
bool is_no_room(int error) {
  return error == ENOSPC || error == EDQUOT;
}

/// The same owner and rights as the folder that is replaced, as far as this user may give them.
void take_rights(int from, int to) {
  struct stat about = {};
  if (::fstat(from, &about) != 0) return;
  if (::fchown(to, about.st_uid, about.st_gid) != 0) errno = 0;
  if (::fchmod(to, about.st_mode & 07777) != 0) errno = 0;
}

bool same_disk(int a, int b) {
  struct stat of_a = {};
  struct stat of_b = {};
  return ::fstat(a, &of_a) == 0 && ::fstat(b, &of_b) == 0 && of_a.st_dev == of_b.st_dev;
}

/// Is the folder the working folder of this process, or above it? Its user's shell most likely stands there
/// too, and would be left in a folder that is gone.
bool holds_working_folder(const std::filesystem::path& place) {
  std::error_code ignored;
  const auto work = std::filesystem::current_path(ignored);
  const auto real = std::filesystem::canonical(place, ignored);
  if (ignored) return false;
  for (auto at = work;; at = at.parent_path()) {
    if (at == real) return true;
    if (at == at.parent_path()) return false;
  }
}

}  // namespace

AnswerFolder AnswerFolder::stage(const std::filesystem::path& place,
                                 const std::map<std::string, std::string>& files, std::set<std::string> owned,
                                 std::error_code& why) {
  AnswerFolder answer;
  // A place with a name: "out/", "." and links lead to one.
  std::filesystem::path real = std::filesystem::weakly_canonical(std::filesystem::absolute(place), why);
  if (why) return answer;
  if (!real.has_filename()) real = real.parent_path();
  std::filesystem::create_directories(real.parent_path(), why);
  if (why) return answer;
  answer.above_ = open_folder(real.parent_path(), why);
  if (why) return answer;
  answer.name_ = real.filename().string();
  answer.owned_ = std::move(owned);
  for (const auto& [name, contents] : files) {
    answer.files_.insert(name);
    answer.owned_.insert(name);
  }
  clear_abandoned_answers(answer.above_.get(), answer.name_, answer.owned_);
  if (exists(answer.above_.get(), answer.name_) && !is_folder(answer.above_.get(), answer.name_)) {
    why = std::make_error_code(std::errc::not_a_directory);
    return answer;
  }
  // A folder of the user's under one of the answer's names is neither written over nor carried along.
  if (const Descriptor there = open_below(answer.above_.get(), answer.name_); there.open())
    for (const std::string& name : answer.owned_)
      if (is_folder(there.get(), name)) {
        why = std::make_error_code(std::errc::is_a_directory);
        return answer;
      }
  answer.staged_ = stage_folder(answer.above_.get(), answer.name_, why);
  if (const Descriptor there = open_below(answer.above_.get(), answer.name_);
      there.open() && (why || !same_disk(answer.above_.get(), there.get()))) {
    if (!why) ::unlinkat(answer.above_.get(), answer.staged_.name.c_str(), AT_REMOVEDIR);
    answer.above_ = open_folder(real, why);
    answer.inside_ = true;
    if (!why) clear_abandoned_answers(answer.above_.get(), answer.name_, answer.owned_);
    if (!why) answer.staged_ = stage_folder(answer.above_.get(), answer.name_, why);
  }
  if (why) return answer;
  const int folder = answer.staged_.descriptor.get();
  why = write_new_file(folder, kMark, "");
  for (auto file = files.begin(); file != files.end() && !why; ++file)
    why = write_new_file(folder, file->first, file->second);
  if (!why && ::fsync(folder) != 0) why = last_error();
  return answer;
}

AnswerFolder::~AnswerFolder() {
  if (staged_.descriptor.open() && !staged_.name.empty()) remove_folder(above_.get(), staged_.name);
}

std::error_code AnswerFolder::commit() {
  const int above = above_.get();
  std::error_code why;
  if (inside_) return replace_one_by_one(above);
  if (!exists(above, name_)) {
    // Nobody can be confused by the mark any more: all or nothing of this folder is seen.
    ::unlinkat(staged_.descriptor.get(), kMark, 0);
    if (::renameat2(above, staged_.name.c_str(), above, name_.c_str(), RENAME_NOREPLACE) == 0)
      staged_.name.clear();
    else if (errno != EEXIST)
      return last_error();
  }
  if (!staged_.name.empty()) why = exchange();
  if (!why && ::fsync(above) != 0) why = last_error();
  return why;
}

std::error_code AnswerFolder::exchange() {
  const int above = above_.get();
  const int folder = staged_.descriptor.get();
  const Descriptor old = open_below(above, name_);
  if (!old.open()) return last_error();
  const std::string path = "/proc/self/fd/" + std::to_string(old.get());
  if (holds_working_folder(path)) return replace_one_by_one(old.get());
  if (!exists(folder, kMark)) write_new_file(folder, kMark, "");
  for (const std::string& entry : entries_of(old.get()))
    if (!owned_.contains(entry) && entry != kMark &&
        ::linkat(old.get(), entry.c_str(), folder, entry.c_str(), 0) != 0 && is_no_room(errno))
      return last_error();  // what can't be linked for other reasons, folders above all, is moved below
  take_rights(old.get(), folder);
  ::fsync(folder);
  if (::renameat2(above, staged_.name.c_str(), above, name_.c_str(), RENAME_EXCHANGE) != 0)
    return errno == EBUSY || errno == EINVAL || errno == ENOSYS ? replace_one_by_one(old.get())
                                                                : last_error();
  // The staged name is the old folder's now.
  ::unlinkat(folder, kMark, 0);
  give_back(old.get(), folder, owned_);
  remove_replaced(above, staged_.name, folder, owned_);
  staged_.name.clear();
  return {};
}

std::error_code AnswerFolder::replace_one_by_one(int place) {
  for (const std::string& name : owned_)
    if (::unlinkat(place, name.c_str(), 0) != 0 && errno != ENOENT) return last_error();
  for (const std::string& name : files_)
    if (::renameat(staged_.descriptor.get(), name.c_str(), place, name.c_str()) != 0) return last_error();
  return ::fsync(place) == 0 ? std::error_code() : last_error();
}

void clear_abandoned_answers(int above, const std::string& name, const std::set<std::string>& owned) {
  const Descriptor place = open_below(above, name);
  for (const std::string& staged : abandoned_beside(above, name)) {
    if (!is_folder(above, staged)) {
      ::unlinkat(above, staged.c_str(), 0);
      continue;
    }
    const Descriptor folder = open_below(above, staged);
    // Without the mark it is the folder that an answer has taken the place of.
    const bool replaced = folder.open() && !exists(folder.get(), kMark) && place.open();
    if (!replaced) {
      remove_folder(above, staged);
      continue;
    }
    give_back(folder.get(), place.get(), owned);
    remove_replaced(above, staged, place.get(), owned);
  }
  if (place.open()) ::unlinkat(place.get(), kMark, 0);
}

}  // namespace withy
