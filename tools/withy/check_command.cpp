// SPDX-License-Identifier: GPL-3.0-or-later
// `withy check`: is the scene sound, what is its channel like, and what would stop a plan before it is
// searched for?
#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>
#include <optional>
#include <string>
#include <vector>

#include <fmt/core.h>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/wall_distance.h"
#include "geometry/numbers/numbers.h"
#include "planner/files/plain_line.h"
#include "planner/files/ranges.h"
#include "planner/scene/scene.h"
#include "planner/segment/field.h"
#include "tools/withy/commands.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct Options {
  std::string scene;
  bool quiet = false;
};

/// One line of the report: what it is about, and what there is to say.
void line(std::string_view about, const std::string& text) {
  fmt::print("{:<13}{}\n", about, without_controls(text));
}

/// Two decimals, and never "-0.00".
std::string point(const Eigen::Vector3d& exact) {
  const Eigen::Vector3d p = (exact.array() * 100.0).round() / 100.0 + 0.0;
  return fmt::format("({:.2f}, {:.2f}, {:.2f}) mm", p.x(), p.y(), p.z());
}

std::string_view unit_name(LengthUnit unit) {
  switch (unit) {
    case LengthUnit::mm:
      return "mm";
    case LengthUnit::cm:
      return "cm";
    case LengthUnit::m:
      return "m";
    case LengthUnit::inch:
      return "in";
  }
  return "";
}

