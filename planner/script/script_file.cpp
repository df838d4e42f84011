// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script_file.h"

#include "planner/files/input_file.h"
#include "planner/files/toml_reader.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"

namespace withy {

Result<Script> read_script(const std::filesystem::path& file, const Scene& scene) {
  const auto text = read_text_input(file, kLargestTable);
  if (!text) return tl::unexpected(text.error());
  if (file.extension() == ".csv") return read_csv(*text, file.string());
  if (file.extension() != ".ngc")
    return input_error(file.string(), 1, 1, "a script's name ends with .csv or .ngc",
                       "name it by what is in it");
  if (!scene.actuation)
    return tl::unexpected(scene.error_at("",
                                         "the scene has no [actuation], which letters the axes of a program",
                                         "describe the unit, or give the script as .csv"));
  return read_iso6983(*text, file.string(), *scene.actuation);
}

}  // namespace withy
