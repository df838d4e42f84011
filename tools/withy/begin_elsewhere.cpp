// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/begin_elsewhere.h"

#include <cmath>
#include <set>
#include <string>

#include <fmt/core.h>

#include "planner/files/file_output.h"
#include "planner/plan/state_file.h"
#include "planner/script/script.h"
#include "planner/script/script_csv.h"
#include "planner/script/script_iso6983.h"
#include "planner/search/elsewhere/given_state.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_tidy.h"
#include "tools/withy/interrupt.h"

namespace withy {
namespace {

/// The files of a way out.
std::set<std::string> way_out_names() {
  return {"script.csv", "script.ngc", "start.json"};
}

ExitStatus write_way(const Scene& scene, const Design& design, const Plan& way, const OutOptions& options) {
  if (options.folder.empty()) return ExitStatus::done;
  FileBatch batch;
  batch.owns(options.folder, way_out_names());
  batch.add(options.folder / "start.json", write_state(design, way.states.front()));
  if (const auto script = make_script(scene, design, way)) {
    batch.add(options.folder / "script.csv", write_csv(*script));
    if (scene.actuation)
      batch.add(options.folder / "script.ngc", write_iso6983(*script, scene, {.stops = true}));
  } else {
    fmt::print("not written: script.csv and script.ngc: {}\n", sentence_of(script.error()));
  }
  const WritingFiles writing;
  const auto written = batch.commit();
  return written ? ExitStatus::done : refuse(written.error());
}

}  // namespace

Result<State> read_start(const std::filesystem::path& file, const SearchProblem& problem) {
  const auto given = read_state_file(file, problem.design);
  if (!given) return tl::unexpected(given.error());
  auto state = legal_start(problem, *given);
  if (!state)
    return tl::unexpected(InputError{file.string(), 1, 1, "no plan can begin in this state: " + state.error(),
                                     "give a state that keeps every limit"});
  return *state;
}

ExitStatus plan_out(const PreparedScene& prepared, const SearchProblem& problem, const OutOptions& options,
                    Progress& progress) {
  if (const auto place = check_output_folder(options.folder, way_out_names(), {options.scene, options.from});
      !place)
    return refuse(place.error());
  const auto from = read_start(options.from, problem);
  if (!from) return refuse(from.error());
  progress.stage("looking for the way out", options.budget_s);
  const Effort effort = Effort::of_seconds(options.budget_s);
  const WayOut found = way_home(problem, *from, effort);
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  const auto way = make_way_out(judge, tidy(judge, found.route, effort));
  if (!found.whole || !way) {
    const State& end = found.route.state_before(found.route.steps.size());
    fmt::print("undecided: no way back out was found; the verified part ends at an insertion of {:.1f} mm\n",
               end.insertion_mm);
    return ExitStatus::undecided;
  }
  fmt::print("out: {} action{} lead{} back to the start, {}\n", way->actions.size(),
             way->actions.size() == 1 ? "" : "s", way->actions.size() == 1 ? "s" : "",
             std::isfinite(way->clearance_mm) ? fmt::format("clearance at least {:.2f} mm", way->clearance_mm)
                                              : std::string("never inside the channel"));
  return write_way(prepared.scene, problem.design, *way, options);
}

}  // namespace withy
