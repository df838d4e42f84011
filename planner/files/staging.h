// SPDX-License-Identifier: GPL-3.0-or-later
// Where files stand before they are seen: a hidden file or folder beside the place that is meant, taken away
// again if its process dies.
//
//     .NAME.withy-XXXXXXXX      beside NAME, XXXXXXXX random
//
// Its owner holds a lock on it (flock) for as long as it lives; the kernel lets go of the lock however the
// process ends. So what can be locked belongs to nobody, and the next process that writes to NAME removes it.
// Nothing is opened through a link: names are made anew (O_EXCL) below a folder that is held open.
#pragma once

#include <filesystem>
#include <string>
#include <system_error>
#include <vector>

namespace withy {

/// A file descriptor that closes itself; -1 for none.
class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int descriptor) : descriptor_(descriptor) {}
  ~Descriptor();
  Descriptor(Descriptor&& other) noexcept;
  Descriptor& operator=(Descriptor&& other) noexcept;
  int get() const { return descriptor_; }
  bool open() const { return descriptor_ >= 0; }

 private:
  int descriptor_ = -1;
};

/// errno as an error code.
std::error_code last_error();

/// The folder `path` for work below it. Errors: it is none, or can't be opened.
Descriptor open_folder(const std::filesystem::path& path, std::error_code& why);

/// A name made anew beside `name` in the folder, locked. `descriptor` is open for writing (a file) or reading
/// (a folder).
struct Staged {
  std::string name;
  Descriptor descriptor{};
};
Staged stage_file(int folder, const std::string& name, std::error_code& why);
Staged stage_folder(int folder, const std::string& name, std::error_code& why);

/// Makes a file anew in a folder and writes it, down to the disk.
std::error_code write_new_file(int folder, const std::string& name, const std::string& contents);

/// Writes all of the contents, down to the disk.
std::error_code write_out(int descriptor, const std::string& contents);

/// The staged names beside `name` that no living process holds.
std::vector<std::string> abandoned_beside(int folder, const std::string& name);

}  // namespace withy
