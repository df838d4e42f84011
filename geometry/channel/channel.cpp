// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/channel.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <memory>
#include <numeric>
#include <optional>
#include <string_view>
#include <utility>

#include <fmt/core.h>

#include "geometry/channel/sound_wall.h"
#include "geometry/channel/wall_distance.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// A face looks out of the entry when its normal is within 60 degrees of straight back along the advance
/// axis. Sets the skin over an opening apart from the lumen's side walls, which start there too.
constexpr double kFacesBack = -0.5;

/// Where along the advance axis "just past the entry plane" is looked at.
constexpr double kJustPast_mm[] = {0.1, 1.0};

/// Room for rounding where a boundary lies exactly on the opening radius or on the tolerance's limit.
constexpr double kRounding_mm = 1e-6;

TriangleMesh in_entry_frame(const TriangleMesh& mesh_S, const Eigen::Isometry3d& X_SE) {
  const Eigen::Isometry3d X_ES = X_SE.inverse();
  TriangleMesh mesh_E;
  mesh_E.triangles = mesh_S.triangles;
  mesh_E.vertices.reserve(mesh_S.vertices.size());
  for (const Eigen::Vector3d& v_S : mesh_S.vertices) mesh_E.vertices.push_back(X_ES * v_S);
  return mesh_E;
}

std::string spoken(const Eigen::Vector3d& p) {
  // Rounded first, and 0 added, so that a centroid's rounding does not read as "-0.000".
  const Eigen::Vector3d r = (p.array() * 1000.0).round() / 1000.0 + 0.0;
  return fmt::format("({:.3f}, {:.3f}, {:.3f}) mm", r.x(), r.y(), r.z());
}

bool near_entry(const Eigen::Vector3d& p_E, const Entry& entry) {
  return p_E.norm() <= entry.opening_radius_mm + kRounding_mm &&
         std::abs(p_E.z()) <= kOpeningPlaneTolerance_mm + kRounding_mm;
}

Eigen::Vector3d unit_normal(const TriangleMesh& mesh, const std::array<int, 3>& t) {
  const Eigen::Vector3d& a = mesh.vertices[t[0]];
  return (mesh.vertices[t[1]] - a).cross(mesh.vertices[t[2]] - a).normalized();
}

/// An opening from the edges round it; its reach along the axis is that of `vertices`.
Opening opening_of(const TriangleMesh& mesh, const std::vector<std::array<int, 2>>& edges,
                   const std::vector<int>& vertices, bool is_entry) {
  Opening opening;
  opening.is_entry = is_entry;
  opening.boundary_edges = static_cast<int>(edges.size());
  opening.centre_E = Eigen::Vector3d::Zero();
  double perimeter = 0.0;
  for (const auto& [a, b] : edges) {
    const double length = (mesh.vertices[a] - mesh.vertices[b]).norm();
    opening.centre_E += 0.5 * length * (mesh.vertices[a] + mesh.vertices[b]);
    perimeter += length;
  }
  opening.centre_E /= perimeter;
  opening.radius_mm = perimeter / (2.0 * EIGEN_PI);
  opening.z_min_mm = kInfinity;
  opening.z_max_mm = -kInfinity;
  for (const int v : vertices) {
    opening.z_min_mm = std::min(opening.z_min_mm, mesh.vertices[v].z());
    opening.z_max_mm = std::max(opening.z_max_mm, mesh.vertices[v].z());
  }
  return opening;
}

Opening opening_of(const TriangleMesh& mesh, const CappedHole& hole, bool is_entry) {
  std::vector<std::array<int, 2>> edges;
  for (std::size_t i = 0; i < hole.boundary.size(); ++i) {
    edges.push_back({hole.boundary[i], hole.boundary[(i + 1) % hole.boundary.size()]});
  }
  Opening opening = opening_of(mesh, edges, hole.boundary, is_entry);
  opening.faces = hole.faces;
  return opening;
}

/// The edges that only one of `faces` has.
std::vector<std::array<int, 2>> rim(const TriangleMesh& mesh, const std::vector<int>& faces) {
  std::vector<std::array<int, 2>> edges;
  for (const int f : faces) {
    const auto& t = mesh.triangles[f];
    for (int k = 0; k < 3; ++k) {
      const auto [low, high] = std::minmax({t[k], t[(k + 1) % 3]});
      edges.push_back({low, high});
    }
  }
  std::sort(edges.begin(), edges.end());
  std::vector<std::array<int, 2>> single;
  for (std::size_t i = 0, j; i < edges.size(); i = j) {
    for (j = i + 1; j < edges.size() && edges[j] == edges[i];) ++j;
    if (j == i + 1) single.push_back(edges[i]);
  }
  return single;
}

