// SPDX-License-Identifier: GPL-3.0-or-later
// Scenes made of foreign meshes by the recipes beside this (recipes.toml says how).
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include <tl/expected.hpp>

namespace withy::bench {

struct ForeignScene {
  std::string name;
  std::filesystem::path file;  ///< the scene's
  std::size_t triangles = 0;
  double length_mm = 0.0;  ///< of the first middle line
  double scale = 1.0;
};

/// Writes the scenes into `folder`; those whose name holds `only`. A recipe that comes to nothing says why in
/// place of a scene.
std::vector<tl::expected<ForeignScene, std::string>> make_foreign_scenes(const std::filesystem::path& recipes,
                                                                         const std::filesystem::path& meshes,
                                                                         const std::filesystem::path& folder,
                                                                         const std::string& only);

}  // namespace withy::bench
