// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <iterator>
#include <system_error>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/input_file.h"
#include "planner/files/sha256.h"
#include "planner/files/toml_reader.h"
#include "planner/plan/plan.h"
#include "planner/plan/state_file.h"

namespace withy {
namespace {

// A plan of a thousand actions has a third of a megabyte.
constexpr std::size_t kLargestPlan = std::size_t{64} << 20;
constexpr double kUnbounded = kInfinity;

/// One of a few words; a fault of the file where it is another.
template <class Enum, std::size_t n>
Enum word(const JsonNode& node, const std::array<Enum, n>& all, std::string_view (*name)(Enum)) {
  const std::string text = node.text();
  std::vector<std::string_view> names;
  for (const Enum value : all) {
    if (name(value) == text) return value;
    names.push_back(name(value));
  }
  node.fault(fmt::format("\"{}\" is none of the words that belong here", text),
             fmt::format("write one of {}", fmt::join(names, ", ")));
  return all.front();
}

std::string_view name_of_leg(Leg leg) {
  return leg == Leg::in ? "in" : "out";
}

std::optional<double> bounded(const JsonNode& node) {
  return node.is_null() ? std::nullopt : std::optional<double>(node.number());
}

RecordedState read_state(const JsonNode& node) {
  node.expect_keys({"insertion_mm", "locked", "regions", "pull_mm", "tension_N", "tip_mm", "clearance_mm",
                    "lock_moment_Nmm"});
  RecordedState state = read_recorded_state(node);
  state.pull_mm = node.at("pull_mm").numbers();
  state.tension_N = node.at("tension_N").numbers();
  const auto tip = node.at("tip_mm").numbers(3);
  state.tip_S = {tip[0], tip[1], tip[2]};
  state.clearance_mm = bounded(node.at("clearance_mm"));
  state.lock_moment_Nmm = node.at("lock_moment_Nmm").numbers();
  return state;
}

/// An index into the plan's states.
int index(const JsonNode& node, std::size_t size) {
  const int i = node.count();
  if (static_cast<std::size_t>(i) >= size)
    node.fault(fmt::format("there is no state {}", i), fmt::format("{} states are counted from 0", size));
  return i;
}

void read_switch(const JsonNode& node, int locks, PlannedAction& action) {
  const JsonNode lock = node.at("lock");
  action.lock = lock.count() - 1;
  if (action.lock < 0 || action.lock >= locks)
    lock.fault(fmt::format("there is no lock {}", action.lock + 1),
               fmt::format("locks are counted from 1 to {}", locks));
  if (const JsonNode currents = node.at("current_A"); !currents.is_null()) currents.numbers("plan.current_A");
  if (node.at("field_mT").is_null()) return;
  const auto field = node.at("field_mT").numbers(3, "plan.field_mT");
  action.field_S = Eigen::Vector3d(field[0], field[1], field[2]);
  action.current_A = node.at("current_A").numbers("plan.current_A");
  // Plans made before reserves were counted have none.
  if (node.has("field_reserve") && !node.at("field_reserve").is_null())
    action.field_reserve = node.at("field_reserve").number();
}

/// What a script needs of a hunt: whether it is made. The track is the scene's; the figures are the plan's.
std::optional<LockHunt> read_hunt(const JsonNode& node) {
  if (node.is_null()) return std::nullopt;
  node.expect_keys({"shape", "radius_mm", "turns", "corners_per_turn", "turn_spacing_mm", "clearance_mm",
                    "duration_s", "made", "why"});
  LockHunt hunt;
  hunt.shape = word(
      node.at("shape"), std::array{HuntShape::none, HuntShape::line, HuntShape::spiral},
      +[](HuntShape shape) { return name_of(shape); });
  hunt.radius_mm = node.at("radius_mm").number();
  hunt.turns = node.at("turns").count();
  hunt.corners_per_turn = node.at("corners_per_turn").count();
  hunt.spacing_mm = node.at("turn_spacing_mm").number();
  hunt.clearance_mm = bounded(node.at("clearance_mm")).value_or(kUnbounded);
  if (!node.at("why").is_null()) hunt.objection = node.at("why").text();
  if (node.at("made").boolean() != hunt.made())
    node.at("made").fault("a hunt that is made has a shape and no objection", "plan again");
  return hunt;
}

PlannedAction read_action(const JsonNode& node, std::size_t states, int locks) {
  constexpr std::array kKinds = {ActionKind::advance, ActionKind::bend, ActionKind::steer, ActionKind::lock,
                                 ActionKind::unlock};
  node.expect_keys({"kind", "leg", "from", "to", "clearance_mm"},
                   {"lock", "field_mT", "current_A", "field_reserve", "power_W", "voltage_V", "hunt"});
  PlannedAction action;
  action.kind = word(
      node.at("kind"), kKinds, +[](ActionKind kind) { return name_of(kind); });
  action.leg = word(node.at("leg"), std::array{Leg::in, Leg::out}, name_of_leg);
  action.from = index(node.at("from"), states);
  action.to = index(node.at("to"), states);
  action.clearance_mm = bounded(node.at("clearance_mm")).value_or(kUnbounded);
  if (action.kind == ActionKind::lock || action.kind == ActionKind::unlock) read_switch(node, locks, action);
  if (action.kind == ActionKind::lock && node.has("hunt")) action.hunt = read_hunt(node.at("hunt"));
  return action;
}

/// Figures that are only shown: numbers, true or false, null, lists and objects of those. Text stands under
/// `kind` and under names that end in `_by`.
void check_figures(const JsonNode& node, const std::string& name) {
  if (node.is_text()) {
    if (name != "kind" && name != "sentence" && name != "from" && !name.ends_with("_by"))
      node.fault("a text stands where a number belongs", "give a number");
    return;
  }
  if (node.is_number()) node.number();
  for (const auto& [key, value] : node.members()) check_figures(value, key);
  if (node.is_list())
    for (const JsonNode& item : node.items()) check_figures(item, name);
}

/// What a look at the elastic body said: shown, never used.
void check_elastic(const JsonNode& node) {
  node.expect_keys({"held_against", "holds", "fails", "plans", "proof", "step_mm", "ideal_pulls",
                    "compensated_pulls", "engagements"});
  node.at("held_against").texts();
  if (!node.at("fails").is_null()) node.at("fails").text();
  for (const char* answer : {"holds", "proof"}) node.at(answer).boolean();
  node.at("plans").count();
  for (const char* shown : {"step_mm", "ideal_pulls", "compensated_pulls", "engagements"})
    check_figures(node.at(shown), shown);
}

void read_head(const JsonNode& root, PlanFile& plan) {
  const JsonNode scene = root.at("scene");
  scene.expect_keys({"file", "sha256", "mesh_sha256", "title"});
  plan.scene_file = scene.at("file").text();
  plan.scene_sha256 = scene.at("sha256").text();
  plan.mesh_sha256 = scene.at("mesh_sha256").text();
  plan.title = scene.at("title").text();
  constexpr std::array kVerdicts = {Verdict::reached, Verdict::unreachable, Verdict::undecided};
  plan.verdict = word(
      root.at("verdict"), kVerdicts, +[](Verdict verdict) { return name_of(verdict); });
  plan.why = root.at("why").text();
  if (root.has("remedies")) root.at("remedies").texts();
  plan.checked = root.at("checked").texts();
  plan.not_checked = root.at("not_checked").texts();
  plan.locks = root.at("locks").count();
}

/// Turns recorded states into states of the design, and says what doesn't fit.
class PlanFitter {
 public:
  PlanFitter(const PlanFile& file, const Design& design) : file_(file), design_(design) {}