bool hole_is_entry(const TriangleMesh& mesh, const CappedHole& hole, const Entry& entry) {
  return std::all_of(hole.boundary.begin(), hole.boundary.end(),
                     [&](int v) { return near_entry(mesh.vertices[v], entry); });
}

/// Names the caps and the faces at the entry, and lists the openings.
void assign_roles(Channel& channel, const SoundSurface& sound, Outlets outlets) {
  const TriangleMesh& mesh = channel.mesh_E;
  channel.role.assign(mesh.triangles.size(), FaceRole::wall);
  std::vector<Opening> others;
  for (const CappedHole& hole : sound.holes) {
    const bool is_entry = hole_is_entry(mesh, hole, channel.entry);
    const FaceRole role = is_entry ? FaceRole::entry_opening
                                   : (outlets == Outlets::open ? FaceRole::open_outlet : FaceRole::wall);
    for (const int f : hole.faces) channel.role[f] = role;
    (is_entry ? channel.openings : others).push_back(opening_of(mesh, hole, is_entry));
  }
  // Caps were named above, each as a whole; what is left are the faces that were read.
  const std::size_t faces_read =
      std::accumulate(sound.holes.begin(), sound.holes.end(), mesh.triangles.size(),
                      [](std::size_t n, const CappedHole& hole) { return n - hole.faces.size(); });
  std::vector<int> skin;
  for (std::size_t f = 0; f < faces_read; ++f) {
    const auto& t = mesh.triangles[f];
    if (!std::all_of(t.begin(), t.end(), [&](int v) { return near_entry(mesh.vertices[v], channel.entry); }))
      continue;
    channel.role[f] = FaceRole::entry_opening;
    if (unit_normal(mesh, t).z() < kFacesBack) skin.push_back(static_cast<int>(f));
  }
  if (channel.openings.empty() && !skin.empty()) {
    std::vector<int> vertices;
    for (const int f : skin)
      vertices.insert(vertices.end(), mesh.triangles[f].begin(), mesh.triangles[f].end());
    channel.openings.push_back(opening_of(mesh, rim(mesh, skin), vertices, true));
    channel.openings.back().faces = skin;
  }
  channel.openings.insert(channel.openings.end(), others.begin(), others.end());
}

constexpr std::string_view kEntryRemedy =
    "put point_mm on the opening, point axis into the lumen, and make opening_radius_mm reach the opening's "
    "rim";

/// A closed mesh without faces at the entry: most often the wrong place or the wrong unit, so say where the
/// mesh is.
MeshRefusal no_skin_refusal(const Channel& channel) {
  Eigen::AlignedBox3d box_S;
  for (const Eigen::Vector3d& v_E : channel.mesh_E.vertices) box_S.extend(channel.entry.X_SE * v_E);
  return refusal(
      MeshFault::no_entry,
      fmt::format("it has no hole, and no face wholly within {:g} mm of {} and {:g} mm of the entry plane "
                  "looks back along the axis; the mesh spans {} to {}",
                  channel.entry.opening_radius_mm, spoken(channel.entry.X_SE.translation()),
                  kOpeningPlaneTolerance_mm, spoken(box_S.min()), spoken(box_S.max())),
      std::string(kEntryRemedy) + ", and check the mesh's unit");
}

/// Holes, but none is the entry: says by what the nearest one misses.
MeshRefusal no_hole_refusal(const Channel& channel, const SoundSurface& sound) {
  const TriangleMesh& mesh = channel.mesh_E;
  const auto farthest_mm = [&](const CappedHole& hole) {
    double d = 0.0;
    for (const int v : hole.boundary) d = std::max(d, mesh.vertices[v].norm());
    return d;
  };
  const auto nearest =
      std::min_element(sound.holes.begin(), sound.holes.end(),
                       [&](const auto& a, const auto& b) { return farthest_mm(a) < farthest_mm(b); });
  const Opening hole = opening_of(mesh, *nearest, false);
  const double off_plane_mm = std::max(std::abs(hole.z_min_mm), std::abs(hole.z_max_mm));
  const std::string which = fmt::format("the nearest hole, of radius {:.3f} mm about {},", hole.radius_mm,
                                        spoken(channel.entry.X_SE * hole.centre_E));
  if (off_plane_mm <= kOpeningPlaneTolerance_mm) {
    return refusal(MeshFault::no_entry,
                   fmt::format("{} reaches {:.3f} mm from point_mm, and opening_radius_mm is {:g}", which,
                               farthest_mm(*nearest), channel.entry.opening_radius_mm),
                   "put point_mm in the middle of the opening, make opening_radius_mm reach its rim, and "
                   "check the mesh's unit");
  }
  return refusal(
      MeshFault::no_entry,
      fmt::format("{} lies {:.3f} to {:.3f} mm along the axis, and the entry's may be {:g} mm off the entry "
                  "plane at most",
                  which, hole.z_min_mm, hole.z_max_mm, kOpeningPlaneTolerance_mm),
      std::string(kEntryRemedy));
}

