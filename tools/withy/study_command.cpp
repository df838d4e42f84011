// SPDX-License-Identifier: GPL-3.0-or-later
// `withy study`: scenes, designs, lock counts and seeds swept over all cores, or a shard of that.
#include <atomic>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include <fmt/core.h>

#include "planner/files/words.h"
#include "planner/study/journal.h"
#include "planner/study/results.h"
#include "planner/study/runner.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct StudyOptions {
  std::filesystem::path study;
  std::string shard = "1/1";
  std::filesystem::path folder;
  std::filesystem::path join;
  int threads = 0;
  bool quiet = false;
};

/// The shard's runs that no journal of the folder has.
std::vector<std::size_t> pending_runs(const Study& study, const Shard& shard, const JournaledRuns& done) {
  std::vector<bool> is_done(study.run_count(), false);
  for (const RunRecord& record : done.records)
    if (record.index < is_done.size()) is_done[record.index] = true;
  std::vector<std::size_t> pending;
  for (std::size_t i = 0; i < study.run_count(); ++i)
    if (shard.holds(i) && !is_done[i]) pending.push_back(i);
  return pending;
}

ExitStatus join(const std::filesystem::path& folder) {
  if (const auto place = check_output_folder(folder); !place) return refuse(place.error());
  const auto results = join_study(folder);
  if (!results) return refuse(results.error());
  FileBatch batch;
  add_study_files(batch, folder, *results);
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}", study_table(*results));
  fmt::print("{}: results.jsonl, results.csv, timings.csv, summary.html\n", folder.string());
  return ExitStatus::done;
}

Result<void> run_pending(const Study& study, const std::vector<std::size_t>& pending, int threads,
                         Journal& journal, Progress& progress) {
  std::atomic<std::size_t> done{0};
  const auto record = [&](const RunRecord& run) -> Result<void> {
    const WritingFiles writing;
    progress.fraction(static_cast<double>(++done) / static_cast<double>(pending.size()));
    return journal.append(run);
  };
  if (auto run = run_study({study, pending, threads, record}); !run) return run;
  return journal.sync();
}

/// What is written there, the runs' record and the results, is none of the files that are read.
Result<void> check_folder(const std::filesystem::path& folder, const Shard& shard,
                          const std::vector<std::filesystem::path>& inputs) {
  std::set<std::string> names = study_file_names();
  names.insert(journal_file({}, shard).string());
  return check_output_folder(folder, names, inputs);
}

/// The study and all files that it leads to.
std::vector<std::filesystem::path> files_of(const Study& study) {
  std::vector<std::filesystem::path> files = {study.file};
  for (const auto& [file, hash] : study.hashes) files.emplace_back(file);
  return files;
}

ExitStatus run_shard(const StudyOptions& options, const Shard& shard) {
  Progress progress(options.quiet);
  progress.stage("reading the study");
  const std::filesystem::path folder = options.folder.empty() ? options.study.stem() : options.folder;
  if (const auto place = check_folder(folder, shard, {options.study}); !place) return refuse(place.error());
  const auto study = read_study(options.study);
  if (!study) return refuse(study.error());
  if (const auto place = check_folder(folder, shard, files_of(*study)); !place) return refuse(place.error());
  const auto journal = [&] {
    const WritingFiles writing;
    return Journal::open(journal_file(folder, shard), journal_header(*study));
  }();
  if (!journal) return refuse(journal.error());
  const auto done = read_journals(folder);
  if (!done) return refuse(done.error());
  const auto pending = pending_runs(*study, shard, *done);
  progress.stage(fmt::format("running {} of {}", pending.size(), count_of(study->run_count(), "run")));
  if (const auto run = run_pending(*study, pending, options.threads, **journal, progress); !run)
    return refuse(run.error());
  if (shard.whole()) return join(folder);
  fmt::print(
      "shard {}/{}: {} done now, earlier ones kept; `withy study --join {}` once all shards are done\n",
      shard.number, shard.of, count_of(pending.size(), "run"), folder.string());
  return ExitStatus::done;
}

ExitStatus study(const StudyOptions& options) {
  const auto shard = parse_shard(options.shard);
  if (!shard)
    return refuse_arguments("study", "--shard: give K/N with K from 1 to N and N up to 100000, such as 2/8");
  if (options.study.empty() == options.join.empty())
    return refuse_arguments("study", "give either a study file or --join with a folder");
  return options.join.empty() ? run_shard(options, *shard) : join(options.join);
}

}  // namespace

void add_study_command(CommandLine& line) {
  auto options = std::make_shared<StudyOptions>();
  CLI::App& app =
      line.add("study",
               "Sweeps scenes, designs, lock counts and seeds over all cores; started again after a "
               "stop it goes on where it was.",
               "withy study study.toml -o out");
  add_option(app, "STUDY", options->study, "study file (TOML)");
  add_option(app, "--shard", options->shard,
             "K/N: only every N-th run, beginning with the K-th; left out: all runs");
  add_option(app, "--join", options->join, "puts the shards of this folder together, nothing else");
  add_option(app, "-o,--output", options->folder,
             "folder for what is done and for the results; left out: one named as the study file");
  add_option(app, "--threads", options->threads, "how many runs at once; left out: one for each core")
      .within(1, 1024);
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return study(*options); });
}

}  // namespace withy
