// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/ways.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numbers>
#include <stdexcept>

#include <fmt/format.h>

#include "planner/effort/effort.h"
#include "planner/plan/plan.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/reach_search.h"
#include "planner/search/ask/solve.h"
#include "planner/search/ompl/ompl_planners.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;

/// Distance fields of about so many nodes: small questions, each channel read in several forms.
constexpr double kFieldNodes = 60000;
constexpr double kOtherSpacing = 1.6;

/// Faces so near to the entry plane could be opening; edges there are not halved.
constexpr double kRefinedAbove_mm = kOpeningPlaneTolerance_mm + 0.05;

/// How solve() says that a route which was found does not stand when it is verified.
const std::string kDoesNotHold = "the route that was found does not hold when verified: ";

/// How far a turned scene is moved, mm.
constexpr double kMoved_mm = 40.0;

bool in_one_plane(const DesignParts& parts) {
  return parts.tendons && parts.tendons->angle_rad.size() == 2;
}

void ease_hardware(DesignParts& parts) {
  if (parts.tendons) {
    parts.tendons->stroke_max_mm *= 1.5;
    parts.tendons->tension_max_N *= 1.5;
  }
  if (parts.lock) parts.lock->hold_moment_Nmm *= 1.5;
  if (parts.field) parts.field->strength_max_mT *= 1.5;
}

void apply(Ease ease, Draft& draft) {
  DesignParts& parts = draft.parts;
  switch (ease) {
    case Ease::none:
      return;
    case Ease::insertion:
      parts.carriage.insertion_max_mm = 1.6 * parts.carriage.insertion_max_mm + 3.0;
      return;
    case Ease::tolerance:
      draft.target.tolerance_mm *= 1.4;
      draft.target.direction_tolerance_rad = std::min(kPi, 1.4 * draft.target.direction_tolerance_rad);
      return;
    case Ease::clearance:
      draft.required_clearance_mm *= 0.5;
      return;
    case Ease::curvature:
      parts.segment.curvature_max_per_mm *= 1.15;
      return;
    case Ease::finer_notches:
      parts.latch->notch_pitch_mm *= 0.5;
      parts.latch->engage_window_mm *= 0.5;
      return;
    case Ease::friction_lock:
      parts.latch->notch_pitch_mm = parts.latch->engage_window_mm = 0.0;
      return;
    case Ease::open_outlets:
      draft.outlets = Outlets::open;
      return;
    case Ease::hardware:
      return ease_hardware(parts);
  }
}

/// Does the wall stop the straight shaft on the axis before the insertion limit does?
bool wall_stops_shaft(const SearchProblem& problem) {
  const Segment& segment = problem.design.segment();
  // Clearly too near, so that no rounding of the question decides.
  const double too_near = 0.98 * segment.radius_mm + problem.required_clearance_mm;
  const double last = problem.design.carriage().insertion_max_mm - segment.length_mm;
  for (double z = 0.0; z <= last; z += 0.1 * segment.radius_mm)
    if (problem.distance->exact().signed_distance({0.0, 0.0, z}) < too_near) return true;
  return false;
}

Verdict verdict_of(SearchOutcome outcome) {
  if (outcome == SearchOutcome::found) return Verdict::reached;
  return outcome == SearchOutcome::proved_none ? Verdict::unreachable : Verdict::undecided;
}

using Proof = std::optional<recheck::Certificate>;

Answer by_plan(const SearchProblem& problem, bool widen, const Budget& budget, Proof& proof) {
  SolveSettings settings;
  settings.certificate = &proof;
  settings.effort = Effort::of_work(budget.work);
  settings.prefer = widen ? Preference::clearance : Preference::quick;
  settings.explain = false;
  return solve(problem, settings);
}

Answer empty_answer(const SearchProblem& problem) {
  Answer answer;
  answer.locks = problem.design.lock_count();
  list_checked(problem, answer.checked, answer.not_checked);
  return answer;
}

void fill(Answer& answer, const StepJudge& judge, const Route& route) {
  auto plan = make_plan(judge, tidy(judge, route));
  answer.verdict = plan ? Verdict::reached : Verdict::undecided;
  answer.why = plan ? "a way was found" : kDoesNotHold + plan.error().sentence;
  if (plan) answer.plan = std::move(*plan);
}

Answer by_cells(const SearchProblem& problem, const Budget& budget, Proof& proof) {
  Answer answer = empty_answer(problem);
  RouteSearchSettings settings;
  settings.direct_work = 0;
  settings.effort = Effort::of_work(budget.work);
  RouteSearch search(problem, settings);
  answer.verdict = verdict_of(search.run(problem.goal));
  if (answer.verdict == Verdict::reached) fill(answer, search.judge(), search.route());
  if (answer.verdict == Verdict::unreachable) proof = certify(problem, search, settings);
  return answer;
}

