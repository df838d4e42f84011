// SPDX-License-Identifier: GPL-3.0-or-later
// How one file names another: by a path relative to itself, so that both can be moved together.
#pragma once

#include <filesystem>
#include <string>

namespace withy {

/// `file` as seen from `folder`, with slashes; as it was given where `folder` is empty (nothing is written),
/// or where no such path is UTF-8.
std::string named_from(const std::filesystem::path& file, const std::filesystem::path& folder);

/// The same as seen from the file `other`, which may stand in the working folder.
std::string named_beside(const std::filesystem::path& file, const std::filesystem::path& other);

}  // namespace withy
