// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/joined_checks.h"

#include <algorithm>
#include <array>
#include <string>

#include <fmt/format.h>

#include "planner/segment/design.h"
#include "planner/study/study_run.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

InputError bad_header(const std::filesystem::path& folder, const std::string& problem) {
  return {folder.string(), 1, 1, "the first line of this study's runs can't be right: " + problem,
          "take the files runs-*.jsonl away and run the study again"};
}

bool all_texts(const Json& list) {
  return list.is_array() && !list.empty() &&
         std::all_of(list.begin(), list.end(), [](const Json& v) { return v.is_string(); });
}

bool all_counts(const Json& list) {
  return list.is_array() && !list.empty() &&
         std::all_of(list.begin(), list.end(), [](const Json& v) { return v.is_number_unsigned(); });
}

bool lock_counts(const Json& list) {
  return all_counts(list) && std::all_of(list.begin(), list.end(), [](const Json& v) {
           return v.get<std::uint64_t>() <= static_cast<std::uint64_t>(kMaxLocks);
         });
}

bool all_numbers(const Json& object) {
  return object.is_object() &&
         std::all_of(object.begin(), object.end(), [](const Json& v) { return v.is_number(); });
}

bool has_keys(const Json& object, std::initializer_list<const char*> keys) {
  return object.is_object() &&
         std::all_of(keys.begin(), keys.end(), [&](const char* key) { return object.contains(key); });
}

/// Is the result that of the run with this number?
bool matches_run(const Json& header, std::size_t index, const Json& result) {
  const std::size_t seeds = header["seeds"].size();
  const std::size_t locks = header["locks"].size();
  const std::size_t designs = header["designs"].size();
  return result["run"] == index + 1 && result["seed"] == header["seeds"][index % seeds] &&
         result["locks"] == header["locks"][index / seeds % locks] &&
         result["design"] == header["designs"][index / seeds / locks % designs] &&
         result["scene"] == header["scenes"][index / seeds / locks / designs];
}

bool known_verdict(const Json& verdict) {
  constexpr std::array<std::string_view, 4> kVerdicts = {"reached", "unreachable", "undecided", kRefused};
  return verdict.is_string() &&
         std::find(kVerdicts.begin(), kVerdicts.end(), verdict.get<std::string>()) != kVerdicts.end();
}

bool figures_are_plain(const Json& result) {
  const auto plain = [&](const auto& keys) {
    return std::all_of(keys.begin(), keys.end(), [&](std::string_view key) {
      const auto found = result.find(std::string(key));
      return found != result.end() && (found->is_null() || found->is_number() || found->is_boolean());
    });
  };
  return plain(kPlanFigures) && plain(kSearchFigures);
}

}  // namespace

std::optional<InputError> header_fault(const Json& header, const std::filesystem::path& folder) {
  if (!has_keys(header, {"format", "withy", "study_sha256", "title", "scenes", "designs", "locks", "seeds",
                         "budget_work_s", "scattered", "runs"}))
    return bad_header(folder, "keys are missing");
  if (header["format"] != "withy-study-runs") return bad_header(folder, "it is of another format");
  for (const char* text : {"withy", "study_sha256", "title"})
    if (!header[text].is_string()) return bad_header(folder, fmt::format("{} is no text", text));
  for (const char* list : {"scenes", "designs"})
    if (!all_texts(header[list])) return bad_header(folder, fmt::format("{} is no list of names", list));
  // Runs of before there were titles go without.
  if (header.contains("scene_titles") &&
      (!all_texts(header["scene_titles"]) || header["scene_titles"].size() != header["scenes"].size()))
    return bad_header(folder, "scene_titles is no list of a title for each scene");
  if (!lock_counts(header["locks"])) return bad_header(folder, "locks is no list of lock counts");
  if (!all_counts(header["seeds"])) return bad_header(folder, "seeds is no list of seeds");
  if (!header["budget_work_s"].is_number()) return bad_header(folder, "budget_work_s is no number");
  if (!all_numbers(header["scattered"]))
    return bad_header(folder, "scattered has something else than numbers");
  const std::size_t runs =
      header["scenes"].size() * header["designs"].size() * header["locks"].size() * header["seeds"].size();
  if (!header["runs"].is_number_unsigned() || header["runs"].get<std::size_t>() != runs)
    return bad_header(folder, fmt::format("its lists make {} runs, and it names another number", runs));
  return std::nullopt;
}

std::optional<InputError> record_fault(const Json& header, const RunRecord& record,
                                       const std::filesystem::path& folder) {
  const auto fault = [&](const std::string& problem) {
    return InputError{folder.string(), 1, 1,
                      fmt::format("the record of run {} {}", record.index + 1, problem),
                      "take its line out of runs-*.jsonl, and the run is done again"};
  };
  if (record.index >= header["runs"].get<std::size_t>()) return fault("is of no run of this study");
  const Json result = Json::parse(record.result);
  if (!has_keys(result, {"run", "scene", "design", "locks", "seed", "verdict", "why", "scattered"}))
    return fault("leaves out keys");
  if (!matches_run(header, record.index, result)) return fault("is of another run");
  if (!known_verdict(result["verdict"]) || !result["why"].is_string()) return fault("has no verdict");
  if (!figures_are_plain(result) || !all_numbers(result["scattered"]))
    return fault("has figures that are none");
  return std::nullopt;
}

}  // namespace withy
