// SPDX-License-Identifier: GPL-3.0-or-later
// What a study comes to: its results in order of the runs, whoever ran them and whenever.
#pragma once

#include <filesystem>
#include <map>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include <nlohmann/json.hpp>

#include "planner/files/file_output.h"
#include "planner/study/journal.h"
#include "planner/study/study.h"

namespace withy {

/// The first line of the study's journals: which study, and all that its results are told by. Holds no path
/// beyond what the study file says, so that shards may run in different places.
std::string journal_header(const Study& study);

/// A whole study.
struct StudyResults {
  nlohmann::ordered_json header;   ///< journal_header
  std::vector<RunRecord> records;  ///< one for each run, in order
};

/// Puts together what the journals of a folder hold. Errors: as read_journals'; there is no journal; runs are
/// missing.
Result<StudyResults> join_study(const std::filesystem::path& folder);

/// results.jsonl: a line for each run, the same bytes however the runs were spread and interrupted.
std::string results_jsonl(const StudyResults& results);
/// results.csv: the same as a table (RFC 4180).
std::string results_csv(const StudyResults& results);
/// timings.csv: what each run took, the one thing that differs from one execution to the next.
std::string timings_csv(const StudyResults& results);

/// How many of the runs with the same scene, design and lock count came to which verdict, and the clearances
/// of those that reached.
struct StudyGroup {
  std::string scene;
  std::string design;
  int locks = 0;
  int runs = 0;
  int reached = 0;
  int unreachable = 0;
  int undecided = 0;
  int refused = 0;
  std::vector<double> clearance_mm;  ///< finite ones of the plans, ascending
  std::vector<double> fails_high;    ///< upper bounds of the plans' chances to fail, ascending
  std::vector<double> reserve;       ///< of the plans, ascending
  std::map<std::pair<std::string, std::string>, int> whys;  ///< how many runs say so, by verdict and sentence
};

/// All groups, in order of their first runs.
std::vector<StudyGroup> study_groups(const StudyResults& results);

/// A table of the groups to read in a terminal.
std::string study_table(const StudyResults& results);

/// results.jsonl, results.csv, timings.csv and summary.html.
const std::set<std::string>& study_file_names();

/// All of these.
void add_study_files(FileBatch& batch, const std::filesystem::path& folder, const StudyResults& results);

}  // namespace withy