  Result<Plan> fit() {
    if (file_.verdict != Verdict::reached) return tl::unexpected(file_.without_target());
    if (file_.locks != design_.lock_count())
      return tl::unexpected(file_.json.error_at(
          "/locks", fmt::format("the plan has {} locks, its segment {}", file_.locks, design_.lock_count()),
          "plan again"));
    if (file_.states.empty())
      return tl::unexpected(file_.json.error_at("/states", "the plan has no states", "plan again"));
    Plan plan;
    for (std::size_t i = 0; i < file_.states.size(); ++i)
      plan.states.push_back({{state(i)}, file_.states[i].clearance_mm.value_or(kUnbounded)});
    plan.actions = file_.actions;
    plan.from_elsewhere = file_.from_elsewhere;
    plan.clearance_mm = kUnbounded;
    for (std::size_t k = 0; k < plan.actions.size(); ++k) {
      check_action(plan, k);
      plan.clearance_mm = std::min(plan.clearance_mm, plan.actions[k].clearance_mm);
      if (plan.actions[k].leg == Leg::in) plan.reached_state = plan.actions[k].to;
    }
    if (fault_) return tl::unexpected(*fault_);
    return plan;
  }

 private:
  void fault(const std::string& pointer, std::string problem, std::string remedy) {
    if (!fault_) fault_ = file_.json.error_at(pointer, std::move(problem), std::move(remedy));
  }