std::optional<MeshRefusal> fault_of_entry(const Channel& channel, const SoundSurface& sound) {
  if (channel.openings.empty() || !channel.openings.front().is_entry) {
    return sound.holes.empty() ? no_skin_refusal(channel) : no_hole_refusal(channel, sound);
  }
  double beyond_mm = 0.0;
  for (const Opening& o : channel.openings) {
    if (o.is_entry) beyond_mm = std::max(beyond_mm, o.z_max_mm);
  }
  if (beyond_mm <= kEntryPlaneContact_mm) return std::nullopt;
  return refusal(MeshFault::entry_off_plane, fmt::format("by {:.4f} mm", beyond_mm),
                 fmt::format("move point_mm {:.4f} mm along axis, to {}", beyond_mm,
                             spoken(channel.entry.X_SE * Eigen::Vector3d(0.0, 0.0, beyond_mm))));
}

std::optional<MeshRefusal> fault_of_wall(const Channel& channel) {
  const auto is_wall = [](FaceRole role) { return role == FaceRole::wall; };
  if (std::any_of(channel.role.begin(), channel.role.end(), is_wall)) return std::nullopt;
  return refusal(MeshFault::no_entry, "every face lies within the opening, so that no wall is left",
                 "make opening_radius_mm that of the opening, and check the mesh's unit");
}

std::optional<MeshRefusal> fault_of_axis(const WallDistance& wall) {
  for (const double z_mm : kJustPast_mm) {
    const Eigen::Vector3d p_E(0.0, 0.0, z_mm);
    if (wall.inside(p_E)) continue;
    return refusal(MeshFault::axis_points_out,
                   fmt::format("{}, {:g} mm past the entry point, is outside",
                               spoken(wall.channel().entry.X_SE * p_E), z_mm),
                   "turn axis to point into the lumen, and put point_mm within the opening");
  }
  return std::nullopt;
}

/// The wall of a sound surface in the entry frame.
tl::expected<std::shared_ptr<const WallDistance>, MeshRefusal> wall_of(SoundSurface sound_E,
                                                                       const Entry& entry, Outlets outlets) {
  const auto channel = std::make_shared<Channel>();
  channel->mesh_E = std::move(sound_E.mesh);
  channel->mended = std::move(sound_E.mended);
  channel->entry = entry;
  assign_roles(*channel, sound_E, outlets);
  if (auto fault = fault_of_entry(*channel, sound_E)) return tl::unexpected(std::move(*fault));
  if (auto fault = fault_of_wall(*channel)) return tl::unexpected(std::move(*fault));
  auto wall = std::make_shared<const WallDistance>(channel);
  if (auto fault = fault_of_axis(*wall)) return tl::unexpected(std::move(*fault));
  return wall;
}

}  // namespace

tl::expected<std::shared_ptr<const WallDistance>, MeshRefusal> make_wall(const TriangleMesh& mesh_S,
                                                                         const Entry& entry,
                                                                         Outlets outlets) {
  auto sound = make_sound(in_entry_frame(mesh_S, entry.X_SE),
                          [&](const Eigen::Vector3d& p_E) { return spoken(entry.X_SE * p_E); });
  if (!sound) return tl::unexpected(std::move(sound.error()));
  return wall_of(std::move(*sound), entry, outlets);
}

tl::expected<std::shared_ptr<const WallDistance>, MeshRefusal> make_wall(SoundSurface sound_S,
                                                                         const Entry& entry,
                                                                         Outlets outlets) {
  const Eigen::Isometry3d X_ES = entry.X_SE.inverse();
  for (Eigen::Vector3d& v : sound_S.mesh.vertices) v = X_ES * v;
  return wall_of(std::move(sound_S), entry, outlets);
}

tl::expected<Channel, MeshRefusal> make_channel(const TriangleMesh& mesh_S, const Entry& entry,
                                                Outlets outlets) {
  const auto wall = make_wall(mesh_S, entry, outlets);
  if (!wall) return tl::unexpected(wall.error());
  return (*wall)->channel();
}

}  // namespace withy
