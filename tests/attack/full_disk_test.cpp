// SPDX-License-Identifier: GPL-3.0-or-later
// Answers on disks of a few kilobytes, on disks that may not be written to, and through links: a whole
// answer, or what stood there before. Disks are made in memory (tmpfs), which takes the right to mount; where
// that is not given the tests say so and end.
#include <cerrno>
#include <filesystem>
#include <map>
#include <string>

#include <catch2/catch.hpp>
#include <sys/mount.h>
#include <sys/stat.h>

#include "planner/files/file_output.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;
namespace fs = std::filesystem;

namespace {

/// A disk of its own in memory, gone at the end.
class SmallDisk {
 public:
  explicit SmallDisk(const std::string& options)
      : mounted_(::mount("none", folder_.path().c_str(), "tmpfs", 0, options.c_str()) == 0) {}
  ~SmallDisk() {
    if (mounted_) ::umount2(folder_.path().c_str(), MNT_DETACH);
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;

  bool mounted() const { return mounted_; }
  const fs::path& path() const { return folder_.path(); }
  bool make_read_only() const {
    return ::mount("none", path().c_str(), "tmpfs", MS_REMOUNT | MS_RDONLY, nullptr) == 0;
  }

  /// Every file by name, with what is in it; folders end in a slash.
  std::map<std::string, std::string> contents() const {
    std::map<std::string, std::string> all;
    for (const auto& entry : fs::recursive_directory_iterator(path())) {
      const std::string name = fs::relative(entry.path(), path()).string();
      if (entry.is_directory())
        all[name + "/"] = "";
      else
        all[name] = read_text(entry.path());
    }
    return all;
  }

 private:
  TemporaryFolder folder_;
  bool mounted_;
};

/// An answer of three files of four kilobytes.
bool write_answer(const fs::path& place, char fill) {
  withy::FileBatch batch;
  batch.owns(place, {"a", "b", "c", "d"});
  for (const char* name : {"a", "b", "c"}) batch.add(place / name, std::string(4096, fill));
  return batch.commit().has_value();
}

bool is_answer(const std::map<std::string, std::string>& files, const std::string& folder, char fill) {
  for (const char* name : {"a", "b", "c"}) {
    const auto at = files.find(folder + "/" + name);
    if (at == files.end() || at->second != std::string(4096, fill)) return false;
  }
  return true;
}

}  // namespace

TEST_CASE("On a full disk an answer is whole, or the one before stays with everything beside it") {
  int written = 0;
  int refused = 0;
  // From no room for anything to room for both answers; and with few names left, which links take.
  for (const std::string room :
       {"size=8k", "size=20k", "size=28k", "size=32k", "size=40k", "size=64k", "size=1m,nr_inodes=10",
        "size=1m,nr_inodes=12", "size=1m,nr_inodes=14", "size=1m,nr_inodes=16", "size=1m,nr_inodes=20"}) {
    const SmallDisk disk(room);
    if (!disk.mounted()) {
      WARN("no disk can be mounted here: not tested");
      return;
    }
    CAPTURE(room);
    if (!write_answer(disk.path() / "out", '1')) {
      CHECK(disk.contents().empty());
      ++refused;
      continue;
    }
    write_text(disk.path() / "out/notes", "");  // the user's own
    write_text(disk.path() / "out/more", "");
    const auto before = disk.contents();
    REQUIRE(is_answer(before, "out", '1'));
    if (write_answer(disk.path() / "out", '2')) {
      ++written;
      CHECK(is_answer(disk.contents(), "out", '2'));
      CHECK(disk.contents().size() == before.size());
      CHECK(disk.contents().contains("out/notes"));
    } else {
      ++refused;
      CHECK(disk.contents() == before);
    }
  }
  CHECK(written > 0);
  CHECK(refused > 1);
}

TEST_CASE(
    "A disk that is a folder's own fills up without a trace, and nothing is written to one that is "
    "read-only") {
  const SmallDisk disk("size=24k");
  if (!disk.mounted()) {
    WARN("no disk can be mounted here: not tested");
    return;
  }
  // The disk itself is the answer's folder: no folder beside it can take its place.
  REQUIRE(write_answer(disk.path(), '1'));
  write_text(disk.path() / "notes", "mine");
  const auto before = disk.contents();
  CHECK_FALSE(write_answer(disk.path(), '2'));
  CHECK(disk.contents() == before);
  REQUIRE(disk.make_read_only());
  CHECK_FALSE(write_answer(disk.path(), '3'));
  CHECK_FALSE(write_answer(disk.path() / "out", '3'));
  CHECK_FALSE(withy::check_output_folder(disk.path()).has_value());
  CHECK_FALSE(withy::check_output_file(disk.path() / "x.csv", {}).has_value());
  CHECK(disk.contents() == before);
}

TEST_CASE("An answer's folder may be a link to one; links in it are replaced and not followed") {
  const TemporaryFolder folder;
  fs::create_directory(folder.path() / "real");
  fs::create_directory_symlink("real", folder.path() / "out");
  write_text(folder.path() / "precious", "mine");
  fs::create_symlink("../precious", folder.path() / "real/a");
  CHECK(write_answer(folder.path() / "out", '1'));
  CHECK(fs::is_symlink(folder.path() / "out"));
  CHECK_FALSE(fs::is_symlink(folder.path() / "real/a"));
  CHECK(read_text(folder.path() / "real/b") == std::string(4096, '1'));
  CHECK(read_text(folder.path() / "precious") == "mine");
  // A link to nowhere is no place.
  fs::create_symlink("nowhere", folder.path() / "lost");
  CHECK_FALSE(withy::check_output_folder(folder.path() / "lost").has_value());
  CHECK_FALSE(write_answer(folder.path() / "lost", '1'));
  CHECK(fs::is_symlink(folder.path() / "lost"));
  CHECK_FALSE(fs::exists(folder.path() / "nowhere"));
}
