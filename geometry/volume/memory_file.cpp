// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/memory_file.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <cstdlib>
#include <system_error>
#include <utility>

#include <fmt/core.h>
#include <sys/mman.h>
#include <unistd.h>

namespace withy {
namespace {

/// The link and its folder that a signal handler has to remove.
constexpr std::size_t kMostPath = 4096;
std::array<char, kMostPath> left_link{};
std::array<char, kMostPath> left_folder{};
std::atomic<bool> is_left{false};
static_assert(std::atomic<bool>::is_always_lock_free, "a signal handler may only touch lock-free atomics");

void remember(const std::string& folder, const std::string& link) {
  if (link.size() >= kMostPath) return;
  is_left = false;
  left_folder.fill('\0');
  left_link.fill('\0');
  std::copy(folder.begin(), folder.end(), left_folder.begin());
  std::copy(link.begin(), link.end(), left_link.begin());
  is_left = true;
}

}  // namespace

void remove_left_memory_file() noexcept {
  if (!is_left.exchange(false)) return;
  unlink(left_link.data());
  rmdir(left_folder.data());
}

std::optional<MemoryFile> MemoryFile::make(const std::string& name) {
  MemoryFile file;
  file.descriptor_ = memfd_create(name.c_str(), MFD_CLOEXEC);
  if (file.descriptor_ < 0) return std::nullopt;
  std::error_code fault;
  std::string folder = (std::filesystem::temp_directory_path(fault) / "withy-XXXXXX").string();
  if (fault || mkdtemp(folder.data()) == nullptr) return std::nullopt;
  file.path_ = std::filesystem::path(folder) / name;
  remember(folder, file.path_.string());
  std::filesystem::create_symlink(fmt::format("/proc/self/fd/{}", file.descriptor_), file.path_, fault);
  if (fault || !std::filesystem::exists(file.path_, fault)) return std::nullopt;
  return file;
}

MemoryFile::MemoryFile(MemoryFile&& other) noexcept
    : descriptor_(std::exchange(other.descriptor_, -1)), path_(std::exchange(other.path_, {})) {}

MemoryFile& MemoryFile::operator=(MemoryFile&& other) noexcept {
  std::swap(descriptor_, other.descriptor_);
  std::swap(path_, other.path_);
  return *this;
}

MemoryFile::~MemoryFile() {
  if (descriptor_ >= 0) close(descriptor_);
  if (path_.empty()) return;
  std::error_code ignored;
  std::filesystem::remove(path_, ignored);
  std::filesystem::remove(path_.parent_path(), ignored);
  if (path_.string() == left_link.data()) is_left = false;
}

bool MemoryFile::write(const char* bytes, std::size_t count) {
  while (count > 0) {
    const ssize_t written = ::write(descriptor_, bytes, count);
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) return false;
    bytes += written;
    count -= static_cast<std::size_t>(written);
  }
  return true;
}

}  // namespace withy
