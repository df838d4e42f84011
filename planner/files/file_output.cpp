// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/file_output.h"

#include <algorithm>
#include <cerrno>
#include <csignal>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <fmt/core.h>
#include <sys/stat.h>
#include <unistd.h>

#include "planner/files/answer_folder.h"
#include "planner/files/input_file.h"
#include "planner/files/staging.h"

namespace withy {
namespace {

namespace fs = std::filesystem;

InputError cannot_write(const fs::path& file, const std::error_code& why) {
  return {file.string(), 1, 1, "this file can't be written (" + why.message() + ")",
          "name a place that exists and may be written to"};
}

tl::unexpected<InputError> refused_place(const fs::path& place, std::string problem, std::string remedy) {
  return input_error(place.string(), 1, 1, std::move(problem), std::move(remedy));
}

/// What chmod sets.
constexpr mode_t kModeBits = 07777;

/// One file beside its place, to be renamed over it.
class StagedFile {
 public:
  StagedFile(const fs::path& file, const std::string& contents, std::error_code& why) : file_(file) {
    if (fs::is_directory(file)) why = std::make_error_code(std::errc::is_a_directory);
    if (!why && file.has_parent_path()) fs::create_directories(file.parent_path(), why);
    if (!why) above_ = open_folder(file.parent_path(), why);
    if (why) return;
    const std::string name = file.filename().string();
    for (const std::string& left : abandoned_beside(above_.get(), name))
      ::unlinkat(above_.get(), left.c_str(), 0);
    staged_ = stage_file(above_.get(), name, why);
    if (!why) why = write_out(staged_.descriptor.get(), contents);
  }
  StagedFile(StagedFile&&) noexcept = default;
  StagedFile& operator=(StagedFile&&) = delete;
  ~StagedFile() {
    if (staged_.descriptor.open() && !staged_.name.empty()) ::unlinkat(above_.get(), staged_.name.c_str(), 0);
  }

  /// Owner and mode of the file that is to be replaced. An owner that may not be given stays.
  std::error_code take_mode() {
    struct stat there = {};
    if (::stat(file_.c_str(), &there) != 0) return last_error();
    const int held = staged_.descriptor.get();
    if (::fchown(held, there.st_uid, there.st_gid) != 0 && errno != EPERM) return last_error();
    return ::fchmod(held, there.st_mode & kModeBits) == 0 ? std::error_code() : last_error();
  }

  std::error_code commit() {
    const std::string name = file_.filename().string();
    if (::renameat(above_.get(), staged_.name.c_str(), above_.get(), name.c_str()) != 0) return last_error();
    staged_.name.clear();
    return ::fsync(above_.get()) == 0 ? std::error_code() : last_error();
  }

  const fs::path& file() const { return file_; }

 private:
  fs::path file_;
  Descriptor above_;
  Staged staged_;
};

/// Do both names lead to one file, or to where one would be?
bool same_place(const fs::path& a, const fs::path& b) {
  std::error_code ignored;
  if (a.empty() || b.empty()) return false;
  return fs::equivalent(a, b, ignored) || fs::weakly_canonical(fs::absolute(a, ignored), ignored) ==
                                              fs::weakly_canonical(fs::absolute(b, ignored), ignored);
}

/// The nearest folder above a place that is there.
fs::path nearest_folder(const fs::path& place) {
  std::error_code ignored;
  fs::path at = fs::absolute(place, ignored).parent_path();
  while (!fs::exists(at, ignored) && at != at.parent_path()) at = at.parent_path();
  return at;
}

/// Most bytes of a path, and of a name in it: what Linux takes (PATH_MAX 4096, NAME_MAX 255), less what
/// staging adds beside it (".", ".withy-XXXXXXXX") and the answer's own names below it.
constexpr std::size_t kLongestPath = 3000;
constexpr std::size_t kLongestName = 239;

/// While it lives the signals that end a program at a user's wish wait for it, in this thread.
class SignalsLater {
 public:
  SignalsLater() {
    sigset_t later;
    sigemptyset(&later);
    for (const int signal : {SIGINT, SIGTERM, SIGALRM}) sigaddset(&later, signal);
    ::pthread_sigmask(SIG_BLOCK, &later, &before_);
  }
  ~SignalsLater() { ::pthread_sigmask(SIG_SETMASK, &before_, nullptr); }
  SignalsLater(const SignalsLater&) = delete;
  SignalsLater& operator=(const SignalsLater&) = delete;

