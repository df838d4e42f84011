// SPDX-License-Identifier: GPL-3.0-or-later
// One question asked in ways that can't change its answer, or can change it in one direction only.
//
//   the scene:   as drawn, its mesh refined, turned, mirrored, its distance field of another spacing;
//                or asking for less: more insertion than is needed, a wider tolerance, less clearance, finer
//                notches, stronger hardware. What is reached stays so then; "unreachable" may change.
//   the asking:  what `withy plan` calls (solve), also with its looks for a better plan; the complete search
//                without the short attempt; what `withy reach` calls, for the target alone and among others;
//                a stock planner, which can only reach.
#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <tuple>
#include <vector>

#include "planner/plan/answer.h"
#include "planner/search/ask/scene_problem.h"
#include "tools/bench/consistency/questions.h"
#include "tools/bench/consistency/rechecks.h"

namespace withy::consistency {

enum class SceneForm { as_drawn, refined, turned, mirrored, other_spacing };

/// What makes the question an easier one: what is reached stays reached.
enum class Ease {
  none,
  insertion,  ///< not easier where the wall stops the shaft before the limit does: answers must then agree
  tolerance,
  clearance,
  curvature,
  finer_notches,
  friction_lock,
  open_outlets,
  hardware
};

enum class Asking { plan, plan_widened, cells, reach_alone, reach_among, stock };

struct Way {
  SceneForm form = SceneForm::as_drawn;
  Ease ease = Ease::none;
  Asking asking = Asking::plan;
  std::string words() const;
};

/// What one way of asking came to.
struct Told {
  Way way;
  bool easier = false;  ///< than the question as drawn
  Verdict verdict = Verdict::undecided;
  std::string why;
  std::filesystem::path scene;      ///< the file that was asked about
  std::filesystem::path plan;       ///< the plan's file; empty where there is none
  bool does_not_hold = false;       ///< a route was found that does not stand when verified
  bool no_plan = false;             ///< "reached" was said of a route that makes no plan
  std::vector<Verdict> companions;  ///< of the other targets asked for at once
  std::vector<Recheck> rechecks;    ///< of the plan, and of what was proved
};

/// The forms of one channel, each read once. Files stand in one folder.
class ChannelForms {
 public:
  /// Both must outlive it, folder and channel.
  ChannelForms(const RandomChannel& channel, Chance& chance, const std::filesystem::path& folder);

  const std::filesystem::path& folder() const { return folder_; }
  static std::string mesh_name(SceneForm form);

  /// The draft in that form; its mesh is the one of mesh_name(form).
  Draft draft_in(SceneForm form, const Draft& draft) const;

  /// The channel of a scene that was written in this form.
  Result<std::shared_ptr<const ChannelDistance>> distance(SceneForm form, const Scene& scene);

 private:
  const RandomChannel& channel_;
  std::filesystem::path folder_;
  Eigen::Isometry3d turn_;
  double turn_about_axis_rad_;
  std::map<std::tuple<SceneForm, Outlets, bool>, std::shared_ptr<const ChannelDistance>> distances_;
};

/// What one way may take.
struct Budget {
  std::int64_t work = 150000;   ///< RouteSearch::work
  double stock_seconds = 0.06;  ///< of a stock planner
};

/// Can this draft be made easier so, in a way that makes a difference?
bool can_ease(const Draft& draft, Ease ease, const RandomChannel& channel);

/// Asks. `name` is what its files are called. The reason why the scene is refused, where it is.
tl::expected<Told, std::string> ask(const Way& way, const Question& question, ChannelForms& forms,
                                    const Budget& budget, std::uint64_t seed, const std::string& name);

}  // namespace withy::consistency
