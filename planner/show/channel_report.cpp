// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/channel_report.h"

#include <algorithm>
#include <optional>
#include <string_view>

#include <fmt/core.h>

#include "geometry/channel/mouths.h"
#include "geometry/numbers/numbers.h"
#include "planner/files/plain_line.h"
#include "planner/files/shown.h"
#include "planner/scene/named_places.h"
#include "planner/scene/places.h"

namespace withy {
namespace {

using Lines = std::vector<ReportLine>;

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
    const auto corner = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    area += 0.5 * (corner(1) - corner(0)).cross(corner(2) - corner(0)).norm();
  }
  const double rim = 2.0 * std::numbers::pi * opening.radius_mm;
  return 2.0 * area / rim;
}

/// An opening that the body hardly fits through, and that is not where it goes in.
bool is_small_hole(const Scene& scene, const Channel& channel, const Opening& opening) {
  return !opening.is_entry && narrow_radius_mm(channel.mesh_E, opening) < scene.parts.segment.radius_mm;
}

void report_mesh(const Scene& scene, const Channel& channel, Lines& lines) {
  lines.push_back({"scene", scene.title});
  lines.push_back({"mesh", fmt::format("{}, in {}: {} vertices, {} triangles with its caps",
                                       scene.mesh_file.string(), unit_name(scene.mesh_unit),
                                       channel.mesh_E.vertices.size(), channel.mesh_E.triangles.size())});
  const bool torn =
      std::any_of(channel.openings.begin(), channel.openings.end(),
                  [&](const Opening& opening) { return is_small_hole(scene, channel, opening); });
  if (channel.mended.empty() && !torn) lines.push_back({"mended", "nothing, the mesh is sound as it is"});
  for (const std::string& what : channel.mended) lines.push_back({"mended", what});
}

/// The unit normal of an opening's faces, into the lumen.
Eigen::Vector3d axis_of(const Scene& scene, const Channel& channel, const Opening& opening) {
  Eigen::Vector3d area = Eigen::Vector3d::Zero();
  for (const int f : opening.faces) {
    const auto& t = channel.mesh_E.triangles[static_cast<std::size_t>(f)];
    const auto corner = [&](std::size_t k) {
      return channel.mesh_E.vertices[static_cast<std::size_t>(t[k])];
    };
    area += (corner(1) - corner(0)).cross(corner(2) - corner(0));
  }
  return scene.entry.X_SE.linear() * -area.normalized();
}

std::string spoken_axis(const Eigen::Vector3d& exact) {
  const Eigen::Vector3d d = (exact.array() * 1000.0).round() / 1000.0 + 0.0;
  return fmt::format("({:.3f}, {:.3f}, {:.3f})", d.x(), d.y(), d.z());
}

void report_openings(const Scene& scene, const Channel& channel, Lines& lines) {
  const std::vector<int> order = numbered_openings(channel);
  for (std::size_t n = 0; n < order.size(); ++n) {
    const Opening& opening = channel.openings[static_cast<std::size_t>(order[n])];
    const std::string_view kind = opening.is_entry                 ? "entry"
                                  : scene.outlets == Outlets::open ? "outlet, open"
                                                                   : "outlet, closed";
    lines.push_back(
        {"opening",
         fmt::format("{}, {}: centre {}, radius {:.2f} mm, axis {} into the lumen, {} edges", n + 1, kind,
                     spoken_point(scene.entry.X_SE * opening.centre_E), opening.radius_mm,
                     spoken_axis(axis_of(scene, channel, opening)), opening.boundary_edges)});
    if (is_small_hole(scene, channel, opening))
      lines.push_back(
          {"note", fmt::format("the body hardly fits through that one: if it is no outlet but a hole "
                               "in the mesh, withy scene MESH -o DIR --close-below {:.2g} closes it",
                               1.1 * opening.radius_mm)});
  }
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
                     spoken_point(end_S));
}

void report_branch(const Scene& scene, const Centreline& centreline, std::size_t b, Lines& lines) {
  const CentrelineBranch& branch = centreline.branches[b];
  const std::vector<CentrelinePoint> inner = inner_points(branch);
  const std::vector<CentrelinePoint> passed = passed_points(branch);
  const auto narrow = std::min_element(
      passed.begin(), passed.end(), [](const auto& q, const auto& r) { return q.radius_mm < r.radius_mm; });
  const auto bent = std::max_element(inner.begin(), inner.end(), [](const auto& q, const auto& r) {
    return q.curvature_per_mm < r.curvature_per_mm;
  });
  double mean = 0.0;
  for (const CentrelinePoint& q : inner) mean += q.radius_mm / static_cast<double>(inner.size());
  lines.push_back(
      {"centreline",
       fmt::format("branch {}, {}: {:.1f} mm long, lumen radius {:.2f} mm at {:.1f} mm, {}, and {:.2f} mm "
                   "in the mean, curvature up to {:.3f} per mm at {:.1f} mm, tortuosity {:.3f}",
                   b + 1, ends_of(scene, centreline, branch), branch.length_mm(), narrow->radius_mm,
                   narrow->station_mm, spoken_point(scene.entry.X_SE * narrow->p_E), mean,
                   bent->curvature_per_mm, bent->station_mm, branch.tortuosity())});
}

