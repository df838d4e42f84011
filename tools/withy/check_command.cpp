// SPDX-License-Identifier: GPL-3.0-or-later
// `withy check`: is the scene sound, what is its channel like, and what would stop a plan before it is
// searched for?
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include <fmt/format.h>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/wall_distance.h"
#include "geometry/numbers/numbers.h"
#include "planner/files/file_output.h"
#include "planner/files/ranges.h"
#include "planner/files/toml_reader.h"
#include "planner/scene/places.h"
#include "planner/scene/scene.h"
#include "planner/scene/tip_places.h"
#include "planner/search/ask/obstacles.h"
#include "planner/segment/field.h"
#include "planner/show/channel_picture.h"
#include "planner/show/channel_report.h"
#include "planner/switching/switch_remedies.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct CheckOptions {
  std::filesystem::path scene;
  std::filesystem::path folder;
  double budget_s = kInfinity;
  bool quiet = false;
};

/// The files of an answer.
std::set<std::string> check_names() {
  return {"report.txt", "picture.png"};
}

std::vector<ReportLine> report_left_out(const Scene& scene) {
  std::string tables;
  const auto note = [&](bool given, std::string_view name) {
    if (!given) tables += fmt::format("{}[{}]", tables.empty() ? "" : ", ", name);
  };
  note(scene.parts.latch.has_value(), "latch");
  note(scene.parts.tendons.has_value(), "tendons");
  note(scene.parts.field.has_value(), "field");
  note(scene.actuation.has_value(), "actuation");
  if (tables.empty()) return {};
  return {{"left out", tables + ": what they govern will not be checked"}};
}

/// What would let a lock switch, as the end of a sentence.
std::string switching_would(const Design& design, const Effort& effort) {
  const SwitchRemedies remedies =
      switch_remedies(design,
                      {quantity("field.strength_max_mT")->range.most, quantity("lock.magnet_Am2")->range.most,
                       quantity("field.coil.current_max_A")->range.most},
                      effort);
  std::vector<std::string> ways;
  if (remedies.strength_max_mT)
    ways.push_back(fmt::format("a limit of {:.6g} mT", *remedies.strength_max_mT));
  if (remedies.current_factor)
    ways.push_back(fmt::format("{:.6g} times the current", *remedies.current_factor));
  if (remedies.magnet_Am2) ways.push_back(fmt::format("lock.magnet_Am2 of {:.6g}", *remedies.magnet_Am2));
  if (ways.empty()) return "no limit, no current and no magnet was found that would do alone";
  return fmt::format("{} would do", fmt::join(ways, ", or "));
}

/// Why no lock ever switches, whatever the bend, and what would do; nothing where one may.
std::optional<std::string> never_switches(const Design& design, const Effort& effort) {
  if (!design.field() || design.lock_count() == 0) return std::nullopt;
  const LockHardware& lock = design.lock();
  const double stroke_deg = degrees(std::abs(lock.angle_latched_rad - lock.angle_free_rad));
  if (stroke_too_wide(lock))
    return fmt::format(
        "the magnets turn by {:.4g} deg between their stops, and no constant field turns one over 180 deg or "
        "more; give lock.angle_free_deg and angle_latched_deg less than 180 deg apart, 90 as a rule",
        stroke_deg);
  const double least = least_strength_mT(design);
  const double limit = design.field()->strength_max_mT;
  if (least > limit)
    return fmt::format("no lock switches at any bend with {:g} mT, which field.strength_max_mT is; {}", limit,
                       switching_would(design, effort));
  const double most = most_coil_field_mT(design);
  if (least > most)
    return fmt::format(
        "no lock switches at any bend with less than {:.3g} mT, and the coils make less than {:.3g} mT at "
        "any place that a lock gets to; {}",
        least, most, switching_would(design, effort));
  return std::nullopt;
}

/// Where no lock was found that switches, though none is proved never to: what is worth a look.
std::vector<ReportLine> report_switching(const Design& design, const Effort& effort) {
  if (!design.field() || design.lock_count() == 0 || some_lock_switches(design, kRemedyBends, effort))
    return {};
  return {{"switching",
           fmt::format("no lock was found to switch in {} bends that were looked at; {}; withy "
                       "switch has the whole map",
                       1 + kRemedyBends.rings * kRemedyBends.directions, switching_would(design, effort))}};
}

/// What no search is needed for: each sentence names a necessary condition that does not hold; `never` is
/// one.
std::vector<std::string> obstacles(const Scene& scene, const Design& design, const WallDistance& wall,
                                   const std::optional<std::string>& never) {
  Goal goal;
  goal.point_E = scene.target_point_E();
  goal.tolerance_mm = scene.target.tolerance_mm;
  std::vector<std::string> found = target_obstacles(design, goal, scene.required_clearance_mm, wall);
  if (never) found.push_back(*never);
  if (design.field())
    if (const auto near = too_near(design)) found.push_back(sentence_of(*near, design));
  return found;
}

