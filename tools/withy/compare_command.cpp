// SPDX-License-Identifier: GPL-3.0-or-later
// `withy compare`: the same route with several lock counts.
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <mutex>
#include <set>
#include <vector>

#include <fmt/core.h>

#include "planner/effort/shares.h"
#include "planner/files/file_names.h"
#include "planner/files/words.h"
#include "planner/show/comparison.h"
#include "tools/withy/anywhere.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/planning.h"

namespace withy {
namespace {

constexpr const char* kPartialName = "compare.partial.json";

/// All files of an answer.
std::set<std::string> compare_names() {
  std::set<std::string> names = {"compare.json", "compare.html", kPartialName};
  for (int locks = 1; locks <= kMaxLocks; ++locks) names.insert(anywhere_scene_name(locks));
  return names;
}

struct CompareOptions {
  std::filesystem::path scene;
  std::vector<int> locks;
  AskOptions how;
  std::filesystem::path folder;
  bool recheck = false;
  bool anywhere = false;
  std::filesystem::path proof;
  bool quiet = false;
};

/// What every answer's plan or proof came to, one line each.
ExitStatus say_rechecked(const std::vector<Asked>& asked) {
  ExitStatus status = ExitStatus::done;
  for (const Asked& one : asked) {
    const std::string layout = fmt::format(
        "recheck, {}", one.answer.locks == 0 ? "0 locks"
                                             : count_of(static_cast<std::size_t>(one.answer.locks), "lock") +
                                                   " in the scene's layout");
    if (!one.rechecked) {
      fmt::print("{}: nothing to recheck: {}\n", layout, why_no_certificate(one));
      continue;
    }
    fmt::print("{}: {}\n", layout, one.rechecked->sentence);
    status = worse(status, one.rechecked->status);
  }
  return status;
}

/// What has been answered so far. An interrupt reads it on another thread.
struct Answered {
  std::mutex mutex;
  std::vector<Asked> asked;
  std::vector<std::string> texts;
  std::vector<AnywhereRow> anywhere;

  /// The budget of a count ran out before it was decided.
  bool cut_short() const {
    return std::any_of(asked.begin(), asked.end(),
                       [](const Asked& one) { return one.answer.verdict == Verdict::undecided; }) ||
           std::any_of(anywhere.begin(), anywhere.end(),
                       [](const AnywhereRow& row) { return row.answer.verdict == Verdict::undecided; });
  }

