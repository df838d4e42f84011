// SPDX-License-Identifier: GPL-3.0-or-later
// The plan file: a search's answer as JSON, out and back in.
//
// Keys and their order are the README's table. Numbers print as the shortest decimal that reads back as the
// same double. Vectors stand in the scene frame S, locks count from 1, an unbounded clearance is null, and so
// is a maximum of what was not checked. The same answer gives the same bytes, `seconds` aside.
//
// The writer works nothing out: the answer carries its figures (figures.h).
//
// A state's regions carry the curvature of their exposed flexible length; the free region's is the one the
// tendons are set for, also while it is wholly inside a guide.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "planner/files/json_reader.h"
#include "planner/plan/answer.h"
#include "planner/scene/scene.h"

namespace withy {

/// What `withy recheck` said of the answer: the plan, or the certificate of a proof.
struct PlanRecheck {
  std::string verdict;  ///< "holds", "does not hold", "could not decide"
  std::string sentence;
};

/// Everything that goes into a plan file. The references must outlive the call.
struct PlanRecord {
  const Scene& scene;
  const Design& design;
  const Answer& answer;
  std::string scene_file;                                      ///< as seen from the plan file's folder
  std::optional<double> required_clearance_mm = std::nullopt;  ///< what was asked for, where not the scene's
  std::optional<double> duration_s =
      std::nullopt;  ///< of the plan's script (planner/script), where there is one
  std::optional<PlanRecheck> rechecked = std::nullopt;  ///< absent: it was not
};

/// The file's whole text.
std::string write_plan(const PlanRecord& record);

/// A state as a plan file has it.
struct RecordedState {
  struct Stretch {
    double from_mm = 0.0;
    double to_mm = 0.0;
    Eigen::Vector2d curvature_per_mm = Eigen::Vector2d::Zero();
  };
  double insertion_mm = 0.0;
  std::vector<bool> locked;
  std::vector<Stretch> regions;
  std::vector<double> pull_mm;
  std::vector<double> tension_N;
  Eigen::Vector3d tip_S = Eigen::Vector3d::Zero();
  std::optional<double> clearance_mm;  ///< absent: unbounded
  std::vector<double> lock_moment_Nmm;
};

/// A plan file, read. What it says of its scene is not checked against the scene.
struct PlanFile {
  explicit PlanFile(JsonFile parsed) : json(std::move(parsed)) {}

  std::string scene_file;
  std::string scene_sha256;
  std::string mesh_sha256;
  std::string title;
  Verdict verdict = Verdict::undecided;
  std::string why;
  std::vector<std::string> checked;
  std::vector<std::string> not_checked;
  int locks = 0;
  std::optional<double> required_clearance_mm;  ///< what the plan was asked for, where it says so
  std::vector<RecordedState> states;
  std::vector<PlannedAction> actions;
  bool from_elsewhere = false;  ///< see Plan
  /// What to answer where a plan to the target is wanted and the file holds none.
  InputError without_target() const;

  JsonFile json;  ///< for errors at a place: json.error_at("/states/3", ...)
};

/// Reads a plan file, strictly: an unknown or missing key, a wrong type, an index out of range is an error
/// with its place.
Result<PlanFile> read_plan(const std::filesystem::path& file);

/// The plan in the file, for the design it was made for. Its clearances are the file's; its other figures are
/// not worked out (figures.h): states from a file may break any limit. Errors: not `reached`; another number
/// of locks or another length than the design's; regions that don't end at the engaged locks; a motion that
/// changes locks, or a switch that isn't one.
Result<Plan> plan_in(const PlanFile& file, const Design& design);

/// The scene that the plan was made for, unchanged since. It is sought where the plan names it, seen from
/// the plan's folder and then from the working folder, and then by its hash among the TOML files of the
/// plan's folder and of the one above. `given` is taken instead where it is not empty. Errors: the scene
/// can't be read or found; the scene's or the mesh's hash is another (it says which).
Result<Scene> scene_of(const PlanFile& plan, const std::filesystem::path& plan_path,
                       const std::filesystem::path& given = {});

}  // namespace withy
