// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/results.h"

#include <algorithm>

#include <fmt/format.h>

#include "planner/files/csv.h"
#include "planner/files/plain_line.h"
#include "planner/files/words.h"
#include "planner/study/build_id.h"
#include "planner/study/joined_checks.h"
#include "planner/study/study_page.h"
#include "planner/study/study_run.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

/// A text that no spreadsheet takes for a formula: those begin with =, +, -, @, a tab or a line end, and an
/// apostrophe in front makes them text (common practice, no source).
std::string csv_text(const std::string& text) {
  const bool formula =
      !text.empty() && std::string_view("=+-@\t\r\n").find(text.front()) != std::string_view::npos;
  return csv_quoted(formula ? "'" + text : text);
}

std::string csv_field(const Json& value) {
  if (value.is_null()) return "";
  if (value.is_string()) return csv_text(value.get<std::string>());
  return value.dump();
}

InputError missing_runs(const std::filesystem::path& folder, const std::vector<RunRecord>& records,
                        std::size_t wanted) {
  std::size_t first = 0;
  while (first < records.size() && records[first].index == first) ++first;
  return {folder.string(), 1, 1,
          fmt::format("{} of {} not done yet, the first is run {}", wanted - records.size(),
                      count_of(wanted, "run"), first + 1),
          "start the shards that hold them again, they go on where they stopped"};
}

void count(StudyGroup& group, const Json& result) {
  ++group.runs;
  const std::string verdict = result["verdict"];
  ++group.whys[{verdict, result["why"].get<std::string>()}];
  if (verdict == "reached") ++group.reached;
  if (verdict == "unreachable") ++group.unreachable;
  if (verdict == "undecided") ++group.undecided;
  if (verdict == kRefused) ++group.refused;
  if (result["clearance_mm"].is_number()) group.clearance_mm.push_back(result["clearance_mm"]);
  if (result["chance_to_fail_high"].is_number()) group.fails_high.push_back(result["chance_to_fail_high"]);
  if (result["reserve"].is_number()) group.reserve.push_back(result["reserve"]);
}

}  // namespace

std::string journal_header(const Study& study) {
  Json header;
  header["format"] = "withy-study-runs";
  header["version"] = 1;
  header["withy"] = WITHY_VERSION;
  header["build"] = build_id();
  header["study_sha256"] = study.sha256;
  header["title"] = study.title;
  header["scenes"] = study.scenes;
  header["scene_titles"] = study.scene_titles;
  header["designs"] = study.designs;
  header["locks"] = study.locks;
  header["seeds"] = study.seeds;
  header["budget_work_s"] = study.budget_work_s;
  header["scattered"] = Json::object();
  for (const Scatter& scatter : study.scatter) header["scattered"][scatter.key] = scatter.half_width;
  header["runs"] = study.run_count();
  return header.dump();
}

Result<StudyResults> join_study(const std::filesystem::path& folder) {
  auto runs = read_journals(folder);
  if (!runs) return tl::unexpected(runs.error());
  if (runs->header.empty())
    return input_error(folder.string(), 1, 1, "there are no runs of a study in this folder",
                       "name the folder that the shards were run with");
  StudyResults results{Json::parse(runs->header, nullptr, false), std::move(runs->records)};
  if (const auto fault = header_fault(results.header, folder)) return tl::unexpected(*fault);
  for (const RunRecord& record : results.records)
    if (const auto fault = record_fault(results.header, record, folder)) return tl::unexpected(*fault);
  const auto wanted = results.header["runs"].get<std::size_t>();
  if (results.records.size() != wanted) return tl::unexpected(missing_runs(folder, results.records, wanted));
  return results;
}

std::string results_jsonl(const StudyResults& results) {
  std::string out;
  for (const RunRecord& record : results.records) out += record.result + "\n";
  return out;
}

std::string results_csv(const StudyResults& results) {
  std::string out;
  for (const RunRecord& record : results.records) {
    Json row = Json::parse(record.result);
    const Json scattered = std::move(row["scattered"]);
    row.erase("scattered");
    for (const auto& [key, value] : scattered.items()) row[key] = value;
    std::vector<std::string> names;
    std::vector<std::string> fields;
    for (const auto& [key, value] : row.items()) {
      names.push_back(csv_text(key));
      fields.push_back(csv_field(value));
    }
    if (out.empty()) out = fmt::format("{}\r\n", fmt::join(names, ","));
    out += fmt::format("{}\r\n", fmt::join(fields, ","));
  }
  return out;
}

std::string timings_csv(const StudyResults& results) {
  std::string out = "run,seconds\r\n";
  for (const RunRecord& record : results.records)
    out += fmt::format("{},{:.6f}\r\n", record.index + 1, record.seconds);
  return out;
}

std::vector<StudyGroup> study_groups(const StudyResults& results) {
  const std::size_t seeds = results.header["seeds"].size();
  std::vector<StudyGroup> groups;
  for (const RunRecord& record : results.records) {
    const Json result = Json::parse(record.result);
    if (record.index % seeds == 0)
      groups.push_back({result["scene"], result["design"], result["locks"], 0, 0, 0, 0, 0, {}, {}, {}, {}});
    count(groups.back(), result);
  }
  for (StudyGroup& group : groups)
    for (std::vector<double>* figures : {&group.clearance_mm, &group.fails_high, &group.reserve})
      std::sort(figures->begin(), figures->end());
  return groups;
}

std::string study_table(const StudyResults& results) {
  auto groups = study_groups(results);
  for (StudyGroup& group : groups) {
    group.scene = without_controls(group.scene);
    group.design = without_controls(group.design);
  }
  std::size_t scene_width = 5;
  std::size_t design_width = 6;
  for (const StudyGroup& group : groups) {
    scene_width = std::max(scene_width, group.scene.size());
    design_width = std::max(design_width, group.design.size());
  }
  std::string out =
      fmt::format("{:<{}}  {:<{}}  {:>5}  {:>5}  {:>7}  {:>11}  {:>9}  {:>7}  {:>14}  {:>13}  {:>12}\n",
                  "scene", scene_width, "design", design_width, "locks", "runs", "reached", "unreachable",
                  "undecided", "refused", "least clear mm", "most fails %", "least stands");
  for (const StudyGroup& group : groups)
    out +=
        fmt::format("{:<{}}  {:<{}}  {:>5}  {:>5}  {:>7}  {:>11}  {:>9}  {:>7}  {:>14}  {:>13}  {:>12}\n",
                    group.scene, scene_width, group.design, design_width, group.locks, group.runs,
                    group.reached, group.unreachable, group.undecided, group.refused,
                    group.clearance_mm.empty() ? "-" : fmt::format("{:.2f}", group.clearance_mm.front()),
                    group.fails_high.empty() ? "-" : fmt::format("{:.2f}", 100.0 * group.fails_high.back()),
                    group.reserve.empty() ? "-" : fmt::format("{:.2f}", group.reserve.front()));
  return out;
}

const std::set<std::string>& study_file_names() {
  static const std::set<std::string> names = {"results.jsonl", "results.csv", "timings.csv", "summary.html"};
  return names;
}

void add_study_files(FileBatch& batch, const std::filesystem::path& folder, const StudyResults& results) {
  batch.owns(folder, study_file_names());
  batch.add(folder / "results.jsonl", results_jsonl(results));
  batch.add(folder / "results.csv", results_csv(results));
  batch.add(folder / "timings.csv", timings_csv(results));
  batch.add(folder / "summary.html", study_page(results));
}

}  // namespace withy
