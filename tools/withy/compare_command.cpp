// SPDX-License-Identifier: GPL-3.0-or-later
// `withy compare`: the same route with several lock counts.
#include <cstdio>
#include <filesystem>
#include <memory>
#include <vector>

#include <fmt/core.h>

#include "planner/show/comparison.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/planning.h"

namespace withy {
namespace {

struct Options {
  std::filesystem::path scene;
  std::vector<int> locks;
  AskOptions how;
  std::filesystem::path folder;
  bool recheck = false;
  bool quiet = false;
};

/// Every answer's plan or proof, one line each.
ExitStatus recheck_all(const PreparedScene& prepared, const std::vector<Asked>& asked, const Options& options,
                       Progress& progress) {
  ExitStatus status = ExitStatus::done;
  for (const Asked& one : asked) {
    const auto rechecked = recheck_answer(prepared, one, options.scene.string(), progress);
    if (!rechecked) return refuse(rechecked.error());
    if (!*rechecked) continue;
    fmt::print("recheck, {} lock(s): {}\n", one.answer.locks, (*rechecked)->sentence);
    status = worse(status, (*rechecked)->status);
  }
  return status;
}

ExitStatus run(const Options& options) {
  Progress progress(options.quiet);
  progress.stage("reading the channel");
  const auto prepared = prepare_scene(options.scene);
  if (!prepared) return refuse(prepared.error());
  std::vector<Asked> asked;
  std::vector<std::string> texts;
  for (const int locks : options.locks) {
    auto one = ask(*prepared, locks, options.how, progress);
    if (!one) return refuse(one.error());
    texts.push_back(plan_text(*prepared, *one, options.scene.string()));
    asked.push_back(std::move(*one));
  }
  std::vector<ComparedAnswer> answers;
  for (std::size_t i = 0; i < asked.size(); ++i)
    answers.push_back({asked[i].problem.design, asked[i].answer, texts[i]});
  FileBatch batch;
  if (!options.folder.empty()) {
    batch.add(options.folder / "compare.json", comparison_json(prepared->scene, answers));
    if (auto page = page_text(*prepared, asked, texts))
      batch.add(options.folder / "compare.html", std::move(*page));
  }
  {
    const WritingFiles writing;
    if (const auto written = batch.commit(); !written) return refuse(written.error());
  }
  fmt::print("{}", comparison_table(answers));
  return options.recheck ? recheck_all(*prepared, asked, options, progress) : ExitStatus::done;
}

}  // namespace

void add_compare_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app = line.add("compare",
                           "The same route with several lock counts: verdict, clearance in mm, tension in N, "
                           "field in mT, duration in s.",
                           "withy compare scenes/single-bend/scene.toml --locks 0 1 2 -o out");
  add_option(app, "SCENE", options->scene, "scene file (TOML)").required();
  add_option(app, "--locks", options->locks, "lock counts to compare").required().within(0, kMaxLocks);
  add_option(app, "--clearance", options->how.clearance_mm, "required clearance in mm; left out: the scene's")
      .non_negative();
  add_option(
      app, "--budget", options->how.budget_s,
      "seconds for each count after the channel is read; the search then gives up undecided; default 60")
      .positive();
  add_option(app, "-o,--output", options->folder,
             "folder for compare.json and compare.html; left out: nothing is written");
  add_flag(app, "--recheck", options->recheck, "check every plan and proof at once, as withy recheck does");
  add_flag(app, "--quiet", options->quiet, "no progress on standard error");
  line.run(app, [options] {
    options->how.certify = options->recheck;
    return run(*options);
  });
}

}  // namespace withy