Answer by_reach(const SearchProblem& problem, const std::vector<Eigen::Vector3d>& companions_E,
                const Budget& budget, Told& told, Proof& proof) {
  Answer answer = empty_answer(problem);
  std::vector<Eigen::Vector3d> targets_E = companions_E;
  targets_E.push_back(problem.goal.point_E);
  std::optional<Route> route;
  ReachSettings settings;
  settings.certify = true;
  settings.effort = Effort::of_work(budget.work);
  settings.reached = [&](std::size_t target, const Route& way) {
    if (target + 1 == targets_E.size()) route = way;
  };
  ReachResult result = search_reach(problem, targets_E, settings);
  told.companions.assign(result.verdict.begin(), result.verdict.end() - 1);
  if (result.verdict.back() == Verdict::reached) {
    const Hardware hardware(problem.design);
    fill(answer, StepJudge(problem, hardware), *route);
    told.no_plan = answer.verdict != Verdict::reached;
  }
  proof = std::move(result.certificate);
  answer.verdict = result.verdict.back();
  return answer;
}

Answer by_stock(const SearchProblem& problem, const Budget& budget, std::uint64_t seed) {
  Answer answer = empty_answer(problem);
  const auto& names = stock_planner_names();
  const OmplProblem ompl(problem);
  const auto route = route_by_stock_planner(names[seed % names.size()], ompl,
                                            Effort::of_seconds(budget.stock_seconds), 1 + seed % 1000000);
  if (route) fill(answer, ompl.judge(), *route);
  return answer;
}

Answer answer_to(Asking asking, const SearchProblem& problem, const Question& question, const Budget& budget,
                 std::uint64_t seed, Told& told, Proof& proof) {
  switch (asking) {
    case Asking::plan:
    case Asking::plan_widened:
      return by_plan(problem, asking == Asking::plan_widened, budget, proof);
    case Asking::cells:
      return by_cells(problem, budget, proof);
    case Asking::reach_alone:
      return by_reach(problem, {}, budget, told, proof);
    case Asking::reach_among:
      return by_reach(problem, question.companions_E, budget, told, proof);
    case Asking::stock:
      return by_stock(problem, budget, seed);
  }
  return {};
}

void keep_plan(const PreparedScene& prepared, const SearchProblem& problem, const Answer& answer,
               Told& told) {
  const std::string text =
      write_plan({prepared.scene, problem.design, answer, told.scene.filename().string()});
  told.rechecks.push_back(recheck_plan(text, prepared));
  told.plan = told.scene;
  told.plan.replace_extension(".json");
  std::ofstream out(told.plan, std::ios::binary);
  out << text;
  if (!out.flush()) throw std::runtime_error("can't write " + told.plan.string());
}

/// What was proved, before the checker: that the target can't be reached, alone or with others that can't, or
/// not with fewer switches.
void check_proof(const PreparedScene& prepared, const SearchProblem& problem, const Question& question,
                 Proof proof, Told& told) {
  if (!proof) {
    if (told.verdict == Verdict::unreachable)
      told.rechecks.push_back({false, {recheck::Verdict::does_not_hold, "nothing proves it"}, 0.0});
    return;
  }
  const Scene& scene = prepared.scene;
  name_scene(*proof, scene, prepared.wall().channel(), told.scene.filename().string());
  if (proof->header.claim == "targets") {
    std::vector<Eigen::Vector3d> points_S;
    if (told.verdict == Verdict::unreachable) points_S.push_back(scene.target.point_S);
    for (std::size_t i = 0; i < told.companions.size(); ++i)
      if (told.companions[i] == Verdict::unreachable)
        points_S.push_back(scene.entry.X_SE * question.companions_E[i]);
    name_targets(*proof, points_S, problem.goal.tolerance_mm);
    for (recheck::ProvedTarget& target : proof->header.targets) {
      target.direction_S = scene.target.direction_S;
      target.direction_tolerance_rad = scene.target.direction_tolerance_rad;
    }
  }
  told.rechecks.push_back(recheck_proof(*proof, prepared));
  if (told.rechecks.back().outcome.verdict == recheck::Verdict::holds) return;
  std::ofstream out(std::filesystem::path(told.scene).replace_extension(".proof"), std::ios::binary);
  out << recheck::write_certificate(*proof);
  if (!out.flush()) throw std::runtime_error("can't write the proof of " + told.scene.string());
}

}  // namespace

std::string Way::words() const {
  constexpr const char* kForms[] = {"as drawn", "mesh refined", "turned", "mirrored", "other field spacing"};
  constexpr const char* kEases[] = {"",
                                    ", more insertion",
                                    ", more tolerance",
                                    ", less clearance",
                                    ", more curvature",
                                    ", finer notches",
                                    ", friction lock",
                                    ", open outlets",
                                    ", stronger hardware"};
  constexpr const char* kAskings[] = {"plan",  "plan and better ones", "cells alone",
                                      "reach", "reach among others",   "a stock planner"};
  return fmt::format("{}{}, by {}", kForms[static_cast<int>(form)], kEases[static_cast<int>(ease)],
                     kAskings[static_cast<int>(asking)]);
}

