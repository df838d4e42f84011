// SPDX-License-Identifier: GPL-3.0-or-later
// A file that is in memory only, for libraries that read from files alone. Its path ends as its name does: a
// link in a folder of its own for temporary files leads to it, and goes with it. Linux: memfd_create(2), and
// /proc.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>

namespace withy {

class MemoryFile {
 public:
  /// An empty file; nothing where the system gives none. `name` has no separators.
  static std::optional<MemoryFile> make(const std::string& name);
  ~MemoryFile();
  MemoryFile(MemoryFile&& other) noexcept;
  MemoryFile(const MemoryFile&) = delete;
  MemoryFile& operator=(const MemoryFile&) = delete;
  MemoryFile& operator=(MemoryFile&& other) noexcept;

  /// Adds bytes at the end; false where there is no room for them.
  bool write(const char* bytes, std::size_t count);

  const std::filesystem::path& path() const { return path_; }

 private:
  MemoryFile() = default;
  int descriptor_ = -1;
  std::filesystem::path path_;
};

/// Removes the link and the folder of the memory file that was made last, if it is still there. For a signal
/// handler that ends the program: async-signal-safe.
void remove_left_memory_file() noexcept;

}  // namespace withy
