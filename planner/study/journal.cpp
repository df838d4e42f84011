// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/journal.h"

#include <algorithm>
#include <cerrno>
#include <map>
#include <regex>
#include <system_error>

#include <fcntl.h>
#include <fmt/core.h>
#include <nlohmann/json.hpp>
#include <sys/file.h>
#include <unistd.h>

#include "planner/files/input_file.h"
#include "planner/files/toml_reader.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

// A million runs, the most that a study has (study.cpp), of a third of a kilobyte.
constexpr std::size_t kLargestJournal = std::size_t{512} << 20;

InputError other_study(const std::filesystem::path& file) {
  return {file.string(), 1, 1, "these runs are of another study, or of scenes that have changed since",
          "name another folder or move this file away"};
}

InputError other_build(const std::filesystem::path& file) {
  return {file.string(), 1, 1, "these runs are of another build of withy, which may answer otherwise",
          "go on with the build that began them, or name another folder"};
}

/// Why a journal with the first line `theirs` is none of the study with the first line `ours`.
InputError other_header(const std::filesystem::path& file, const std::string& theirs,
                        const std::string& ours) {
  Json a = Json::parse(theirs, nullptr, false);
  Json b = Json::parse(ours, nullptr, false);
  if (!a.is_object() || !b.is_object()) return other_study(file);
  for (const char* key : {"withy", "build"}) {
    a.erase(key);
    b.erase(key);
  }
  return a == b ? other_build(file) : other_study(file);
}

/// The text up to and with its last line feed: what follows was being written when its writer was killed.
std::string whole_lines(std::string text) {
  text.resize(text.rfind('\n') + 1);  // npos + 1 is 0
  return text;
}

/// The first line, empty without one.
std::string first_line(const std::string& text) {
  return text.substr(0, std::min(text.find('\n'), text.size()));
}

/// Do lists and objects lie deeper in the line than in any that a study writes? Writing such a value down
/// again would take a stack as deep.
bool too_deep(std::string_view line) {
  constexpr int kDeepest = 8;
  int depth = 0;
  bool in_text = false;
  for (std::size_t i = 0; i < line.size(); ++i) {
    const char c = line[i];
    if (in_text && c == '\\')
      ++i;
    else if (c == '"')
      in_text = !in_text;
    else if (!in_text && (c == '[' || c == '{') && ++depth > kDeepest)
      return true;
    else if (!in_text && (c == ']' || c == '}'))
      --depth;
  }
  return false;
}

/// One line as a record; nothing where it is none.
std::optional<RunRecord> parsed(const std::string& line) {
  if (too_deep(line)) return std::nullopt;
  const Json json = Json::parse(line, nullptr, false);
  if (!json.is_object() || !json.contains("run") || !json["run"].is_number_unsigned() ||
      json["run"].get<std::size_t>() < 1 || !json.contains("seconds") || !json["seconds"].is_number() ||
      !json.contains("result") || !json["result"].is_object())
    return std::nullopt;
  return RunRecord{json["run"].get<std::size_t>() - 1, json["seconds"].get<double>(), json["result"].dump()};
}

/// Adds a journal's records to `found`.
Result<void> take_records(const std::filesystem::path& file, const std::string& text,
                          std::map<std::size_t, RunRecord>& found) {
  int line_number = 1;
  for (std::size_t start = text.find('\n') + 1; start < text.size(); start = text.find('\n', start) + 1) {
    ++line_number;
    auto record = parsed(text.substr(start, text.find('\n', start) - start));
    if (!record)
      return input_error(file.string(), line_number, 1, "this line is no run's record",
                         "take the line out, and its run is done again");
    const std::size_t index = record->index;
    const auto [at, fresh] = found.try_emplace(index, *record);
    if (!fresh && at->second.result != record->result)
      return input_error(file.string(), line_number, 1,
                         fmt::format("run {} has another result here than elsewhere", index + 1),
                         "run the study with one build of withy, in a folder of its own");
  }
  return {};
}

}  // namespace

std::filesystem::path journal_file(const std::filesystem::path& folder, const Shard& shard) {
  return folder / fmt::format("runs-{}-of-{}.jsonl", shard.number, shard.of);
}