  std::vector<ComparedAnswer> compared() const {
    std::vector<ComparedAnswer> answers;
    for (std::size_t i = 0; i < asked.size(); ++i)
      answers.push_back({asked[i].problem.design, asked[i].answer, texts[i]});
    return answers;
  }
};

/// The lock counts that are answered, as a file of their own that says it is not the whole.
void keep_finished(const CompareOptions& options, const PreparedScene& prepared, Answered& answered) {
  const std::lock_guard lock(answered.mutex);
  if (options.folder.empty() || answered.asked.empty()) return;
  const auto written =
      write_whole(options.folder / kPartialName,
                  comparison_json(prepared.scene, named_from(options.scene, options.folder),
                                  answered.compared(), true, anywhere_json(answered.anywhere)));
  if (!written) refuse(written.error());
}

/// The proofs of counts that no layout reaches with: a file each.
void add_compare_proofs(FileBatch& batch, const CompareOptions& options, const Answered& answered) {
  if (options.proof.empty()) return;
  for (const AnywhereRow& row : answered.anywhere) {
    const auto file = file_for_count(options.proof, row.locks, options.locks.size() > 1);
    if (!row.proofs.empty())
      batch.add(file, file.extension() == ".gz" ? recheck::packed(row.proofs) : row.proofs);
    else if (row.answer.verdict == Verdict::unreachable)
      say_aside(fmt::format("no proof was written for {}: {}",
                            count_of(static_cast<std::size_t>(row.locks), "lock"), why_no_proofs(row)));
  }
}

Result<void> write_compare_files(const CompareOptions& options, const PreparedScene& prepared,
                                 const Answered& answered) {
  FileBatch batch;
  add_compare_proofs(batch, options, answered);
  if (options.folder.empty()) {
    const WritingFiles writing;
    return batch.commit();
  }
  batch.owns(options.folder, compare_names());
  batch.add(options.folder / "compare.json",
            comparison_json(prepared.scene, named_from(options.scene, options.folder), answered.compared(),
                            answered.cut_short(), anywhere_json(answered.anywhere)));
  if (const auto best = add_best_scenes(batch, options.folder, prepared.scene, answered.anywhere); !best)
    return best;
  if (auto page = page_text(prepared, answered.asked, answered.texts))
    batch.add(options.folder / "compare.html", std::move(*page));
  const WritingFiles writing;
  return batch.commit();
}

/// Which count is asked about, how long it may take, and what came of those before.
std::string heading(const CompareOptions& options, const std::vector<Asked>& asked) {
  std::string text = fmt::format("count {} of {}, at most {:g} s each", asked.size() + 1,
                                 options.locks.size(), options.how.budget_s);
  for (const Asked& one : asked)
    text += fmt::format(", {}: {}", count_of(static_cast<std::size_t>(one.answer.locks), "lock"),
                        name_of(one.answer.verdict));
  return text + ": ";
}

/// Every count of one lock or more, wherever its locks sit. `status`: of the proofs, where they are
/// rechecked. A count's budget is for its answer and the recheck together, which has what the answer leaves
/// of it.
std::optional<InputError> judge_anywhere(const CompareOptions& options, const PreparedScene& prepared,
                                         Answered& answered, Progress& progress, ExitStatus& status) {
  for (const int locks : options.locks) {
    if (locks == 0) continue;
    const Effort effort = Effort::of_seconds(options.how.budget_s);
    AnywhereOptions how{options.how.clearance_mm,
                        options.recheck ? effort.with_share_of_time(shares::kProofsTimeShare) : effort,
                        !options.proof.empty() || options.recheck, named_beside(options.scene, options.proof),
                        fmt::format("{} anywhere: ", count_of(static_cast<std::size_t>(locks), "lock"))};
    auto row = ask_anywhere(prepared, locks, how, progress);
    if (!row) return row.error();
    if (options.recheck && !row->proofs.empty()) {
      const auto rechecked = recheck_text(row->proofs, "the answer", prepared.scene, prepared.wall(),
                                          {options.how.clearance_mm, effort}, progress);
      if (!rechecked) return rechecked.error();
      row->proof_status = rechecked->sentence;
      if (rechecked->status == ExitStatus::undecided && effort.cut_short())
        row->proof_status += "; a larger --budget gives it more time";
      status = worse(status, rechecked->status);
    }
    const std::lock_guard lock(answered.mutex);
    answered.anywhere.push_back(std::move(*row));
  }
  return std::nullopt;
}

void say_anywhere(const std::vector<AnywhereRow>& rows, bool rechecked) {
  if (rows.empty()) return;
  fmt::print("\nwherever the locks sit:\n{}", anywhere_table(rows));
  for (const AnywhereRow& row : rows)
    if (rechecked)
      fmt::print("recheck, {} wherever they sit: {}\n", count_of(static_cast<std::size_t>(row.locks), "lock"),
                 row.proof_status.empty() ? "nothing to recheck: " + why_no_proofs(row) : row.proof_status);
}

ExitStatus run_compare(const CompareOptions& options) {
  if (const auto place = check_output_folder(options.folder, compare_names(), {options.scene}); !place)
    return refuse(place.error());
  if (std::set<int>(options.locks.begin(), options.locks.end()).size() != options.locks.size())
    return refuse_arguments("compare", "--locks: give each lock count once");
  if (!options.proof.empty()) {
    if (!options.anywhere) return refuse_arguments("compare", "--proof: give it with --anywhere");
    for (const int locks : options.locks) {
      const auto file = file_for_count(options.proof, locks, options.locks.size() > 1);
      if (const auto place = check_output_file(file, {options.scene}); !place) return refuse(place.error());
    }
  }
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) return refuse(prepared.error());
  Answered answered;
  ExitStatus proofs_status = ExitStatus::done;
  {
    const KeepOnInterrupt keep([&] { keep_finished(options, *prepared, answered); });
    for (const int locks : options.locks) {
      AskOptions how = options.how;
      how.heading = heading(options, answered.asked);
      auto one = ask(*prepared, locks, how, progress);
      if (!one) return refuse(one.error());
      require_sound(*prepared, *one);
      if (options.recheck) {
        auto rechecked = recheck_answer(*prepared, *one, options.scene.string(), progress);
        if (!rechecked) return refuse(rechecked.error());
        one->rechecked = std::move(*rechecked);
      }
      std::string text = plan_text(*prepared, *one, named_from(options.scene, options.folder));
      const std::lock_guard lock(answered.mutex);
      answered.texts.push_back(std::move(text));
      answered.asked.push_back(std::move(*one));
    }
    if (options.anywhere)
      if (const auto fault = judge_anywhere(options, *prepared, answered, progress, proofs_status))
        return refuse(*fault);
  }
  if (const auto written = write_compare_files(options, *prepared, answered); !written)
    return refuse(written.error());
  fmt::print("{}", comparison_table(answered.compared()));
  const ExitStatus rechecked = options.recheck ? say_rechecked(answered.asked) : ExitStatus::done;
  say_anywhere(answered.anywhere, options.recheck);
  return worse(worse(rechecked, proofs_status),
               answered.cut_short() ? ExitStatus::undecided : ExitStatus::done);
}

}  // namespace

void add_compare_command(CommandLine& line) {
  auto options = std::make_shared<CompareOptions>();
  CLI::App& app = line.add("compare",
                           "The same route with several lock counts: verdict, clearance in mm, tension in N, "
                           "field in mT, duration in s.",
                           "withy compare scenes/single-bend/scene.toml --locks 0 1 2 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks, "lock counts to compare").required().within(0, kMaxLocks);
  add_option(app, "--clearance", options->how.clearance_mm, "required clearance in mm; left out: the scene's")
      .in_range_of("--clearance");
  add_option(
      app, "--budget", options->how.budget_s,
      "seconds for each count after the channel is read; the search then gives up undecided; default 60")
      .in_range_of("--budget");
  add_option(app, "-o,--output", options->folder,
             "folder for compare.json and compare.html, or, interrupted, compare.partial.json with the "
             "counts that are answered; left out: nothing is written");
  add_flag(app, "--anywhere", options->anywhere,
           "judge every count wherever its locks sit as well, within the budget once more each: the best "
           "layout found, "
           "a proof that none reaches, or what is left");
  add_option(
      app, "--proof", options->proof,
      "with --anywhere: file for the proofs of a count that no layout reaches with, one for each count "
      "(FILE-2), gzip where it ends in .gz; withy recheck checks it");
  add_flag(app, "--recheck", options->recheck, "check every plan and proof at once, as withy recheck does");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] {
    options->how.certify = options->recheck;
    return run_compare(*options);
  });
}

}  // namespace withy
