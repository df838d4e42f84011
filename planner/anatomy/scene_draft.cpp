// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/anatomy/scene_draft.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>

#include <fmt/core.h>

#include "geometry/channel/sound_wall.h"
#include "geometry/numbers/numbers.h"
#include "planner/anatomy/hardware_draft.h"
#include "planner/files/words.h"
#include "planner/scene/scene_of_text.h"

namespace withy {
namespace {

using Eigen::Vector3d;

constexpr const char* kMoreBudget = "give a larger --budget";
/// Smaller than this the hardware is no such hardware any more: the unit is wrong.
constexpr double kLeastScale = 0.05;
constexpr double kTargetTolerance_mm = 2.0;
/// Places that agree to this are one.
constexpr double kSameTarget_mm = 1e-4;
/// An opening's rim must be flat to kOpeningPlaneTolerance_mm; it is cut where it is not to well within that.
constexpr double kMostSpread_mm = 0.8 * kOpeningPlaneTolerance_mm;
/// A hole of a radius stays open where holes below so much of it are closed.
constexpr double kStaysOpen = 0.9;

tl::unexpected<PlaceProblem> no_scene(std::string problem, std::string remedy) {
  return tl::unexpected(PlaceProblem{std::move(problem), std::move(remedy)});
}

std::string spoken(const Vector3d& p) {
  const Vector3d r = (p.array() * 1000.0).round() / 1000.0 + 0.0;
  return fmt::format("({:.3f}, {:.3f}, {:.3f}) mm", r.x(), r.y(), r.z());
}

/// A cut that opens a closed mesh, as the option that makes it.
std::string proposed_cut(const TriangleMesh& mesh) {
  const auto cut = end_cut(mesh);
  if (!cut) return "--cut X Y Z NX NY NZ, a point in the lumen near that end and the direction out of it";
  const Vector3d& p = cut->point;
  const Vector3d& n = cut->normal;
  return fmt::format("--cut {:.6g} {:.6g} {:.6g} {:.3f} {:.3f} {:.3f}", p.x() + 0.0, p.y() + 0.0, p.z() + 0.0,
                     n.x() + 0.0, n.y() + 0.0, n.z() + 0.0);
}

std::string box_words(const DraftSettings& settings) {
  return settings.cropped ? "the --crop box" : "the volume";
}

bool is_among(const std::vector<Rim>& rims, const Rim& rim) {
  return std::any_of(rims.begin(), rims.end(), [&](const Rim& other) { return other.centre == rim.centre; });
}

/// What goes round an edge of a box is no end of the lumen: the box cuts it there. Nor is an uneven rim along
/// a face of it. Empty for any other rim.
std::string box_fault(const Repaired& repaired, const Rim& rim, const DraftSettings& settings) {
  if (is_among(repaired.round_edge, rim))
    return fmt::format("goes round an edge of {}, which cuts the lumen there", box_words(settings));
  if (rim.spread_mm > kMostSpread_mm && is_among(repaired.partly_on_box, rim))
    return fmt::format(
        "lies along a face of {} for a part only: that face meets an end of the surface there, or a hole in "
        "it",
        box_words(settings));
  return {};
}

std::string edge_remedy(const DraftSettings& settings) {
  return std::string(
             settings.cropped
                 ? "move or widen --crop X0 Y0 Z0 X1 Y1 Z1 so that each end of the lumen lies on one of its "
                   "faces"
                 : "give --crop X0 Y0 Z0 X1 Y1 Z1, a box within the volume, so that each end of the lumen "
                   "lies on one of its faces") +
         ", or cut that end off by --cut X Y Z NX NY NZ";
}

/// What to do about lengths that are not in mm.
std::string unit_words(const DraftSettings& settings) {
  return settings.has_unit ? "--unit or --scale if the mesh is not in mm"
                           : "--scale if the volume's header is not in mm";
}

/// What to do about a wall that make_sound or make_wall refuses, by this program.
std::string remedy_of(const MeshRefusal& refusal, const Repaired& repaired, const DraftSettings& settings) {
  switch (refusal.fault) {
    case MeshFault::hole_not_capped:
      for (const Rim& rim : repaired.openings)
        if (const std::string fault = box_fault(repaired, rim, settings); !fault.empty())
          return fmt::format("{}; the opening at {} {}", edge_remedy(settings), spoken(rim.centre), fault);
      return std::string(
                 "cut the opening flat there by --cut X Y Z NX NY NZ, or close it by --close-below MM") +
             (settings.volume ? ", or widen --range so that the lumen's noise lies in it" : "");
    case MeshFault::self_crossing:
    case MeshFault::non_manifold:
      return "wrap the mesh by --wrap MM, the width of the gaps to close";
    case MeshFault::several_pieces:
      return "take one piece by --keep-at X Y Z";
    case MeshFault::no_entry:
    case MeshFault::entry_off_plane:
    case MeshFault::axis_points_out:
      return "give " + unit_words(settings) +
             ", or name another opening by --entry opening:N, or cut the end off farther in, square to the "
             "lumen, by --cut X Y Z NX NY NZ";
    case MeshFault::degenerate:
      return "enlarge the mesh by --scale FACTOR";
    case MeshFault::inconsistent_orientation:
      return "wrap the mesh in a skin that has an inside and an outside by --wrap MM, the width of the gaps "
             "to close";
    default:
      return refusal.remedy;
  }
}

PlaceProblem no_wall(const MeshRefusal& refusal, const Repaired& repaired, const DraftSettings& settings) {
  const bool of_entry = refusal.fault == MeshFault::no_entry || refusal.fault == MeshFault::entry_off_plane ||
                        refusal.fault == MeshFault::axis_points_out;
  return {(of_entry ? settings.entry + " is no entry: " : std::string()) + refusal.problem,
          remedy_of(refusal, repaired, settings)};
}

/// Openings that were closed for being small, where one is missed.
std::string closed_words(const Repaired& repaired) {
  if (repaired.closed_holes == 0) return {};
  return fmt::format("; {} with a radius of up to {:.3g} mm {} closed",
                     count_of(repaired.closed_holes, "hole"), repaired.closed_radius_mm,
                     repaired.closed_holes == 1 ? "was" : "were");
}

/// What keeps such holes open.
std::string open_words(const Repaired& repaired, const DraftSettings& settings) {
  if (repaired.closed_holes == 0) return {};
  return fmt::format("{}, or --close-below {:.2g} to keep {} open", unit_words(settings),
                     kStaysOpen * repaired.closed_radius_mm,
                     repaired.closed_holes == 1 ? "it" : "the largest");
}

PlaceProblem no_opening(const Repaired& repaired, const DraftSettings& settings) {
  if (repaired.closed_holes > 0)
    return {"no opening is left to go in by" + closed_words(repaired),
            "give " + open_words(repaired, settings)};
  if (!repaired.closed_by_wrap.empty()) {
    const double radius_mm = repaired.closed_by_wrap.front().radius_mm;
    return {
        fmt::format("no opening is left to go in by: the mesh had {}, and the wrap closed {}",
                    count_of(repaired.loops_given, "boundary loop"),
                    repaired.loops_given == 1 ? "it" : "all of them"),
        fmt::format(
            "open an end, for instance by {}; or keep the longest one, with a radius of {:.3g} mm, by "
            "--wrap {:.2g} and --close-below {:.2g} or less",
            proposed_cut(repaired.wall), radius_mm, kStaysOpen * 2.0 * radius_mm, kStaysOpen * radius_mm)};
  }
  return {settings.body ? "the lumen in the body is closed: there is no opening to go in by"
                        : "the mesh is closed: there is no opening to go in by",
          fmt::format("open an end, for instance by {}{}", proposed_cut(repaired.wall),
                      settings.body ? "" : "; or give --body if the mesh is a solid block round the lumen")};
}

PlaceProblem no_such_opening(const Repaired& repaired, const DraftSettings& settings, std::size_t count) {
  const std::string closed = open_words(repaired, settings);
  return {fmt::format("--entry {} is none of the {}", settings.entry, count_of(count, "opening")) +
              closed_words(repaired),
          (count == 1 ? std::string("give --entry opening:1")
                      : fmt::format("give --entry opening:N with N from 1 to {}", count)) +
              (closed.empty() ? closed : ", or " + closed)};
}

/// The rim of an opening.
const Rim& rim_at(const Repaired& repaired, const Vector3d& centre) {
  return *std::min_element(
      repaired.openings.begin(), repaired.openings.end(),
      [&](const Rim& a, const Rim& b) { return (a.centre - centre).norm() < (b.centre - centre).norm(); });
}

/// An entry whose rim no trim made flat.
PlaceProblem uneven_entry(const Repaired& repaired, const DraftSettings& settings, const Mouth& mouth) {
  const std::string fault = box_fault(repaired, rim_at(repaired, mouth.centre_S), settings);
  return {
      fmt::format("the rim of {} at {} is uneven by {:.2f} mm{}", settings.entry, spoken(mouth.centre_S),
                  mouth.spread_mm, fault.empty() ? fault : ": it " + fault),
      fault.empty()
          ? std::string(
                "name another opening by --entry opening:N, or cut this one flat farther in by --cut X Y Z "
                "NX NY NZ, a point in the lumen and the direction out of it")
          : edge_remedy(settings)};
}

/// Trims and openings that a box makes uneven, with their openings' numbers.
void note_ends(Repaired& repaired, const std::vector<Mouth>& mouths, const DraftSettings& settings) {
  const auto number_at = [&](const Vector3d& centre) {
    const auto nearest = std::min_element(mouths.begin(), mouths.end(), [&](const Mouth& a, const Mouth& b) {
      return (a.centre_S - centre).norm() < (b.centre_S - centre).norm();
    });
    return static_cast<int>(nearest - mouths.begin()) + 1;
  };
  for (const TrimmedEnd& end : repaired.trimmed)
    repaired.done.push_back(
        fmt::format("Cut up to {:.2f} mm off opening {}, now at {}, so that its rim is flat.", end.taken_mm,
                    number_at(end.centre), spoken(end.centre)));
  for (const Rim& rim : repaired.openings)
    if (const std::string fault = box_fault(repaired, rim, settings); !fault.empty())
      repaired.done.push_back(fmt::format("Opening {}, at {}, {}: {}.", number_at(rim.centre),
                                          spoken(rim.centre), fault, edge_remedy(settings)));
}

/// An opening, its number, and the whole surface.
struct NumberedMouth {
  Mouth mouth;
  int number = 0;
  SoundSurface sound_S;
};

/// The opening that the entry is, its rim flat.
tl::expected<NumberedMouth, PlaceProblem> entry_mouth(Repaired& repaired, const DraftSettings& settings) {
  if (repaired.openings.empty()) return tl::unexpected(no_opening(repaired, settings));
  auto sound = make_sound(repaired.wall, spoken);
  if (!sound) return no_scene(sound.error().problem, remedy_of(sound.error(), repaired, settings));
  const std::vector<Mouth> mouths = mouths_of(*sound);
  note_ends(repaired, mouths, settings);
  const auto name = parse_place(settings.entry);
  if (!name || name->kind != PlaceName::Kind::opening || name->number > static_cast<int>(mouths.size()))
    return tl::unexpected(no_such_opening(repaired, settings, mouths.size()));
  const Mouth& wanted = mouths[static_cast<std::size_t>(name->number - 1)];
  if (wanted.spread_mm > kMostSpread_mm) return tl::unexpected(uneven_entry(repaired, settings, wanted));
  return NumberedMouth{wanted, name->number, std::move(*sound)};
}

std::string point_text(const Vector3d& exact) {
  const Vector3d p = (exact.array() * 1e6).round() / 1e6 + 0.0;
  return fmt::format("[{}, {}, {}]", draft_number(p.x()), draft_number(p.y()), draft_number(p.z()));
}

/// Every digit, so that the entry frame stays in the rim's plane; what is rounding beside it is 0.
std::string exact_text(const Vector3d& exact) {
  constexpr double kRounding = 1e-12;
  const Vector3d p = (exact.array().abs() < kRounding).select(0.0, exact);
  return fmt::format("[{}, {}, {}]", p.x(), p.y(), p.z());
}

std::string head(const DraftSettings& settings) {
  std::string title;
  for (const char c : settings.title) title += c == '"' || c == '\\' ? '\'' : c;
  return fmt::format(
      "# Made by withy scene. Entry and target are its proposals, the hardware is common practice of a "
      "bench:\n"
      "# edit them to what you have. withy check says what the scene is like, withy plan what it can do.\n"
      "title = \"{}\"\n\n"
      "[channel]\nmesh = \"{}\"       # seen from this file's folder\nunit = \"mm\"\n"
      "outlets = \"closed\"         # open: a body may come up to the openings other than the entry\n\n",
      title, settings.mesh_name);
}

std::string entry_table(const DraftSettings& settings, const Entry& entry) {
  const Eigen::Isometry3d& X = entry.X_SE;
  return fmt::format(
      "[entry]                    # {0}; at = \"{0}\" instead of the four keys says the same\n"
      "point_mm = {1}\naxis = {2}  # into the lumen; the carriage advances along it\nx_axis = {3}\n"
      "opening_radius_mm = {4}\n\n",
      settings.entry, exact_text(X.translation()), exact_text(X.linear().col(2)),
      exact_text(X.linear().col(0)), draft_number(std::ceil(entry.opening_radius_mm * 1000.0) / 1000.0));
}

/// A target by its name, and whether the scene's own body finds the same place by it.
struct DraftTarget {
  NamedPlace place;
  bool by_name = true;
};

std::string target_table(const DraftSettings& settings, const DraftTarget& target, const Vector3d& target_S) {
  return fmt::format(
      "[target]                   # {0}; {1}\n{2}point_mm = {3}\ntolerance_mm = {4}\n\n", settings.target,
      target.by_name
          ? fmt::format("at = \"{}\" instead of point_mm says the same", settings.target)
          : std::string(
                "found for a body that fits the entry, so by its name it lies elsewhere for this one"),
      target.place.note.empty() ? std::string() : "# " + target.place.note + "\n", point_text(target_S),
      draft_number(kTargetTolerance_mm));
}

/// A point of the middle lines: branch, and number on it.
struct LinePoint {
  std::size_t branch = 0;
  std::size_t point = 0;
};

std::optional<LinePoint> nearest_on_lines(const Centreline& centreline, const Vector3d& p_E) {
  std::optional<LinePoint> nearest;
  double least = kInfinity;
  for (std::size_t b = 0; b < centreline.branches.size(); ++b)
    for (std::size_t i = 0; i < centreline.branches[b].points.size(); ++i)
      if (const double d = (centreline.branches[b].points[i].p_E - p_E).norm(); d < least)
        least = d, nearest = LinePoint{b, i};
  return nearest;
}

/// What a tip of hardware of some scale needs about it.
double draft_room_mm(double scale) {
  return scale * kDraftBodyRadius_mm + kDraftClearance_mm;
}

/// The way to a point of the middle lines, as far as so deep.
const WayIn& way_before(const Centreline& centreline, const std::vector<std::vector<WayIn>>& ways,
                        LinePoint at, double depth_mm) {
  while (ways[at.branch][at.point].depth_mm > depth_mm) {
    if (at.point > 0) {
      --at.point;
      continue;
    }
    const CentrelineBranch& branch = centreline.branches[at.branch];
    if (branch.parent < 0) break;
    at.branch = static_cast<std::size_t>(branch.parent);
    const auto& points = centreline.branches[at.branch].points;
    const auto past = std::find_if(points.begin(), points.end(), [&](const CentrelinePoint& q) {
      return q.station_mm > branch.parent_station_mm + 1e-9;
    });
    at.point = static_cast<std::size_t>(std::max<std::ptrdiff_t>(past - points.begin() - 1, 0));
  }
  return ways[at.branch][at.point];
}

/// The point of the middle lines before a place of theirs: the one beyond it is no part of the way there.
std::optional<LinePoint> last_before(const Centreline& centreline, const Vector3d& p_E) {
  auto at = nearest_on_lines(centreline, p_E);
  if (!at || at->point == 0) return at;
  const auto& points = centreline.branches[at->branch].points;
  const Vector3d& nearest_E = points[at->point].p_E;
  if ((p_E - nearest_E).dot(nearest_E - points[at->point - 1].p_E) < 0.0) --at->point;
  return at;
}

/// The way to a target near the middle lines: along them, and the room about the target itself. Near an end
/// the wall leaves a tip of that scale no more than it needs, which is no narrow place of the way.
WayToTarget way_to(const SceneDraft& draft, const Entry& entry, const Vector3d& target_E, double tip_scale) {
  constexpr double kRounding_mm = 1e-6;
  const double room = draft.wall->distance(Vector3d::Zero());
  WayToTarget way{target_E.norm(), room, entry.X_SE.translation(), room};
  const auto ways = ways_in(draft.centreline);
  const auto at = last_before(draft.centreline, target_E);
  if (!at) return way;
  const WayIn& end = ways[at->branch][at->point];
  way.depth_mm = std::max(end.depth_mm, target_E.z());
  if (const double about = draft.wall->distance(target_E); about < draft_room_mm(tip_scale) - kRounding_mm)
    way.at_target_mm = about;
  const auto before = [&](double last_mm) -> const WayIn& {
    return way_before(draft.centreline, ways, *at, end.depth_mm - last_mm);
  };
  if (const WayIn& body = before(draft_room_mm(tip_scale)); body.narrowest_mm < way.narrowest_mm) {
    way.narrowest_mm = body.narrowest_mm;
    way.narrowest_S = entry.X_SE * body.narrowest_E;
  }
  way.for_locks_mm = std::min(room, before(kLocklessShare * draft_length_mm(way.depth_mm)).narrowest_mm);
  return way;
}

/// The target, the way to it and the hardware's scale.
struct Aim {
  DraftTarget target;
  WayToTarget way;
  double scale = 1.0;
};

/// The place that the target's name means to a body that fits the entry; where the way there takes a thinner
/// one, the place that the name means to that, if the way to it is no narrower.
tl::expected<Aim, PlaceProblem> aim_at(const SceneDraft& draft, const Entry& entry, double entry_scale,
                                       const DraftSettings& settings) {
  const auto place_for = [&](double scale) {
    return target_place(settings.target, *draft.wall, draft.centreline, draft_room_mm(scale), entry.X_SE);
  };
  auto place = place_for(entry_scale);
  if (!place)
    return no_scene(place.error().problem, "name another place by --target, or another entry by --entry");
  Aim aim{{std::move(*place)}, {}, 1.0};
  aim.way = way_to(draft, entry, aim.target.place.p_E, entry_scale);
  aim.scale = hardware_scale(aim.way);
  if (aim.scale == entry_scale || aim.scale < kLeastScale) return aim;
  const auto again = place_for(aim.scale);
  aim.target.by_name = again && (again->p_E - aim.target.place.p_E).norm() < kSameTarget_mm;
  if (!again || aim.target.by_name) return aim;
  const WayToTarget way = way_to(draft, entry, again->p_E, aim.scale);
  if (hardware_scale(way) < aim.scale) return aim;
  return Aim{{*again, true}, way, aim.scale};
}

/// Hardware that is scaled down is noted; too small it is none.
tl::expected<double, PlaceProblem> noted_scale(const WayToTarget& way, double scale,
                                               const DraftSettings& settings,
                                               std::vector<std::string>& done) {
  if (scale < kLeastScale)
    return no_scene(
        fmt::format("the way from {} to {} has {:.3f} mm of room for a body, {}", settings.entry,
                    settings.target, std::min(way.narrowest_mm, way.at_target_mm),
                    way.at_target_mm < way.narrowest_mm ? "at its end" : "at " + spoken(way.narrowest_S)),
        "name another place by --target, for instance deepest, or give " + unit_words(settings));
  if (scale < 1.0)
    done.push_back(fmt::format(
        "The way to the target has {:.2f} mm of room at its narrowest, at {}, {:.2f} mm where "
        "locks come to{}, so the hardware is drawn at {:.2f} of its usual size, the body's radius "
        "{:.2f} mm.",
        way.narrowest_mm, spoken(way.narrowest_S), way.for_locks_mm,
        way.at_target_mm < kInfinity ? fmt::format(" and {:.2f} mm at its end", way.at_target_mm)
                                     : std::string(),
        scale, scale * kDraftBodyRadius_mm));
  return scale;
}

/// What no scene may hold: the lumen is far larger than any bench, or lies far from its origin.
PlaceProblem beyond_range(const InputError& error, const DraftSettings& settings) {
  constexpr std::string_view kGive = "give ";
  const bool gives = error.remedy.starts_with(kGive);
  return {"no scene holds such a lumen: " + error.problem +
              (gives ? ", where it takes " + error.remedy.substr(kGive.size()) : std::string()),
          fmt::format("give {}; what lies farther than 10 m from the origin has to be moved to it by the "
                      "program that the {} comes from",
                      unit_words(settings), settings.has_unit ? "mesh" : "volume")};
}

}  // namespace

tl::expected<SceneDraft, PlaceProblem> draft_scene(Repaired given, DraftSettings settings) {
  Repaired repaired = flatten_ends(std::move(given), kMostSpread_mm, settings.effort);
  if (settings.effort.cut_short()) return no_scene("cutting ends flat took all of the budget", kMoreBudget);
  auto found = entry_mouth(repaired, settings);
  if (!found) return tl::unexpected(found.error());
  settings.entry = fmt::format("opening:{}", found->number);
  const Entry entry = entry_by(found->mouth, across(found->mouth.inward_S));
  // One call of trees, which nothing can end midway.
  auto wall = make_wall(std::move(found->sound_S), entry, Outlets::closed);
  if (!wall) return tl::unexpected(no_wall(wall.error(), repaired, settings));
  SceneDraft draft{{}, std::move(repaired.wall), {}, std::move(*wall), {}, std::move(repaired.done)};
  for (const TrimmedEnd& end : repaired.trimmed) draft.trimmed_mm = std::max(draft.trimmed_mm, end.taken_mm);
  const double room = draft.wall->distance(Vector3d::Zero());
  const double scale = hardware_scale({0.0, room, entry.X_SE.translation(), room});
  if (scale < kLeastScale)
    return no_scene(fmt::format("{} has {:.3f} mm of room for a body", settings.entry, room),
                    "name a wider opening by --entry opening:N, or give " + unit_words(settings));
  draft.centreline = compute_centreline(*draft.wall, {.effort = settings.effort});
  if (settings.effort.cut_short())
    return no_scene("finding the middle line took all of the budget", kMoreBudget);
  const auto aim = aim_at(draft, entry, scale, settings);
  if (!aim) return tl::unexpected(aim.error());
  const Vector3d& target_E = aim->target.place.p_E;
  if (!draft.wall->inside(target_E))
    return no_scene(fmt::format("{} is outside the lumen", settings.target),
                    "name another place by --target");
  const auto fitting = noted_scale(aim->way, aim->scale, settings, draft.done);
  if (!fitting) return tl::unexpected(fitting.error());
  draft.target_note = aim->target.place.note;
  draft.toml = head(settings) + entry_table(settings, entry) +
               target_table(settings, aim->target, entry.X_SE * target_E) + hardware_toml(*fitting, aim->way);
  auto scene = scene_in_text(draft.toml, "scene.toml");
  if (!scene) return tl::unexpected(beyond_range(scene.error(), settings));
  if (const auto fault = placing_fault(*scene, *draft.wall))
    return no_scene(fault->problem, "name another opening by --entry opening:N or another place by --target");
  draft.scene = std::move(*scene);
  return draft;
}

}  // namespace withy