 private:
  sigset_t before_ = {};
};

/// Can something be made in the nearest folder that is there?
Result<void> check_writable(const fs::path& place, const fs::path& folder) {
  std::error_code why;
  const Descriptor held = open_folder(folder, why);
  if (!why) {
    for (const std::string& left : abandoned_beside(held.get(), "probe"))
      ::unlinkat(held.get(), left.c_str(), 0);
    // A file without a name, where the disk has such: nothing is left of it however the process ends.
    if (Descriptor(::openat(held.get(), ".", O_TMPFILE | O_WRONLY | O_CLOEXEC, 0600)).open()) return {};
    const SignalsLater meanwhile;
    const Staged probe = stage_file(held.get(), "probe", why);
    if (!why) ::unlinkat(held.get(), probe.name.c_str(), 0);
  }
  if (why) return tl::unexpected(cannot_write(place, why));
  return {};
}

Result<void> check_name(const fs::path& place) {
  if (!is_utf8(place.native()))
    return refused_place(place, "this name is no UTF-8", "give names that are, as the files hold them");
  if (place.native().size() > kLongestPath)
    return refused_place({}, "the name of the output is too long", "give a shorter one");
  for (const fs::path& part : place)
    if (part.native().size() > kLongestName)
      return refused_place({}, fmt::format("a name in the output's path has {} bytes", part.native().size()),
                           fmt::format("give one of at most {}", kLongestName));
  return {};
}

}  // namespace

void FileBatch::add(const fs::path& file, std::string contents) {
  files_[file.parent_path()][file.filename().string()] = std::move(contents);
}

void FileBatch::owns(const fs::path& folder, const std::set<std::string>& names) {
  // As add() has it: "out/" and "out" are one folder.
  owned_[(folder / "x").parent_path()] = names;
}

Result<void> FileBatch::commit() {
  std::vector<std::pair<fs::path, AnswerFolder>> folders;
  std::vector<StagedFile> singles;
  std::error_code why;
  for (const auto& [folder, files] : files_) {
    const auto owned = owned_.find(folder);
    if (owned != owned_.end()) {
      folders.emplace_back(folder, AnswerFolder::stage(folder, files, owned->second, why));
      if (why) return tl::unexpected(cannot_write(folder / files.begin()->first, why));
      continue;
    }
    for (const auto& [name, contents] : files) {
      singles.emplace_back(folder / name, contents, why);
      if (why) return tl::unexpected(cannot_write(folder / name, why));
    }
  }
  for (auto& [folder, answer] : folders)
    if ((why = answer.commit())) return tl::unexpected(cannot_write(folder, why));
  for (StagedFile& single : singles)
    if ((why = single.commit())) return tl::unexpected(cannot_write(single.file(), why));
  files_.clear();
  return {};
}

Result<void> write_whole(const fs::path& file, std::string contents) {
  FileBatch batch;
  batch.add(file, std::move(contents));
  return batch.commit();
}

Result<void> rewrite_whole(const fs::path& file, const std::string& contents) {
  std::error_code why;
  const fs::path place = fs::canonical(file, why);
  if (!why && ::access(place.c_str(), W_OK) != 0) why = last_error();
  if (why) return tl::unexpected(cannot_write(file, why));
  StagedFile staged(place, contents, why);
  if (!why) why = staged.take_mode();
  if (!why) why = staged.commit();
  if (why) return tl::unexpected(cannot_write(file, why));
  return {};
}

Result<void> check_output_file(const fs::path& file, const std::vector<fs::path>& inputs) {
  if (auto name = check_name(file); !name) return name;
  std::error_code ignored;
  const fs::file_status status = fs::symlink_status(file, ignored);
  if (!file.has_filename() || fs::is_directory(status))
    return refused_place(file, "this is a folder, where a file is to be written", "name a file");
  if (fs::is_symlink(status))
    return refused_place(file, "this is a link, which is not written through",
                         "name the file that it leads to");
  if (fs::exists(status) && !fs::is_regular_file(status))
    return refused_place(file, "this is a device or a pipe, which is not written to", "name a file");
  for (const fs::path& input : inputs)
    if (same_place(file, input))
      return refused_place(file, "this is a file that is read, or another one of the answer",
                           "name another file to write");
  return check_writable(file, nearest_folder(file));
}

Result<void> check_output_folder(const fs::path& folder, const std::set<std::string>& names,
                                 const std::vector<fs::path>& inputs) {
  if (folder.empty()) return {};
  for (const std::string& name : names)
    for (const fs::path& input : inputs)
      if (same_place(folder / name, input))
        return refused_place(folder / name,
                             "this is a file that is read, and the answer has one of that name",
                             "name another folder");
  if (auto name = check_name(folder); !name) return name;
  std::error_code ignored;
  if (!fs::exists(fs::symlink_status(folder, ignored)))
    return check_writable(folder, nearest_folder(folder / "x"));
  if (!fs::is_directory(folder, ignored))
    return refused_place(folder, "this is no folder", "name a folder, or one that is still to be made");
  // An answer is laid out beside its folder: this one has nothing beside it.
  if (const fs::path real = fs::canonical(folder, ignored); !real.has_relative_path())
    return refused_place(folder, "this is the root of all folders, which can't hold an answer",
                         "name a folder in it");
  for (const std::string& name : names)
    if (fs::is_directory(fs::symlink_status(folder / name, ignored)))
      return refused_place(folder / name, "this is a folder, and the answer has a file of that name",
                           "move it away, or name another folder");
  return check_writable(folder, folder);
}

}  // namespace withy