/// How wide an opening is, as the radius of a circle of the same area to rim (mm): a slit is narrow however
/// long its rim. No circle within a convex opening is larger.
double narrow_radius_mm(const TriangleMesh& mesh, const Opening& opening) {
  double area = 0.0;
  for (const int f : opening.faces) {
    const auto& t = mesh.triangles[static_cast<std::size_t>(f)];
    const auto corner = [&](int k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    area += 0.5 * (corner(1) - corner(0)).cross(corner(2) - corner(0)).norm();
  }
  const double rim = 2.0 * std::numbers::pi * opening.radius_mm;
  return 2.0 * area / rim;
}

/// An opening that the body hardly fits through, and that is not where it goes in.
bool is_small_hole(const Scene& scene, const Channel& channel, const Opening& opening) {
  return !opening.is_entry && narrow_radius_mm(channel.mesh_E, opening) < scene.parts.segment.radius_mm;
}

void report_mesh(const Scene& scene, const Channel& channel) {
  line("scene", scene.title);
  line("mesh", fmt::format("{}, in {}: {} vertices, {} triangles with its caps", scene.mesh_file.string(),
                           unit_name(scene.mesh_unit), channel.mesh_E.vertices.size(),
                           channel.mesh_E.triangles.size()));
  const bool torn =
      std::any_of(channel.openings.begin(), channel.openings.end(),
                  [&](const Opening& opening) { return is_small_hole(scene, channel, opening); });
  if (channel.mended.empty() && !torn) line("mended", "nothing, the mesh is sound as it is");
  for (const std::string& what : channel.mended) line("mended", what);
}

void report_openings(const Scene& scene, const Channel& channel) {
  for (const Opening& opening : channel.openings) {
    const std::string_view kind = opening.is_entry                 ? "entry"
                                  : scene.outlets == Outlets::open ? "outlet, open"
                                                                   : "outlet, closed";
    line("opening",
         fmt::format("{}: centre {}, radius {:.2f} mm, {} edges", kind,
                     point(scene.entry.X_SE * opening.centre_E), opening.radius_mm, opening.boundary_edges));
    if (is_small_hole(scene, channel, opening))
      line("note",
           "the body hardly fits through that one: if it is no outlet but a hole in the mesh, close it "
           "there");
  }
}

/// The points of a branch that its ends don't draw: near them the lumen is the end's.
std::vector<CentrelinePoint> inner_points(const CentrelineBranch& branch) {
  double everywhere = 0.0;
  for (const CentrelinePoint& q : branch.points)
    everywhere += q.radius_mm / static_cast<double>(branch.points.size());
  std::vector<CentrelinePoint> inner;
  for (const CentrelinePoint& q : branch.points)
    if (q.station_mm > 1.5 * everywhere && branch.length_mm() - q.station_mm > 1.5 * everywhere)
      inner.push_back(q);
  return inner.empty() ? branch.points : inner;
}

/// Where a branch starts and ends.
std::string ends_of(const Scene& scene, const Centreline& centreline, const CentrelineBranch& branch) {
  const std::string start = branch.parent < 0 ? std::string("from the entry")
                                              : fmt::format("leaves branch {} at {:.1f} mm",
                                                            branch.parent + 1, branch.parent_station_mm);
  const Eigen::Vector3d end_S = scene.entry.X_SE * branch.points.back().p_E;
  if (branch.joins >= 0)
    return fmt::format("{}, meets branch {} at its {:.1f} mm, round a handle", start, branch.joins + 1,
                       centreline.branches[static_cast<std::size_t>(branch.joins)].length_mm());
  return fmt::format("{} to {} {}", start, branch.opening >= 0 ? "the opening at" : "its end at",
                     point(end_S));
}

/// Middle lines, how wide the lumen is along each, how it bends.
void report_centreline(const Scene& scene, const Channel& channel, const Centreline& centreline) {
  if (centreline.branches.empty()) {
    line("centreline",
         fmt::format("none found: the lumen is thinner than {:.2f} mm at the entry", centreline.finest_mm));
    return;
  }
  for (std::size_t b = 0; b < centreline.branches.size(); ++b) {
    const CentrelineBranch& branch = centreline.branches[b];
    const std::vector<CentrelinePoint> inner = inner_points(branch);
    const auto narrow = std::min_element(
        inner.begin(), inner.end(), [](const auto& q, const auto& r) { return q.radius_mm < r.radius_mm; });
    const auto bent = std::max_element(inner.begin(), inner.end(), [](const auto& q, const auto& r) {
      return q.curvature_per_mm < r.curvature_per_mm;
    });
    double mean = 0.0;
    for (const CentrelinePoint& q : inner) mean += q.radius_mm / static_cast<double>(inner.size());
    line("centreline",
         fmt::format("branch {}, {}: {:.1f} mm long, lumen radius {:.2f} mm at {:.1f} mm, {}, and {:.2f} mm "
                     "in the mean, curvature up to {:.3f} per mm at {:.1f} mm, tortuosity {:.3f}",
                     b + 1, ends_of(scene, centreline, branch), branch.length_mm(), narrow->radius_mm,
                     narrow->station_mm, point(scene.entry.X_SE * narrow->p_E), mean, bent->curvature_per_mm,
                     bent->station_mm, branch.tortuosity()));
  }
  for (const int o : centreline.missed_openings)
    line("centreline",
         fmt::format("none found to the opening at {}: the lumen on the way is thinner than {:.2f} mm",
                     point(scene.entry.X_SE * channel.openings[static_cast<std::size_t>(o)].centre_E),
                     centreline.finest_mm));
}

void report_body(const Design& design, double entry_room_mm) {
  const Segment& segment = design.segment();
  line("body",
       fmt::format("radius {:.2f} mm, length {:.1f} mm, bends to a radius of {:.1f} mm at the tightest",
                   segment.radius_mm, segment.length_mm, 1.0 / segment.curvature_max_per_mm));
  for (int lock = 0; lock < design.lock_count(); ++lock)
    line("lock",
         fmt::format("{} at {:.1f} mm{}, body radius {:.2f} mm", lock + 1, design.station_mm(lock),
                     design.layout().assumed ? " (assumed: the scene gives no layout for this count)" : "",
                     design.lock().body_radius_mm));
  line("entry", fmt::format("{:.2f} mm of room about the entry point", entry_room_mm));
}

void report_left_out(const Scene& scene) {
  std::string tables;
  const auto note = [&](bool given, std::string_view name) {
    if (!given) tables += fmt::format("{}[{}]", tables.empty() ? "" : ", ", name);
  };
  note(scene.parts.latch.has_value(), "latch");
  note(scene.parts.tendons.has_value(), "tendons");
  note(scene.parts.field.has_value(), "field");
  note(scene.actuation.has_value(), "actuation");
  if (!tables.empty()) line("left out", tables + ": what they govern will not be checked");
}

/// Why no lock ever switches, whatever the bend, and what would do; nothing where one may.
std::optional<std::string> never_switches(const Design& design) {
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
  if (least > limit) {
    const double most = quantity("field.strength_max_mT")->range.most;  // that a scene may give
    const std::string wider = least <= most ? fmt::format("a limit of {:.3g} mT would do, or ", least) : "";
    return fmt::format(
        "no lock switches at any bend with less than {:.3g} mT, and field.strength_max_mT is {:g}; {}"
        "lock.magnet_Am2 of {:.3g}{}",
        least, limit, wider, lock.magnet_Am2 * least / limit, least <= most ? "" : " would do");
  }
  const double most = most_coil_field_mT(design);
  if (least > most)
    return fmt::format(
        "no lock switches at any bend with less than {:.3g} mT, and the coils make less than {:.3g} mT at "
        "any "
        "place that a lock gets to; {:.3g} times the current would do",
        least, most, least / most);
  return std::nullopt;
}

/// What no search is needed for: each sentence names a necessary condition that does not hold.
std::vector<std::string> obstacles(const Scene& scene, const Design& design, const WallDistance& wall) {
  std::vector<std::string> found;
  const double body = design.segment().radius_mm + scene.required_clearance_mm;
  const Eigen::Vector3d target_E = scene.target_point_E();
  // Within the tolerance of the target the wall is at most that much farther away than at the target.
  const double room = wall.distance(target_E) + scene.target.tolerance_mm;
  if (room < body)
    found.push_back(
        fmt::format("nowhere within the target's tolerance is the wall farther than {:.2f} mm, and the body "
                    "with its clearance needs {:.2f} mm",
                    room, body));
  // The tip of a segment pushed in by d is at most d deep, straight or bent.
  const double depth = target_E.z() - scene.target.tolerance_mm;
  if (depth > design.carriage().insertion_max_mm)
    found.push_back(
        fmt::format("the target lies {:.1f} mm deep, and the carriage pushes the tip in by {:.1f} mm at most",
                    depth, design.carriage().insertion_max_mm));
  if (const auto never = never_switches(design)) found.push_back(*never);
  if (design.field())
    if (const auto near = too_near(design)) found.push_back(sentence_of(*near, design));
  return found;
}

/// The other layouts of the scene whose locks are too near.
void report_other_layouts(const Scene& scene) {
  for (const auto& [count, layout] : scene.layouts) {
    if (count == scene.layout_in_use) continue;
    const Result<Design> design = scene.design(count);
    if (!design || !design->field()) continue;
    if (const auto near = too_near(*design))
      line(fmt::format("{} locks", count), "no plan: " + sentence_of(*near, *design));
  }
}

ExitStatus check(const Options& options) {
  Progress progress(options.quiet);
  progress.stage("reading the scene");
  const Result<Scene> scene = read_scene(options.scene);
  if (!scene) return refuse(scene.error());
  progress.stage("checking the mesh");
  const auto read = read_wall(*scene);
  if (!read) return refuse(read.error());
  const WallDistance& wall = **read;
  const Result<Design> design = scene->design(scene->layout_in_use);
  if (!design) return refuse(design.error());

  report_mesh(*scene, wall.channel());
  report_openings(*scene, wall.channel());
  progress.stage("finding the centreline");
  report_centreline(*scene, wall.channel(), compute_centreline(wall));
  report_body(*design, wall.distance(Eigen::Vector3d::Zero()));
  report_left_out(*scene);
  const std::vector<std::string> stops = obstacles(*scene, *design, wall);
  for (const std::string& why : stops) line("stops a plan", why);
  report_other_layouts(*scene);
  if (stops.empty()) line("verdict", "no fault found; run plan");
  return ExitStatus::done;
}

}  // namespace

void add_check_command(CommandLine& line) {
  auto options = std::make_shared<Options>();
  CLI::App& app = line.add("check", "Say what the channel and the scene are like, and what would stop a plan",
                           "withy check scenes/single-bend/scene.toml");
  add_option(app, "SCENE", options->scene, "scene file (TOML; lengths in mm, angles in degrees)").required();
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return check(*options); });
}

}  // namespace withy