  State state(std::size_t i) {
    const auto say = [&](const std::string& below, std::string problem, std::string remedy) {
      fault(fmt::format("/states/{}{}", i, below), std::move(problem), std::move(remedy));
    };
    return state_of(file_.states[i], design_, say);
  }

  void check_action(const Plan& plan, std::size_t k) {
    const PlannedAction& action = plan.actions[k];
    const LockSet changed = plan.states[static_cast<std::size_t>(action.from)].engaged ^
                            plan.states[static_cast<std::size_t>(action.to)].engaged;
    LockSet meant;
    if (action.lock >= 0) meant.set(static_cast<std::size_t>(action.lock));
    if (action.field_S && design_.field() && std::ssize(action.current_A) != design_.field()->coil_count())
      fault(fmt::format("/actions/{}/current_A", k),
            fmt::format("{} currents are listed", action.current_A.size()),
            fmt::format("list {}, one for each coil", design_.field()->coil_count()));
    if (changed != meant)
      fault(fmt::format("/actions/{}", k),
            fmt::format("this {} switches other locks than it says", name_of(action.kind)),
            "join it to the states it leads between");
  }

  const PlanFile& file_;
  const Design& design_;
  std::optional<InputError> fault_;
};

/// Is this file, byte for byte, the scene that the plan was made for?
bool is_scene_of(const PlanFile& plan, const std::filesystem::path& file) {
  const auto bytes = read_input(file, kLargestText);
  return bytes && sha256(*bytes) == plan.scene_sha256;
}

/// TOML files of a folder, by name; the first so many of a very full one.
std::vector<std::filesystem::path> toml_files(const std::filesystem::path& folder) {
  constexpr std::size_t kMostEntries = 10000;
  std::vector<std::filesystem::path> files;
  std::error_code why;
  std::size_t entries = 0;
  for (std::filesystem::directory_iterator at(folder.empty() ? "." : folder, why), end;
       !why && at != end && entries < kMostEntries; at.increment(why), ++entries)
    if (at->path().extension() == ".toml") files.push_back(folder / at->path().filename());
  std::sort(files.begin(), files.end());
  return files;
}

/// Where the plan's scene is; where it is nowhere, the place that the plan names.
std::filesystem::path find_scene(const PlanFile& plan, const std::filesystem::path& plan_path) {
  const std::filesystem::path folder = plan_path.parent_path();
  const std::filesystem::path named = folder / plan.scene_file;
  std::vector<std::filesystem::path> candidates = {named, plan.scene_file};
  for (const auto& near : {folder, folder / ".."})
    for (const auto& file : toml_files(near)) candidates.push_back(file);
  for (const auto& file : candidates)
    if (is_scene_of(plan, file)) return file;
  std::error_code ignored;
  return std::filesystem::exists(named, ignored) ? named : std::filesystem::path(plan.scene_file);
}

}  // namespace

Result<PlanFile> read_plan(const std::filesystem::path& file) {
  auto text = read_text_input(file, kLargestPlan);
  if (!text) return tl::unexpected(text.error());
  auto json = JsonFile::parse(std::move(*text), file.string());
  if (!json) return tl::unexpected(json.error());
  PlanFile plan(std::move(*json));
  const JsonNode root = plan.json.root();
  if (root.at("format").text() != "withy-plan")
    root.at("format").fault("this is no plan of withy's", "give a plan.json");
  if (root.at("version").count() != 1)
    root.at("version").fault("plans of this version can't be read", "plan again");
  root.expect_keys({"format", "version", "scene", "verdict", "why", "checked", "not_checked", "locks", "seed",
                    "seconds", "segment", "summary", "states", "actions", "proof", "approach"},
                   {"elastic", "rechecked", "remedies", "depth", "open", "might_decide", "via_states",
                    "from_elsewhere", "stuck_locks"});
  if (root.has("from_elsewhere")) plan.from_elsewhere = root.at("from_elsewhere").boolean();
  if (root.has("stuck_locks")) check_figures(root.at("stuck_locks"), "stuck_locks");
  if (root.has("rechecked")) {
    root.at("rechecked").expect_keys({"verdict", "sentence"});
    for (const char* said : {"verdict", "sentence"}) root.at("rechecked").at(said).text();
  }
  if (root.has("elastic")) check_elastic(root.at("elastic"));
  read_head(root, plan);
  for (const char* shown : {"seconds", "segment", "summary", "proof", "approach"})
    check_figures(root.at(shown), shown);
  for (const char* shown : {"depth", "open"})
    if (root.has(shown)) check_figures(root.at(shown), shown);
  if (root.has("might_decide")) root.at("might_decide").texts();
  if (root.has("via_states")) root.at("via_states").numbers();
  if (plan.verdict == Verdict::reached && root.at("summary").is_null())
    root.at("summary").fault("a plan that reached its target has no summary", "plan again");
  if (const JsonNode summary = root.at("summary"); summary.has("clearance_required_mm"))
    plan.required_clearance_mm = summary.at("clearance_required_mm").number("plan.clearance_required_mm");
  for (const JsonNode& state : root.at("states").items()) plan.states.push_back(read_state(state));
  for (const JsonNode& action : root.at("actions").items())
    plan.actions.push_back(read_action(action, plan.states.size(), plan.locks));
  if (const auto& fault = plan.json.first_fault()) return tl::unexpected(*fault);
  return plan;
}

InputError PlanFile::without_target() const {
  return json.error_at("/verdict", "this plan does not reach its target", "take one that does");
}

Result<Plan> plan_in(const PlanFile& file, const Design& design) {
  return PlanFitter(file, design).fit();
}

Result<Scene> scene_of(const PlanFile& plan, const std::filesystem::path& plan_path,
                       const std::filesystem::path& given) {
  const std::filesystem::path path = given.empty() ? find_scene(plan, plan_path) : given;
  auto scene = read_scene(path);
  if (!scene) return scene;
  if (scene->sha256 != plan.scene_sha256)
    return tl::unexpected(plan.json.error_at(
        "/scene/sha256", fmt::format("the scene {} has changed since this plan was made", path.string()),
        "plan again"));
  if (scene->mesh_sha256 != plan.mesh_sha256)
    return tl::unexpected(plan.json.error_at(
        "/scene/mesh_sha256",
        fmt::format("the mesh {} has changed since this plan was made", scene->mesh_file.string()),
        "plan again"));
  return scene;
}

}  // namespace withy
