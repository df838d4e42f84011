// SPDX-License-Identifier: GPL-3.0-or-later
// What a study has done so far, on disk: one line of JSON for each finished run, appended by one write.
//
// Why lines in one file and not a file for each run: a study of 100,000 runs is then a handful of files,
// which shared file systems take better, and an append is one system call. What it has to stand:
//   * kill -9, anywhere. A finished write is in the kernel's hands and outlives the process. A write cut
//   short
//     leaves a last line without its line feed; readers take no notice of it and the next writer cuts it off.
//   * power loss. Lines reach the disk at most kSyncInterval_s later (fdatasync); what is lost is run again,
//     with the same result.
//   * two processes on one shard: the second is refused (flock, which the kernel lets go of when a process
//     ends in whatever way).
// The first line says of which study the runs are; a journal of another study is refused.
#pragma once

#include <chrono>
#include <cstddef>
#include <filesystem>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "planner/files/input_error.h"
#include "planner/study/shard.h"

namespace withy {

/// A finished run. `result` is its line of the results (study_run.h); time is not part of that.
struct RunRecord {
  std::size_t index = 0;
  double seconds = 0.0;
  std::string result;
};

/// runs-K-of-N.jsonl in the folder.
std::filesystem::path journal_file(const std::filesystem::path& folder, const Shard& shard);

class Journal {
 public:
  static constexpr double kSyncInterval_s = 1.0;

  /// Opens or makes the file for appending and cuts off what a killed writer left half-written. Errors: it
  /// can't be written; its first line is not `header`; another process has it open.
  static Result<std::unique_ptr<Journal>> open(const std::filesystem::path& file, const std::string& header);
  ~Journal();
  Journal(const Journal&) = delete;
  Journal& operator=(const Journal&) = delete;

  /// Adds a run. Safe to call from several threads at once.
  Result<void> append(const RunRecord& record);

  /// Waits until all of it is on the disk.
  Result<void> sync();

 private:
  Journal(std::filesystem::path file, int descriptor) : file_(std::move(file)), descriptor_(descriptor) {}
  Result<void> write_line(const std::string& line);
  InputError cannot_write() const;

  std::filesystem::path file_;
  int descriptor_;
  std::mutex mutex_;
  std::chrono::steady_clock::time_point synced_ = std::chrono::steady_clock::now();
};

/// All that the journals of a folder hold.
struct JournaledRuns {
  std::string header;              ///< of all of them; empty when there is no journal
  std::vector<RunRecord> records;  ///< by index, each index once
};

/// Reads every journal of the folder. Errors: journals of different studies, a line that is no record, two
/// different results for one run.
Result<JournaledRuns> read_journals(const std::filesystem::path& folder);

}  // namespace withy