bool can_ease(const Draft& draft, Ease ease, const RandomChannel& channel) {
  const DesignParts& parts = draft.parts;
  const bool notched = parts.latch && parts.latch->notch_pitch_mm > 0.0 && parts.layout.count() > 0;
  switch (ease) {
    case Ease::finer_notches:
      return notched;
    case Ease::friction_lock:  // in space it is a question of two more dimensions for each lock
      return notched && in_one_plane(parts);
    case Ease::open_outlets:
      return channel.open_far_ends && draft.outlets == Outlets::closed;
    case Ease::hardware:
      return parts.tendons || parts.field;
    default:
      return true;
  }
}

ChannelForms::ChannelForms(const RandomChannel& channel, Chance& chance, const std::filesystem::path& folder)
    : channel_(channel),
      folder_(folder),
      turn_(chance.pose(kMoved_mm)),
      turn_about_axis_rad_(chance.uniform(-kPi, kPi)) {
  Draft draft;
  draft.mesh_S = channel_.mesh_S;
  draft.entry = channel_.entry;
  for (const SceneForm form :
       {SceneForm::as_drawn, SceneForm::refined, SceneForm::turned, SceneForm::mirrored})
    write_channel(draft_in(form, draft).mesh_S, folder_ / mesh_name(form));
}

std::string ChannelForms::mesh_name(SceneForm form) {
  constexpr const char* kNames[] = {"as-drawn.off", "refined.off", "turned.off", "mirrored.off",
                                    "as-drawn.off"};
  return kNames[static_cast<int>(form)];
}

Draft ChannelForms::draft_in(SceneForm form, const Draft& draft) const {
  // Two tendons bend the segment in a plane that the search can follow along x or y only.
  const double turn = in_one_plane(draft.parts) ? 0.5 * kPi : turn_about_axis_rad_;
  Draft out;
  switch (form) {
    case SceneForm::turned:
      return turned(draft, turn_, turn);
    case SceneForm::mirrored:
      return mirrored(draft);
    case SceneForm::refined:
      out = draft;
      out.mesh_S = refined(draft.mesh_S, draft.entry, kRefinedAbove_mm);
      return out;
    case SceneForm::as_drawn:
    case SceneForm::other_spacing:
      break;
  }
  return draft;
}

Result<std::shared_ptr<const ChannelDistance>> ChannelForms::distance(SceneForm form, const Scene& scene) {
  const std::tuple key{form, scene.outlets, form == SceneForm::turned && in_one_plane(scene.parts)};
  if (const auto known = distances_.find(key); known != distances_.end()) return known->second;
  auto wall = read_wall_only(scene);
  if (!wall) return tl::unexpected<InputError>(wall.error());
  double spacing =
      std::max(field_spacing(scene), std::cbrt(enclosed_volume((*wall)->channel().mesh_E) / kFieldNodes));
  if (form == SceneForm::other_spacing) spacing *= kOtherSpacing;
  return distances_.emplace(key, prepare_distance(std::move(*wall), spacing)).first->second;
}

tl::expected<Told, std::string> ask(const Way& way, const Question& question, ChannelForms& forms,
                                    const Budget& budget, std::uint64_t seed, const std::string& name) {
  Told told;
  told.way = way;
  told.scene = forms.folder() / (name + ".toml");
  Draft draft = question.draft;
  apply(way.ease, draft);
  write_scene(forms.draft_in(way.form, draft), ChannelForms::mesh_name(way.form), told.scene);
  auto scene = read_scene(told.scene);
  if (!scene) return tl::unexpected(scene.error().message());
  const auto distance = forms.distance(way.form, *scene);
  if (!distance) return tl::unexpected(distance.error().message());
  if (const auto fault = placing_fault(*scene, (*distance)->exact())) return tl::unexpected(fault->message());
  const PreparedScene prepared{std::move(*scene), *distance};
  const auto problem = make_problem(prepared, draft.parts.layout.count());
  if (!problem) return tl::unexpected(problem.error().message());
  told.easier = way.ease != Ease::none;
  if (way.ease == Ease::insertion) {
    SearchProblem as_drawn = *problem;
    DesignParts parts = problem->design.parts();
    parts.carriage = question.draft.parts.carriage;
    as_drawn.design = *Design::make(std::move(parts));
    told.easier = !wall_stops_shaft(as_drawn);
  }
  Proof proof;
  const Answer answer = answer_to(way.asking, *problem, question, budget, seed, told, proof);
  told.verdict = answer.verdict;
  told.why = answer.why;
  told.does_not_hold = answer.why.find(kDoesNotHold) != std::string::npos;
  if (answer.plan) keep_plan(prepared, *problem, answer, told);
  if (told.verdict == Verdict::unreachable) check_proof(prepared, *problem, question, std::move(proof), told);
  return told;
}

}  // namespace withy::consistency