Result<std::unique_ptr<Journal>> Journal::open(const std::filesystem::path& file, const std::string& header) {
  std::error_code why;
  if (file.has_parent_path()) std::filesystem::create_directories(file.parent_path(), why);
  const int descriptor =
      ::open(file.c_str(), O_RDWR | O_CREAT | O_APPEND | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, 0666);
  std::unique_ptr<Journal> journal(new Journal(file, descriptor));
  if (descriptor < 0) return tl::unexpected(journal->cannot_write());
  if (::flock(descriptor, LOCK_EX | LOCK_NB) != 0)
    return input_error(file.string(), 1, 1, "another process is adding to this file",
                       "wait for it, or name another folder");
  const auto text = read_text_input(file, kLargestJournal);
  if (!text) return tl::unexpected(text.error());
  const std::string lines = whole_lines(*text);
  if (too_deep(first_line(lines))) return tl::unexpected(other_study(file));
  if (!lines.empty() && first_line(lines) != header)
    return tl::unexpected(other_header(file, first_line(lines), header));
  if (::ftruncate(descriptor, static_cast<off_t>(lines.size())) != 0)
    return tl::unexpected(journal->cannot_write());
  if (lines.empty()) {
    if (const auto written = journal->write_line(header + "\n"); !written)
      return tl::unexpected(written.error());
  }
  return journal;
}

Journal::~Journal() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

InputError Journal::cannot_write() const {
  return {file_.string(), 1, 1,
          "this file can't be written (" + std::error_code(errno, std::generic_category()).message() + ")",
          "name a folder that may be written to and has room"};
}

/// Appends all of the line, or nothing of it.
Result<void> Journal::write_line(const std::string& line) {
  const off_t end = ::lseek(descriptor_, 0, SEEK_END);
  const ssize_t written = ::write(descriptor_, line.data(), line.size());
  if (written == static_cast<ssize_t>(line.size())) return {};
  if (written >= 0) errno = ENOSPC;  // what a file that is cut short means
  const auto fault = cannot_write();
  if (::ftruncate(descriptor_, end) != 0) return tl::unexpected(cannot_write());
  return tl::unexpected(fault);
}

Result<void> Journal::append(const RunRecord& record) {
  const std::string line = fmt::format("{{\"run\":{},\"seconds\":{:.6f},\"result\":{}}}\n", record.index + 1,
                                       record.seconds, record.result);
  bool due = false;
  {
    const std::lock_guard lock(mutex_);
    if (auto written = write_line(line); !written) return written;
    const auto now = std::chrono::steady_clock::now();
    due = std::chrono::duration<double>(now - synced_).count() >= kSyncInterval_s;
    if (due) synced_ = now;
  }
  // Outside the lock: other threads need not wait for the disk.
  return due ? sync() : Result<void>();
}

Result<void> Journal::sync() {
  if (::fdatasync(descriptor_) != 0) return tl::unexpected(cannot_write());
  return {};
}

Result<JournaledRuns> read_journals(const std::filesystem::path& folder) {
  static const std::regex kName("runs-[0-9]+-of-[0-9]+\\.jsonl");
  std::vector<std::filesystem::path> files;
  std::error_code missing;
  for (const auto& entry : std::filesystem::directory_iterator(folder, missing))
    if (std::regex_match(entry.path().filename().string(), kName)) files.push_back(entry.path());
  std::sort(files.begin(), files.end());

  JournaledRuns runs;
  std::map<std::size_t, RunRecord> found;
  for (const auto& file : files) {
    auto text = read_text_input(file, kLargestJournal);
    if (!text) return tl::unexpected(text.error());
    const std::string lines = whole_lines(std::move(*text));
    if (lines.empty()) continue;  // its writer was killed at once
    if (too_deep(first_line(lines))) return tl::unexpected(other_study(file));
    if (runs.header.empty()) runs.header = first_line(lines);
    if (runs.header != first_line(lines))
      return tl::unexpected(other_header(file, first_line(lines), runs.header));
    if (const auto taken = take_records(file, lines, found); !taken) return tl::unexpected(taken.error());
  }
  for (auto& [index, record] : found) runs.records.push_back(std::move(record));
  return runs;
}

}  // namespace withy
