// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy compare --anywhere` asks and says: each lock count judged wherever its locks sit.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/files/file_output.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/layouts/anywhere.h"
#include "tools/withy/progress.h"

namespace withy {

/// One lock count's answer over all layouts.
struct AnywhereRow {
  int locks = 0;
  AnywhereAnswer answer;
  double seconds = 0.0;
  std::string proofs;        ///< text of the file of proofs; empty where none was asked for, or none is whole
  std::string proof_status;  ///< of the proofs, where they were rechecked at once
};

struct AnywhereOptions {
  std::optional<double> clearance_mm;
  Effort effort = {};  ///< its clock ends the question
  bool proofs = false;
  std::string scene_file;  ///< as seen from where the proofs are written
  std::string heading = {};
};

/// Precondition: one lock at least.
Result<AnywhereRow> ask_anywhere(const PreparedScene& prepared, int locks, const AnywhereOptions& options,
                                 Progress& progress);

/// Why a row has no proofs, as half a sentence.
std::string why_no_proofs(const AnywhereRow& row);

/// A line for each count.
std::string anywhere_table(const std::vector<AnywhereRow>& rows);

/// As JSON, for compare.json.
std::string anywhere_json(const std::vector<AnywhereRow>& rows);

/// "anywhere-2.toml": the scene with the best layout of so many locks.
std::string anywhere_scene_name(int locks);
Result<void> add_best_scenes(FileBatch& batch, const std::filesystem::path& folder, const Scene& scene,
                             const std::vector<AnywhereRow>& rows);

}  // namespace withy