/// A target that is met from in front of the channel; or one nearer to the wall than the tip
/// needs, which its tolerance lets pass: on a closed outlet's cap, for instance.
std::vector<ReportLine> report_target(const Scene& scene, const WallDistance& wall) {
  std::vector<ReportLine> lines;
  if (const auto fault = fault_at_entry(scene, wall)) lines.push_back({"target", *fault});
  const double room_mm = wall.distance(scene.target_point_E());
  if (room_mm >= tip_room_mm(scene)) return lines;
  lines.push_back(
      {"target",
       fmt::format("the tip can't stand at the point itself: it has {:.3f} mm of room to the wall or "
                   "to an outlet's cap, and the tip needs {:.3f}; a plan ends beside it, within the "
                   "tolerance of {:g} mm",
                   room_mm, tip_room_mm(scene), scene.target.tolerance_mm)});
  return lines;
}

/// What there is to say of a target that is given by its name.
std::vector<ReportLine> report_target_name(const std::string& name, const Scene& scene,
                                           const WallDistance& wall, const Centreline& centreline) {
  if (name.empty()) return {};
  const auto place = target_place(name, wall, centreline, tip_room_mm(scene), scene.entry.X_SE);
  if (!place || place->note.empty()) return {};
  return {{"target", place->note}};
}

/// The name of a scene's target, as its file has it; empty where it gives numbers.
std::string target_name(TomlFile& file) {
  TomlSection root = file.root();
  auto target = root.optional_table("target");
  return target && target->has("at") ? target->text("at") : std::string();
}

/// The other layouts of the scene whose locks are too near.
std::vector<ReportLine> report_other_layouts(const Scene& scene) {
  std::vector<ReportLine> lines;
  for (const auto& [count, layout] : scene.layouts) {
    if (count == scene.layout_in_use) continue;
    const Result<Design> design = scene.design(count);
    if (!design || !design->field()) continue;
    if (const auto near = too_near(*design))
      lines.push_back({fmt::format("{} locks", count), "no plan: " + sentence_of(*near, *design)});
  }
  return lines;
}

/// All that there is to say, in order.
std::vector<ReportLine> report(const Scene& scene, const Design& design, const WallDistance& wall,
                               const Centreline& centreline, const std::string& target,
                               const Effort& effort) {
  std::vector<ReportLine> lines = channel_report(scene, wall.channel(), centreline);
  const auto add = [&](const std::vector<ReportLine>& more) {
    lines.insert(lines.end(), more.begin(), more.end());
  };
  add(body_report(design, wall.distance(Eigen::Vector3d::Zero())));
  add(report_left_out(scene));
  add(report_target_name(target, scene, wall, centreline));
  const auto never = never_switches(design, effort);
  const std::vector<std::string> stops = obstacles(scene, design, wall, never);
  for (const std::string& why : stops) lines.push_back({"stops a plan", why});
  if (stops.empty()) add(report_target(scene, wall));
  if (!never) add(report_switching(design, effort));
  add(report_other_layouts(scene));
  if (stops.empty()) lines.push_back({"verdict", "no fault found; run plan"});
  return lines;
}

ExitStatus write_check_files(const CheckOptions& options, const std::string& text, const Scene& scene,
                             const WallDistance& wall, const Centreline& centreline) {
  FileBatch batch;
  batch.owns(options.folder, check_names());
  batch.add(options.folder / "report.txt", text);
  batch.add(options.folder / "picture.png",
            draw_channel(scene, wall.channel(), centreline, PictureFormat::png));
  const WritingFiles writing;
  if (const auto written = batch.commit(); !written) return refuse(written.error());
  return ExitStatus::done;
}

ExitStatus check(const CheckOptions& options) {
  if (const auto place = check_output_folder(options.folder, check_names(), {options.scene}); !place)
    return refuse(place.error());
  Progress progress(options.quiet);
  progress.stage("reading the scene");
  std::string target;
  const Result<Scene> scene = read_scene(options.scene, [&](TomlFile& file) { target = target_name(file); });
  if (!scene) return refuse(scene.error());
  progress.stage("checking the mesh");
  const auto read = read_wall(*scene);
  if (!read) return refuse(read.error());
  const WallDistance& wall = **read;
  const Result<Design> design = scene->design(scene->layout_in_use);
  if (!design) return refuse(design.error());
  progress.stage("finding the centreline");
  const Effort effort = Effort::of_seconds(options.budget_s);
  const Centreline centreline = compute_centreline(wall, {.effort = effort});
  if (effort.cut_short())
    return say_cut_short(options.budget_s,
                         {"the scene and its mesh are sound", "the middle line; the report"});
  const std::string text = report_text(report(*scene, *design, wall, centreline, target, effort));
  if (effort.cut_short())
    return say_cut_short(options.budget_s,
                         {"the scene and its mesh are sound; the middle line", "the report"});
  fmt::print("{}", text);
  if (options.folder.empty()) return ExitStatus::done;
  progress.stage("drawing");
  return write_check_files(options, text, *scene, wall, centreline);
}

}  // namespace

void add_check_command(CommandLine& line) {
  auto options = std::make_shared<CheckOptions>();
  CLI::App& app = line.add("check", "Say what the channel and the scene are like, and what would stop a plan",
                           "withy check scenes/single-bend/scene.toml");
  add_option(app, "SCENE", options->scene, "scene file (TOML; lengths in mm, angles in degrees)").required();
  add_option(app, "-o,--output", options->folder,
             "folder for report.txt (what is printed) and picture.png; left out: no files");
  add_budget_option(app, options->budget_s, "the look at the channel after it is read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return check(*options); });
}

}  // namespace withy
