// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/study.h"

#include <algorithm>
#include <cassert>
#include <random>
#include <set>

#include <fmt/core.h>
#include <toml++/toml.h>

#include "planner/files/sha256.h"

namespace withy {
namespace {

/// More runs than this are taken for a slip: their records alone would fill a gigabyte.
constexpr double kMostRuns = 1e6;

/// Each seed's scene is read before the first run.
constexpr std::size_t kMostSeeds = 100000;

/// What a design is called where the study lists none.
constexpr const char* kAsWritten = "as the scene has it";

/// The array must hold something, each thing once.
template <class T>
void check_list(TomlFile& file, const std::string& key, const std::vector<T>& values) {
  if (values.empty()) file.fault(key, fmt::format("{} is empty", key), "give at least one");
  std::set<T> seen;
  for (std::size_t i = 0; i < values.size(); ++i)
    if (!seen.insert(values[i]).second)
      file.fault(fmt::format("{}[{}]", key, i), fmt::format("{}[{}] is {} once more", key, i, values[i]),
                 "give each once");
}

void check_range(TomlFile& file, const std::string& key, const std::vector<int>& values, int least, int most,
                 const std::string& remedy) {
  for (std::size_t i = 0; i < values.size(); ++i)
    if (values[i] < least || values[i] > most)
      file.fault(fmt::format("{}[{}]", key, i), fmt::format("{}[{}] is {}", key, i, values[i]), remedy);
}

void read_designs(TomlSection& root, TomlFile& file, Study& study) {
  std::set<std::string> seen;
  for (TomlSection& design : root.optional_tables("design")) {
    study.designs_listed = true;
    study.designs.push_back(design.text("name"));  // its other keys are the scene's to know
    if (!seen.insert(study.designs.back()).second)
      file.fault(design.dotted("name"), fmt::format("the name {} is given once more", study.designs.back()),
                 "give each design a name of its own");
  }
  if (study.designs.empty()) study.designs.emplace_back(kAsWritten);
}

/// All half widths under a table of [scatter]; `scene_key` is the table's name in the scene.
void read_scatter(TomlSection table, TomlFile& file, const std::string& scene_key, Study& study) {
  for (const std::string& key : table.keys()) {
    const std::string dotted = scene_key.empty() ? key : scene_key + "." + key;
    if (table.has_table(key)) {
      read_scatter(table.table(key), file, dotted, study);
      continue;
    }
    const double half_width = table.number(key);
    const std::string name = table.dotted(key);
    if (!(half_width >= 0.0))
      file.fault(name, fmt::format("{} is {}", name, half_width), "give 0 or a number above 0");
    study.scatter.push_back({dotted, half_width, find_position(file.positions(), name)});
    study.scatter.back().at.file = study.file.string();
  }
}

void read_tables(TomlFile& file, Study& study) {
  TomlSection root = file.root();
  study.title = root.text("title");
  study.scenes = root.texts("scenes");
  study.locks = root.whole_numbers("locks");
  study.seeds = root.whole_numbers("seeds");
  study.budget_work_s = root.number("budget_work_s");
  read_designs(root, file, study);
  if (auto table = root.optional_table("scatter")) read_scatter(*table, file, "", study);
  root.close();
  std::sort(study.scatter.begin(), study.scatter.end(),
            [](const Scatter& a, const Scatter& b) { return a.key < b.key; });
}

void check_values(TomlFile& file, const Study& study) {
  check_list(file, "scenes", study.scenes);
  check_list(file, "locks", study.locks);
  check_list(file, "seeds", study.seeds);
  check_range(file, "locks", study.locks, 0, kMaxLocks,
              fmt::format("give a lock count from 0 to {}", kMaxLocks));
  check_range(file, "seeds", study.seeds, 0, std::numeric_limits<int>::max(),
              "give 0 or a whole number above 0");
  if (study.seeds.size() > kMostSeeds)
    file.fault("seeds", fmt::format("{} seeds are given", study.seeds.size()),
               fmt::format("give at most {}", kMostSeeds));
  if (study.seeds.size() > 1 && study.scatter.empty())
    file.fault("seeds",
               fmt::format("{} seeds are given, but nothing is scattered: their runs would all be alike",
                           study.seeds.size()),
               "add [scatter] or give one seed");
  if (static_cast<double>(study.run_count()) > kMostRuns)
    file.fault("scenes", fmt::format("the study has {} runs", study.run_count()),
               fmt::format("give one of at most {:.0f}", kMostRuns));
}

/// Replaces the scattered numbers. False where a key leads to none, which is a fault at the scatter.
bool scatter(TomlFile& file, const Study& study, int seed,
             std::vector<std::pair<std::string, double>>& drawn) {
  std::mt19937_64 generator(static_cast<std::uint64_t>(seed));
  bool all_found = true;
  for (const Scatter& s : study.scatter) {
    std::vector<double> values;
    const bool found = file.change_numbers(s.key, [&](double value) {
      // 53 bits, the digits of a double: evenly from [0, 1).
      const double even = static_cast<double>(generator() >> 11) * 0x1p-53;
      values.push_back(value + s.half_width * (2.0 * even - 1.0));
      return values.back();
    });
    if (!found)
      file.fault(s.at, fmt::format("the scene has no number {}", s.key),
                 "name a key of the scene that holds numbers");
    all_found = all_found && found;
    for (std::size_t i = 0; i < values.size(); ++i)
      drawn.emplace_back(values.size() == 1 ? s.key : fmt::format("{}[{}]", s.key, i), values[i]);
  }
  return all_found;
}

/// The run's scene with its design, and with its scatter where that is asked for.
struct Amended {
  Result<Scene> scene;
  std::vector<std::pair<std::string, double>> scattered;
  bool all_found = true;  ///< does every key of the scatter lead to numbers?
};

std::filesystem::path scene_file(const Study& study, const StudyRun& run) {
  return study.file.parent_path() / study.scenes[run.scene];
}

Amended read_amended(const Study& study, const StudyRun& run, bool with_scatter) {
  Amended out;
  out.scene = read_scene(scene_file(study, run), [&](TomlFile& file) {
    if (study.designs_listed) {
      // Parsed before without a fault, or there would be no study.
      const auto again = TomlFile::parse(study.bytes, study.file.string());
      toml::table changes = (*again)->take_table("design", run.design);
      changes.erase("name");
      file.amend(std::move(changes));
    }
    if (with_scatter) out.all_found = scatter(file, study, run.seed, out.scattered);
  });
  return out;
}

/// The scene with the run's design and scatter. Where the design's values don't go together, or what this
/// seed drew is none, the run is refused and the scene is as it stands.
Result<StudyScene> read_as_asked(const Study& study, const StudyRun& run) {
  Amended asked = read_amended(study, run, true);
  StudyScene out;
  out.scattered = std::move(asked.scattered);
  if (asked.scene) {
    out.scene = std::move(*asked.scene);
    return out;
  }
  const InputError fault = asked.scene.error();
  if (!asked.all_found) return tl::unexpected(fault);
  const Result<Scene> as_designed =
      study.scatter.empty() ? asked.scene : read_amended(study, run, false).scene;
  if (!as_designed && !as_designed.error().of_values_together) return tl::unexpected(as_designed.error());
  auto as_it_stands = read_scene(scene_file(study, run));
  if (!as_it_stands) return tl::unexpected(fault);
  out.scene = std::move(*as_it_stands);
  out.refused = fault;
  return out;
}

/// Reads every scene as every design and seed have it, for their faults and their hashes.
Result<void> read_all_scenes(Study& study) {
  for (std::size_t index = 0; index < study.run_count(); ++index) {
    const StudyRun run = study.run(index);
    const bool alike = study.scatter.empty() && run.seed != study.seeds.front();
    if (run.locks != study.locks.front() || alike) continue;
    const auto read = read_as_asked(study, run);
    if (!read) return tl::unexpected(read.error());
    if (study.scene_titles.size() == run.scene) study.scene_titles.push_back(read->scene.title);
    study.hashes[read->scene.file.string()] = read->scene.sha256;
    study.hashes[read->scene.mesh_file.string()] = read->scene.mesh_sha256;
  }
  // By content and in the order of the paths; the paths themselves differ from machine to machine.
  std::string leads_to = sha256(study.bytes);
  for (const auto& [path, hash] : study.hashes) leads_to += hash;
  study.sha256 = sha256(leads_to);
  return {};
}

}  // namespace

StudyRun Study::run(std::size_t index) const {
  assert(index < run_count());
  const std::size_t by_seed = index / seeds.size();
  const std::size_t by_locks = by_seed / locks.size();
  return {index, by_locks / designs.size(), by_locks % designs.size(), locks[by_seed % locks.size()],
          seeds[index % seeds.size()]};
}

Result<StudyScene> read_study_scene(const Study& study, const StudyRun& run) {
  auto read = read_as_asked(study, run);
  if (!read) return read;
  const Scene& scene = read->scene;
  for (const auto& [path, hash] :
       {std::pair(scene.file, scene.sha256), std::pair(scene.mesh_file, scene.mesh_sha256)})
    if (study.hashes.at(path.string()) != hash)
      return input_error(path.string(), 1, 1, "this file has changed while the study ran",
                         "put it back, or start the study again in another folder");
  return read;
}

Result<Study> read_study(const std::filesystem::path& path) {
  auto file = TomlFile::open(path);
  if (!file) return tl::unexpected<InputError>(file.error());
  Study study;
  study.file = path;
  study.bytes = (*file)->bytes();
  read_tables(**file, study);
  if (const auto fault = (*file)->first_fault()) return tl::unexpected<InputError>(*fault);
  check_values(**file, study);
  if (const auto fault = (*file)->first_fault()) return tl::unexpected<InputError>(*fault);
  if (const auto read = read_all_scenes(study); !read) return tl::unexpected<InputError>(read.error());
  return study;
}

}  // namespace withy