/// Middle lines, how wide the lumen is along each, how it bends.
void report_centreline(const Scene& scene, const Channel& channel, const Centreline& centreline,
                       Lines& lines) {
  if (centreline.branches.empty()) {
    lines.push_back({"centreline", fmt::format("none found: the lumen is thinner than {:.2f} mm at the entry",
                                               centreline.finest_mm)});
    return;
  }
  for (std::size_t b = 0; b < centreline.branches.size(); ++b) report_branch(scene, centreline, b, lines);
  for (const int o : centreline.missed_openings)
    lines.push_back(
        {"centreline",
         fmt::format("none found to the opening at {}: the lumen on the way is thinner than {:.2f} mm",
                     spoken_point(scene.entry.X_SE * channel.openings[static_cast<std::size_t>(o)].centre_E),
                     centreline.finest_mm)});
}

/// The extremes over all branches.
void report_extremes(const Scene& scene, const Centreline& centreline, Lines& lines) {
  const std::optional<LinePlace> narrowest = narrowest_place(centreline);
  const std::optional<LinePlace> widest = widest_place(centreline);
  const auto line = [&](const char* about, const LinePlace& place) {
    lines.push_back({about, fmt::format("radius {:.2f} mm at {}, on branch {} at {:.1f} mm",
                                        place.at.radius_mm, spoken_point(scene.entry.X_SE * place.at.p_E),
                                        place.branch + 1, place.at.station_mm)});
  };
  if (narrowest) line("narrowest", *narrowest);
  if (widest) line("widest", *widest);
}

/// How far along each branch the scene's body gets on the middle line, and how thick one gets to its end.
void report_fits(const Scene& scene, const Centreline& centreline, Lines& lines) {
  const double need = scene.parts.segment.radius_mm + scene.required_clearance_mm;
  const auto ways = ways_in(centreline);
  for (std::size_t b = 0; b < ways.size(); ++b) {
    const CentrelineBranch& branch = centreline.branches[b];
    const std::vector<CentrelinePoint> passed = passed_points(branch);
    double through = kInfinity;
    for (std::size_t i = 0; i < ways[b].size(); ++i)
      if (branch.points[i].station_mm <= passed.back().station_mm) through = ways[b][i].narrowest_mm;
    const auto stop = std::find_if(ways[b].begin(), ways[b].end(),
                                   [&](const WayIn& way) { return way.narrowest_mm < need; });
    const std::string how_far =
        stop == ways[b].end() || through >= need
            ? std::string("all the way")
            : fmt::format("to {:.1f} mm of it",
                          branch.points[static_cast<std::size_t>(stop - ways[b].begin())].station_mm);
    lines.push_back(
        {"fits",
         fmt::format(
             "branch {}: a body with its clearance of up to {:.2f} mm in radius gets to its end along "
             "the middle line; this one ({:.2f} mm) {}",
             b + 1, through, need, how_far)});
  }
}

}  // namespace

std::vector<ReportLine> channel_report(const Scene& scene, const Channel& channel,
                                       const Centreline& centreline) {
  Lines lines;
  report_mesh(scene, channel, lines);
  for (const std::string& named : named_places(scene)) lines.push_back({"place", named});
  report_openings(scene, channel, lines);
  report_centreline(scene, channel, centreline, lines);
  report_extremes(scene, centreline, lines);
  report_fits(scene, centreline, lines);
  return lines;
}

std::vector<ReportLine> body_report(const Design& design, double entry_room_mm) {
  const Segment& segment = design.segment();
  Lines lines;
  lines.push_back(
      {"body",
       fmt::format("radius {:.2f} mm, length {:.1f} mm, bends to a radius of {:.1f} mm at the tightest",
                   segment.radius_mm, segment.length_mm, 1.0 / segment.curvature_max_per_mm)});
  for (int lock = 0; lock < design.lock_count(); ++lock)
    lines.push_back(
        {"lock",
         fmt::format("{} at {:.1f} mm{}, body radius {:.2f} mm", lock + 1, design.station_mm(lock),
                     design.layout().assumed ? " (assumed: the scene gives no layout for this count)" : "",
                     design.lock().body_radius_mm)});
  lines.push_back({"entry", fmt::format("{:.2f} mm of room about the entry point", entry_room_mm)});
  return lines;
}

std::string report_text(const std::vector<ReportLine>& lines) {
  std::string text;
  for (const ReportLine& line : lines)
    text += fmt::format("{:<13}{}\n", line.about, without_controls(line.text));
  return text;
}

}  // namespace withy
