// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/staging.h"

#include <cerrno>
#include <random>
#include <utility>

#include <dirent.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

namespace withy {
namespace {

constexpr std::size_t kRandomDigits = 8;
constexpr int kTries = 100;  // a name that is taken already is one in four thousand million

std::string prefix_of(const std::string& name) {
  return fmt::format(".{}.withy-", name);
}

/// A name for something staged.
std::string random_name(const std::string& name) {
  std::random_device device;
  return fmt::format("{}{:08x}", prefix_of(name), device());
}

/// Is that a name that random_name() gives? Others are somebody's own.
bool is_staged_name(const std::string& name, const std::string& prefix) {
  return name.starts_with(prefix) && name.size() == prefix.size() + kRandomDigits &&
         name.find_first_not_of("0123456789abcdef", prefix.size()) == name.npos;
}

/// Is what the name leads to still what the descriptor holds?
bool still_there(int folder, const std::string& name, int descriptor) {
  struct stat held = {};
  struct stat named = {};
  return ::fstat(descriptor, &held) == 0 &&
         ::fstatat(folder, name.c_str(), &named, AT_SYMLINK_NOFOLLOW) == 0 && held.st_ino == named.st_ino &&
         held.st_dev == named.st_dev;
}

template <class Make>
Staged stage(int folder, const std::string& name, std::error_code& why, const Make& make) {
  for (int i = 0; i < kTries; ++i) {
    Staged staged{random_name(name), Descriptor()};
    staged.descriptor = Descriptor(make(staged.name));
    why = staged.descriptor.open() ? std::error_code() : last_error();
    if (why == std::errc::file_exists) continue;
    if (why) return {};
    // Another process may have taken it for abandoned before it was locked.
    if (::flock(staged.descriptor.get(), LOCK_EX | LOCK_NB) == 0 &&
        still_there(folder, staged.name, staged.descriptor.get()))
      return staged;
  }
  why = std::make_error_code(std::errc::resource_unavailable_try_again);
  return {};
}

}  // namespace

Descriptor::~Descriptor() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

Descriptor::Descriptor(Descriptor&& other) noexcept : descriptor_(std::exchange(other.descriptor_, -1)) {}

Descriptor& Descriptor::operator=(Descriptor&& other) noexcept {
  if (this != &other) {
    if (descriptor_ >= 0) ::close(descriptor_);
    descriptor_ = std::exchange(other.descriptor_, -1);
  }
  return *this;
}

std::error_code last_error() {
  return {errno != 0 ? errno : EIO, std::generic_category()};
}

Descriptor open_folder(const std::filesystem::path& path, std::error_code& why) {
  Descriptor folder(::open(path.empty() ? "." : path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  why = folder.open() ? std::error_code() : last_error();
  return folder;
}

Staged stage_file(int folder, const std::string& name, std::error_code& why) {
  return stage(folder, name, why, [&](const std::string& staged) {
    return ::openat(folder, staged.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0666);
  });
}

Staged stage_folder(int folder, const std::string& name, std::error_code& why) {
  return stage(folder, name, why, [&](const std::string& staged) {
    if (::mkdirat(folder, staged.c_str(), 0777) != 0) return -1;
    return ::openat(folder, staged.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
  });
}

std::error_code write_out(int descriptor, const std::string& contents) {
  std::size_t done = 0;
  while (done < contents.size()) {
    const ssize_t n = ::write(descriptor, contents.data() + done, contents.size() - done);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return last_error();
    done += static_cast<std::size_t>(n);
  }
  return ::fsync(descriptor) == 0 ? std::error_code() : last_error();
}

std::error_code write_new_file(int folder, const std::string& name, const std::string& contents) {
  const Descriptor file(
      ::openat(folder, name.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0666));
  return file.open() ? write_out(file.get(), contents) : last_error();
}

std::vector<std::string> abandoned_beside(int folder, const std::string& name) {
  std::vector<std::string> found;
  const int copy = ::openat(folder, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  DIR* const entries = copy >= 0 ? ::fdopendir(copy) : nullptr;
  if (entries == nullptr) {
    if (copy >= 0) ::close(copy);
    return found;
  }
  const std::string prefix = prefix_of(name);
  while (const dirent* entry = ::readdir(entries)) {
    const std::string staged = entry->d_name;
    if (!is_staged_name(staged, prefix)) continue;
    const Descriptor held(::openat(folder, staged.c_str(), O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC));
    if (held.open() && ::flock(held.get(), LOCK_EX | LOCK_NB) == 0) found.push_back(staged);
  }
  ::closedir(entries);
  return found;
}

}  // namespace withy
