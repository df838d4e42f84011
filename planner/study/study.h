// SPDX-License-Identifier: GPL-3.0-or-later
// A study: one question for every scene with every design, lock count and seed, numbered in one fixed order.
//
// A design is the scene with some of its values replaced. What is scattered (machining, mounting) differs
// from seed to seed: each such number gets a value drawn evenly from its own plus or minus a half width, by
// the 64-bit Mersenne twister (M. Matsumoto and T. Nishimura, "Mersenne Twister", ACM Trans. Modeling and
// Computer Simulation 8(1), 1998; std::mt19937_64, whose numbers the C++ standard fixes) seeded with the
// run's seed, in the order of the keys' names. Nothing else in a run is random.
//
// A run's budget is counted in work (RouteSearch::work), never by the clock: so a run's result depends
// neither on the load of the machine nor on what runs beside it.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "planner/scene/scene.h"

namespace withy {

/// One question of a study.
struct StudyRun {
  std::size_t index = 0;   ///< 0 .. run_count() - 1; people count from 1
  std::size_t scene = 0;   ///< index into Study::scenes
  std::size_t design = 0;  ///< index into Study::designs
  int locks = 0;
  int seed = 0;
};

/// A number of the scene that differs from seed to seed.
struct Scatter {
  std::string key;  ///< dotted, as in the scene
  double half_width = 0.0;
  FilePosition at;  ///< in the study file
};

struct Study {
  std::filesystem::path file;
  std::string bytes;  ///< the file as it was read; designs are taken from it again for each run
  std::string title;
  std::vector<std::string> scenes;        ///< scene files as the study names them, seen from its folder
  std::vector<std::string> scene_titles;  ///< one for each scene, as its first design has it
  std::vector<std::string> designs;       ///< names; one, the scene as it is, where the study lists none
  bool designs_listed = false;
  std::vector<int> locks;
  std::vector<int> seeds;
  double budget_work_s = 0.0;  ///< millions of units of work; a unit is about a microsecond of a fast machine
  std::vector<Scatter> scatter;               ///< by name of the key
  std::map<std::string, std::string> hashes;  ///< of every scene and mesh file it leads to, by path
  std::string sha256;                         ///< of this file and of all of those

  std::size_t run_count() const { return scenes.size() * designs.size() * locks.size() * seeds.size(); }
  StudyRun run(std::size_t index) const;
};

/// The scene of one run, with the design's values and this seed's scatter.
struct StudyScene {
  Scene scene;
  std::vector<std::pair<std::string, double>> scattered;  ///< dotted key (with [i] in an array) and value
  /// Why the run is refused: its design's values don't go together, or what its seed drew is no design's. The
  /// scene is then as its file has it.
  std::optional<InputError> refused = std::nullopt;
};

/// Reads and checks the study and, with every design and seed, every scene that it names, but no mesh beyond
/// its hash. Faults of a design's values are reported where the study gives them; values that are sound by
/// themselves and don't go together are none of the study: their runs are refused.
Result<Study> read_study(const std::filesystem::path& file);

/// The scene of a run of the study. Errors: as read_scene's; a scene or mesh that is no longer what the study
/// was read with.
Result<StudyScene> read_study_scene(const Study& study, const StudyRun& run);

}  // namespace withy
