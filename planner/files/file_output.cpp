// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/file_output.h"

#include <algorithm>
#include <cerrno>
#include <fstream>
#include <system_error>

#include <fmt/core.h>
#include <unistd.h>

namespace withy {
namespace {

std::filesystem::path temporary_beside(const std::filesystem::path& file) {
  return file.parent_path() / fmt::format(".{}.{}.tmp", file.filename().string(), ::getpid());
}

InputError cannot_write(const std::filesystem::path& file, const std::error_code& why) {
  return {file.string(), 1, 1, "this file can't be written (" + why.message() + ")",
          "name a place that exists and may be written to"};
}

std::error_code write_all(const std::filesystem::path& file, const std::string& contents) {
  errno = 0;
  std::ofstream out(file, std::ios::binary | std::ios::trunc);
  out.write(contents.data(), static_cast<std::streamsize>(contents.size()));
  out.close();
  if (out) return {};
  return {errno != 0 ? errno : EIO, std::generic_category()};
}

}  // namespace

FileBatch::~FileBatch() {
  std::error_code ignored;
  for (const Item& item : items_)
    if (!item.temporary.empty()) std::filesystem::remove(item.temporary, ignored);
}

void FileBatch::add(const std::filesystem::path& file, std::string contents) {
  const auto same = std::find_if(items_.begin(), items_.end(), [&](const Item& i) { return i.file == file; });
  if (same != items_.end())
    same->contents = std::move(contents);
  else
    items_.push_back({file, {}, std::move(contents)});
}

Result<void> FileBatch::commit() {
  std::error_code why;
  for (Item& item : items_) {
    // A folder in the file's place would only be found by the rename, after others were renamed already.
    if (std::filesystem::is_directory(item.file))
      return tl::unexpected(cannot_write(item.file, std::make_error_code(std::errc::is_a_directory)));
    if (item.file.has_parent_path()) std::filesystem::create_directories(item.file.parent_path(), why);
    if (why) return tl::unexpected(cannot_write(item.file, why));
    item.temporary = temporary_beside(item.file);
    why = write_all(item.temporary, item.contents);
    if (why) return tl::unexpected(cannot_write(item.file, why));
  }
  for (Item& item : items_) {
    std::filesystem::rename(item.temporary, item.file, why);
    if (why) return tl::unexpected(cannot_write(item.file, why));
    item.temporary.clear();
  }
  items_.clear();
  return {};
}

Result<void> write_whole(const std::filesystem::path& file, std::string contents) {
  FileBatch batch;
  batch.add(file, std::move(contents));
  return batch.commit();
}

}  // namespace withy
