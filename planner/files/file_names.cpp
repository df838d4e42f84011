// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/file_names.h"

#include <system_error>

#include "planner/files/input_file.h"

namespace withy {

namespace fs = std::filesystem;

std::string named_from(const fs::path& file, const fs::path& folder) {
  if (folder.empty()) return file.generic_string();
  std::error_code why;
  // Links on the way are resolved: a path through ".." means another place below a link.
  const fs::path above = fs::weakly_canonical(fs::absolute(file).parent_path(), why);
  const fs::path from = fs::weakly_canonical(fs::absolute(folder), why);
  const std::string named = (above / file.filename()).lexically_proximate(from).generic_string();
  return why || named.empty() || !is_utf8(named) ? file.generic_string() : named;
}

std::string named_beside(const fs::path& file, const fs::path& other) {
  return named_from(file, other.has_parent_path() ? other.parent_path() : fs::path("."));
}

}  // namespace withy
