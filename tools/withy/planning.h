// SPDX-License-Identifier: GPL-3.0-or-later
// What the commands that plan share: asking a scene's question, the files that carry the answer, the status
// to leave with.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "planner/effort/shares.h"
#include "planner/files/file_output.h"
#include "planner/script/script.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "tools/withy/command.h"
#include "tools/withy/progress.h"
#include "tools/withy/rechecking.h"

namespace withy {

/// What a command leaves with when this is its verdict.
ExitStatus status_of(Verdict verdict);

/// A question that was asked and what came of it.
struct Asked {
  SearchProblem problem;
  Answer answer;
  std::optional<recheck::Certificate> certificate;
  std::optional<tl::expected<Script, ScriptFault>> script;  ///< of the plan, where there is one
  std::optional<Rechecked> rechecked = std::nullopt;        ///< what recheck_answer said
  /// Why a "no" has no certificate (SolveSettings::no_certificate).
  std::string no_certificate = {};
};

/// How a question is asked, beside the scene and the lock count.
struct AskOptions {
  std::optional<double> clearance_mm;
  double budget_s = shares::kPlanSeconds;
  std::uint64_t seed = 1;
  std::string planner;
  bool remedies = false;     ///< after a proof, what would do
  bool certify = false;      ///< a certificate of what is proved
  std::string heading = {};  ///< stands before each stage's name while it goes on
  /// A legal state in which the plan is to begin, in a scene without places to pass.
  std::optional<State> from = {};
  bool stuck_locks = false;  ///< ways out where a lock sticks
  Preference prefer = Preference::bench;
  bool ideal_pulls = false;      ///< scripts with the ideal segment's pulls where there are compensated ones
  bool heed_elasticity = false;  ///< look at the plan with the elastic body, plan again where it fails
};

Result<Asked> ask(const PreparedScene& prepared, int locks, const AskOptions& options, Progress& progress);

/// The plan file's text. `scene_file` as seen from the folder that it is written to.
std::string plan_text(const PreparedScene& prepared, const Asked& asked, const std::string& scene_file);

/// Of an answer without a certificate, one having been asked for: why, as half a sentence.
std::string why_no_certificate(const Asked& asked);

/// Rechecks an answer's certificate from its text, of a plan's that fewer lock switches do not reach. Nothing
/// where there is none.
Result<std::optional<Rechecked>> recheck_certificate(const PreparedScene& prepared, const Asked& asked,
                                                     const std::string& scene_file, Progress& progress);

/// Rechecks an answer from the texts of its files: the plan, or the certificate. Nothing where there is
/// neither.
Result<std::optional<Rechecked>> recheck_answer(const PreparedScene& prepared, const Asked& asked,
                                                const std::string& scene_file, Progress& progress);

/// A plan is held against its scene before anything is written of it (made_plan_defect). One that does not
/// hold is a fault of the program: throws.
void require_sound(const PreparedScene& prepared, const Asked& asked);

/// The way past a lock that sticks as a plan that begins where it sticks.
Plan way_past(const StuckLock& stuck);

/// "recover-K", K the number of the switch among the plan's actions from 1.
std::string recovery_name(const StuckLock& stuck);

/// One line for each switch: what is left where the lock sticks.
std::string stuck_locks_text(const Plan& plan);

/// Adds recover-K.csv, recover-K.ngc and the state that they begin in, recover-K.json, for every switch with
/// a way past it, as far as the scene allows.
void add_recoveries(FileBatch& batch, const std::filesystem::path& folder, const Scene& scene,
                    const Asked& asked);

/// Adds script.csv and script.ngc, as far as the scene and the answer allow. Returns a sentence that names
/// the script which the scene does not allow, for a line after the verdict.
std::optional<std::string> add_scripts(FileBatch& batch, const std::filesystem::path& folder,
                                       const Scene& scene, const Asked& asked);

/// A page of several answers side by side (their plan texts beside them); nothing when this build has no
/// page, which is said on standard error.
std::optional<std::string> page_text(const PreparedScene& prepared, const std::vector<Asked>& asked,
                                     const std::vector<std::string>& plan_texts);

}  // namespace withy
