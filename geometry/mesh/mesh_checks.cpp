// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh_checks.h"

#include <algorithm>
#include <atomic>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <exception>
#include <iterator>
#include <limits>
#include <map>
#include <numeric>
#include <optional>
#include <set>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/orientation.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Polygon_mesh_processing/repair_degeneracies.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/self_intersections.h>
#include <CGAL/Polygon_mesh_processing/shape_predicates.h>
#include <CGAL/Polygon_mesh_processing/triangulate_hole.h>
#include <CGAL/Surface_mesh.h>
#include <Eigen/Geometry>
#include <fmt/core.h>
#include <tbb/parallel_for.h>

#include "geometry/mesh/manifold.h"
#include "geometry/mesh/self_crossing.h"
#include "geometry/mesh/surface_conversion.h"
#include "planner/effort/geometry_shares.h"

namespace PMP = CGAL::Polygon_mesh_processing;

namespace withy {
namespace {

using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Point = Kernel::Point_3;
using Surface = CGAL::Surface_mesh<Point>;
using Corners = std::array<std::size_t, 3>;

struct Soup {
  std::vector<Point> points;
  std::vector<Corners> triangles;
};

constexpr double kFar = std::numeric_limits<double>::infinity();

/// Faces of a slab in which crossings are looked for beside other slabs: few enough for many cores, and so
/// many that few faces reach into two. Chosen.
constexpr std::size_t kFacesInSlab = 100000;

/// How far a hole's boundary may stand off its fitted plane, as a share of its radius, and still be closed by
/// a triangulation in that plane (which keeps the cap flat) rather than by one in space.
constexpr double kFlatHoleShare = 0.25;

Eigen::Vector3d to_eigen(const Point& p) {
  return {p.x(), p.y(), p.z()};
}

std::string counted(std::size_t n, std::string_view one, std::string_view many) {
  return fmt::format("{} {}", n, n == 1 ? one : many);
}

Soup soup_of(const TriangleMesh& mesh) {
  Soup soup;
  soup.points.reserve(mesh.vertices.size());
  for (const Eigen::Vector3d& v : mesh.vertices) soup.points.emplace_back(v.x(), v.y(), v.z());
  soup.triangles.reserve(mesh.triangles.size());
  for (const auto& t : mesh.triangles) {
    soup.triangles.push_back(
        {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
  }
  return soup;
}

// ---- Edges of a soup
// ------------------------------------------------------------------------------------------------

/// One side of one triangle. Sorted, the sides of one edge stand together.
struct Side {
  std::size_t low, high;
  bool upward;  ///< runs from low to high
  friend bool operator<(const Side& a, const Side& b) {
    return std::tie(a.low, a.high) < std::tie(b.low, b.high);
  }
};

std::vector<Side> sorted_sides(const std::vector<Corners>& triangles) {
  std::vector<Side> sides;
  sides.reserve(3 * triangles.size());
  for (const Corners& t : triangles) {
    for (int k = 0; k < 3; ++k) {
      const std::size_t a = t[k], b = t[(k + 1) % 3];
      sides.push_back({std::min(a, b), std::max(a, b), a < b});
    }
  }
  std::sort(sides.begin(), sides.end());
  return sides;
}

struct EdgeCensus {
  std::size_t crowded = 0;                        ///< edges with three or more faces
  std::size_t crowded_low = 0, crowded_high = 0;  ///< the first of them
  std::size_t at_odds = 0;                        ///< edges whose two faces run the same way along it
};

EdgeCensus take_census(const std::vector<Corners>& triangles) {
  const std::vector<Side> sides = sorted_sides(triangles);
  EdgeCensus census;
  for (std::size_t i = 0, j; i < sides.size(); i = j) {
    for (j = i + 1; j < sides.size() && sides[j].low == sides[i].low && sides[j].high == sides[i].high;) ++j;
    if (j - i > 2) {
      if (census.crowded++ == 0) census.crowded_low = sides[i].low, census.crowded_high = sides[i].high;
    } else if (j - i == 2 && sides[i].upward == sides[i + 1].upward) {
      ++census.at_odds;
    }
  }
  return census;
}

// ---- Mending the soup
// -----------------------------------------------------------------------------------------------

void drop_repeats(Soup& soup, std::vector<std::string>& mended) {
  if (const std::size_t n = PMP::merge_duplicate_points_in_polygon_soup(soup.points, soup.triangles)) {
    mended.push_back(
        fmt::format("Merged {} that stood exactly on another.", counted(n, "vertex", "vertices")));
  }
  const std::size_t before = soup.triangles.size();
  std::erase_if(soup.triangles,
                [](const Corners& t) { return t[0] == t[1] || t[1] == t[2] || t[2] == t[0]; });
  if (const std::size_t n = before - soup.triangles.size()) {
    mended.push_back(fmt::format("Dropped {} with no area.", counted(n, "triangle", "triangles")));
  }
  if (const std::size_t n = PMP::merge_duplicate_polygons_in_polygon_soup(soup.points, soup.triangles)) {
    mended.push_back(fmt::format("Dropped {} that repeated another.", counted(n, "triangle", "triangles")));
  }
}

bool is_flat_line(const Soup& soup, const Corners& t) {
  return CGAL::collinear(soup.points[t[0]], soup.points[t[1]], soup.points[t[2]]);
}

/// Triangles squeezed to a line that merely lie on others' edges; where they are part of the surface they are
/// left for the surface's own mending, since dropping them would tear it.
void drop_lines_that_crowd_edges(Soup& soup, std::vector<std::string>& mended) {
  if (take_census(soup.triangles).crowded == 0) return;
  const auto n = std::erase_if(soup.triangles, [&](const Corners& t) { return is_flat_line(soup, t); });
  if (n > 0) mended.push_back(fmt::format("Dropped {} with no area.", counted(n, "triangle", "triangles")));
}

std::optional<MeshRefusal> fault_of_edges(const Soup& soup, const Locator& where) {
  const EdgeCensus census = take_census(soup.triangles);
  if (census.crowded == 0) return std::nullopt;
  const Point middle = CGAL::midpoint(soup.points[census.crowded_low], soup.points[census.crowded_high]);
  return refusal(MeshFault::non_manifold,
                 fmt::format("{} three or more faces, the first at {}",
                             counted(census.crowded, "edge has", "edges have"), where(to_eigen(middle))),
                 "part its sheets by withy scene MESH -o DIR, or wrap it in a new skin by --wrap MM there");
}

/// What CGAL's orientation reports.
struct OrientationLog {
  std::size_t turned = 0;
  std::vector<std::pair<std::size_t, std::size_t>> pinched;  ///< vertex, number of fans
};

struct OrientationVisitor : PMP::Default_orientation_visitor {
  OrientationLog* log = nullptr;
  void polygon_orientation_reversed(std::size_t) { ++log->turned; }
  void non_manifold_vertex(std::size_t vertex, std::size_t fans) { log->pinched.emplace_back(vertex, fans); }
};

/// Expects that no edge has three faces. Leaves the soup a manifold, or says why it can't be one.
std::optional<MeshRefusal> orient(Soup& soup, const Locator& where, std::vector<std::string>& mended) {
  const std::size_t vertices = soup.points.size();
  std::vector<Corners> given = soup.triangles;
  OrientationLog log;
  OrientationVisitor visitor;
  visitor.log = &log;
  if (!PMP::orient_polygon_soup(soup.points, soup.triangles, CGAL::parameters::visitor(visitor))) {
    // Oriented copies of the given corners: faces keep their order, so a face was turned when its corners run
    // backwards.
    std::vector<std::size_t> origin(soup.points.size());
    std::iota(origin.begin(), origin.end(), std::size_t{0});
    for (std::size_t f = 0; f < given.size(); ++f) {
      std::sort(given[f].begin(), given[f].end());
      for (const std::size_t v : soup.triangles[f]) {
        if (v < vertices) continue;
        for (const std::size_t u : given[f]) {
          if (soup.points[u] == soup.points[v]) origin[v] = u;
        }
      }
    }
    std::vector<Corners> oriented = soup.triangles;
    for (Corners& t : oriented) {
      for (std::size_t& v : t) v = origin[v];
    }
    if (const std::size_t n = take_census(oriented).at_odds) {
      return refusal(
          MeshFault::inconsistent_orientation,
          fmt::format("along {} the two faces can't agree which side is out", counted(n, "edge", "edges")),
          "wrap it in a skin that has both by withy scene MESH -o DIR --wrap MM");
    }
    const Point& p = log.pinched.empty() ? soup.points.back() : soup.points[log.pinched.front().first];
    return refusal(
        MeshFault::non_manifold,
        fmt::format("at {} parts of the surface touch in one point, the first at {}",
                    counted(std::max<std::size_t>(1, log.pinched.size()), "vertex", "vertices"),
                    where(to_eigen(p))),
        "part them by withy scene MESH -o DIR, which keeps the largest or the one at --keep-at X Y Z");
  }
  if (2 * log.turned > soup.triangles.size()) {
    // The first face set the tone; the tone should be the majority's.
    for (Corners& t : soup.triangles) std::swap(t[0], t[1]);
    log.turned = soup.triangles.size() - log.turned;
  }
  if (log.turned > 0) {
    mended.push_back(fmt::format("Turned {} that faced the other way from {} neighbours.",
                                 counted(log.turned, "triangle", "triangles"),
                                 log.turned == 1 ? "its" : "their"));
  }
  return std::nullopt;
}

// ---- Mending and checking the surface
// -------------------------------------------------------------------------------

void mend_lines(Surface& surface, std::vector<std::string>& mended) {
  std::vector<Surface::Face_index> lines;
  PMP::degenerate_faces(surface, std::back_inserter(lines));
  if (lines.empty()) return;
  PMP::remove_degenerate_faces(surface);
  mended.push_back(fmt::format("Dropped {} with no area.", counted(lines.size(), "triangle", "triangles")));
}

std::optional<MeshRefusal> fault_of_pieces(Surface& surface, const Locator& where) {
  auto [piece, made] = surface.add_property_map<Surface::Face_index, std::size_t>("f:piece", 0);
  const std::size_t pieces = PMP::connected_components(surface, piece);
  std::vector<std::size_t> size(pieces, 0);
  std::vector<Surface::Face_index> sample(pieces);
  for (const auto f : surface.faces()) {
    if (size[piece[f]]++ == 0) sample[piece[f]] = f;
  }
  surface.remove_property_map(piece);
  if (pieces == 1) return std::nullopt;
  const auto smallest = static_cast<std::size_t>(std::min_element(size.begin(), size.end()) - size.begin());
  const Point& p = surface.point(surface.target(surface.halfedge(sample[smallest])));
  return refusal(MeshFault::several_pieces,
                 fmt::format("there are {}, the smallest of {} at {}", pieces,
                             counted(size[smallest], "triangle", "triangles"), where(to_eigen(p))),
                 "take one by withy scene MESH -o DIR: the largest, or the one at --keep-at X Y Z");
}

// ---- Holes
// ----------------------------------------------------------------------------------------------------------

struct Cap {
  std::vector<Surface::Vertex_index> boundary;
  std::vector<Surface::Face_index> faces;
};

double perimeter(const Surface& surface, const std::vector<Surface::Vertex_index>& loop) {
  double sum = 0.0;
  for (std::size_t i = 0; i < loop.size(); ++i) {
    const Point& a = surface.point(loop[i]);
    const Point& b = surface.point(loop[(i + 1) % loop.size()]);
    sum += (to_eigen(a) - to_eigen(b)).norm();
  }
  return sum;
}

/// What CGAL throws on a hole that it can't close (its preconditions, in builds that check them) counts as
/// not closed.
std::vector<Surface::Face_index> fill(Surface& surface, Surface::Halfedge_index hole, std::size_t edges,
                                      double radius) {
  std::vector<Surface::Face_index> cap;
  try {
    PMP::triangulate_hole(surface, hole, std::back_inserter(cap),
                          CGAL::parameters::use_2d_constrained_delaunay_triangulation(true)
                              .use_delaunay_triangulation(true)
                              .do_not_use_cubic_algorithm(edges > shares::kLastResortEdges)
                              .threshold_distance(kFlatHoleShare * radius));
  } catch (const std::exception&) {
    cap.clear();
  }
  return cap;
}

tl::expected<std::vector<Cap>, MeshRefusal> cap_holes(Surface& surface, const Locator& where) {
  std::vector<Surface::Halfedge_index> holes;
  PMP::extract_boundary_cycles(surface, std::back_inserter(holes));
  std::vector<Cap> caps;
  for (const auto hole : holes) {
    Cap cap;
    for (const auto v : CGAL::vertices_around_face(hole, surface)) cap.boundary.push_back(v);
    const double radius = perimeter(surface, cap.boundary) / (2.0 * EIGEN_PI);
    cap.faces = fill(surface, hole, cap.boundary.size(), radius);
    if (cap.faces.empty()) {
      return tl::unexpected(
          refusal(MeshFault::hole_not_capped,
                  fmt::format("the hole of {} at {}", counted(cap.boundary.size(), "edge", "edges"),
                              where(to_eigen(surface.point(cap.boundary.front())))),
                  "cut it off flat by withy scene MESH -o DIR --cut X Y Z NX NY NZ, or close it by "
                  "--close-below MM there"));
    }
    caps.push_back(std::move(cap));
  }
  return caps;
}

// ---- Crossings
// ------------------------------------------------------------------------------------------------------

/// How far each face reaches along the longest side of the surface's box.
struct Reaches {
  std::vector<double> low;
  std::vector<double> high;

  explicit Reaches(const Surface& surface) {
    Eigen::AlignedBox3d box;
    for (const auto v : surface.vertices()) box.extend(to_eigen(surface.point(v)));
    Eigen::Index axis = 0;
    box.sizes().maxCoeff(&axis);
    low.assign(surface.num_faces(), kFar);
    high.assign(surface.num_faces(), -kFar);
    for (const auto f : surface.faces())
      for (const auto v : CGAL::vertices_around_face(surface.halfedge(f), surface)) {
        const double at = surface.point(v)[static_cast<int>(axis)];
        low[f] = std::min(low[f], at);
        high[f] = std::max(high[f], at);
      }
  }

  /// Places that part the faces into so many slabs of about as many.
  std::vector<double> parted(std::size_t slabs) const {
    std::vector<double> lows = low;
    std::vector<double> places{-kFar};
    for (std::size_t s = 1; s < slabs; ++s) {
      const auto at = lows.begin() + static_cast<std::ptrdiff_t>(s * lows.size() / slabs);
      std::nth_element(lows.begin(), at, lows.end());
      places.push_back(*at);
    }
    places.push_back(kFar);
    return places;
  }
};

/// Do any two faces cross? Faces that do have a point in common, so both reach into a slab that holds it:
/// slabs are looked at side by side, each with all faces that reach into it.
bool faces_cross(const Surface& surface) {
  const std::size_t slabs = surface.number_of_faces() / kFacesInSlab + 1;
  if (slabs == 1 || surface.has_garbage()) return PMP::does_self_intersect(surface);
  const Reaches reaches(surface);
  const std::vector<double> places = reaches.parted(slabs);
  std::atomic<bool> found = false;
  tbb::parallel_for(std::size_t{0}, slabs, [&](std::size_t s) {
    if (found) return;
    std::vector<Surface::Face_index> faces;
    for (const auto f : surface.faces())
      if (reaches.high[f] >= places[s] && reaches.low[f] <= places[s + 1]) faces.push_back(f);
    if (PMP::does_self_intersect(faces, surface)) found = true;
  });
  return found;
}

using FacePair = std::pair<Surface::Face_index, Surface::Face_index>;

Eigen::Vector3d middle_of(const Surface& surface, Surface::Face_index f) {
  Eigen::Vector3d sum = Eigen::Vector3d::Zero();
  for (const auto v : CGAL::vertices_around_face(surface.halfedge(f), surface))
    sum += to_eigen(surface.point(v));
  return sum / 3.0;
}

MeshRefusal crossing_refusal(const Surface& surface, std::size_t faces_read, const Locator& where) {
  std::vector<FacePair> pairs;
  PMP::self_intersections(surface, std::back_inserter(pairs),
                          CGAL::parameters::maximum_number(shares::kCrossingsCounted));
  const auto read = [&](Surface::Face_index f) { return static_cast<std::size_t>(f) < faces_read; };
  const auto ours = std::find_if(pairs.begin(), pairs.end(),
                                 [&](const FacePair& p) { return read(p.first) && read(p.second); });
  if (ours == pairs.end()) {
    const auto& [f, g] = pairs.front();
    return refusal(MeshFault::hole_not_capped,
                   fmt::format("the face that would close it crosses the mesh at {}",
                               where(middle_of(surface, read(f) ? f : g))),
                   "cut it off flat by withy scene MESH -o DIR --cut X Y Z NX NY NZ, or close it by "
                   "--close-below MM there");
  }
  const auto n = std::count_if(pairs.begin(), pairs.end(),
                               [&](const FacePair& p) { return read(p.first) && read(p.second); });
  return refusal(
      MeshFault::self_crossing,
      fmt::format("{}{}, the first at {}", pairs.size() < shares::kCrossingsCounted ? "" : "at least ",
                  counted(static_cast<std::size_t>(n), "pair of faces", "pairs of faces"),
                  where(middle_of(surface, ours->first))),
      "mend it by withy scene MESH -o DIR, with --wrap MM where that is not enough");
}

// ---- Back to plain triangles
// ----------------------------------------------------------------------------------------

TriangleMesh mesh_of(const Surface& surface) {
  TriangleMesh mesh;
  mesh.vertices.reserve(surface.number_of_vertices());
  for (const auto v : surface.vertices()) mesh.vertices.push_back(to_eigen(surface.point(v)));
  mesh.triangles.reserve(surface.number_of_faces());
  for (const auto f : surface.faces()) {
    std::array<int, 3> t{};
    int k = 0;
    for (const auto v : CGAL::vertices_around_face(surface.halfedge(f), surface))
      t[k++] = static_cast<int>(v);
    mesh.triangles.push_back(t);
  }
  return mesh;
}

CappedHole plain(const Cap& cap) {
  CappedHole hole;
  for (const auto v : cap.boundary) hole.boundary.push_back(static_cast<int>(v));
  for (const auto f : cap.faces) hole.faces.push_back(static_cast<int>(f));
  return hole;
}

std::optional<MeshRefusal> fault_of_numbers(const TriangleMesh& mesh) {
  if (mesh.triangles.empty()) {
    return refusal(MeshFault::empty, "", "give a mesh with at least one triangle");
  }
  const auto n = std::count_if(mesh.vertices.begin(), mesh.vertices.end(),
                               [](const Eigen::Vector3d& v) { return !v.allFinite(); });
  if (n > 0) {
    return refusal(MeshFault::not_finite, counted(static_cast<std::size_t>(n), "vertex", "vertices"),
                   "export the mesh again with finite coordinates");
  }
  return std::nullopt;
}

MeshRefusal nothing_left() {
  return refusal(MeshFault::degenerate, "", "enlarge it by withy scene MESH -o DIR --scale FACTOR");
}

/// A manifold surface, as it stands or once its triangles are mended.
tl::expected<Surface, MeshRefusal> manifold_surface(const TriangleMesh& mesh, const Locator& where,
                                                    std::vector<std::string>& mended) {
  if (manifold_borders(mesh)) return surface_of_faces<Surface>(mesh);
  Soup soup = soup_of(mesh);
  drop_repeats(soup, mended);
  if (std::all_of(soup.triangles.begin(), soup.triangles.end(),
                  [&](const Corners& t) { return is_flat_line(soup, t); })) {
    return tl::unexpected(nothing_left());
  }
  drop_lines_that_crowd_edges(soup, mended);
  if (auto fault = fault_of_edges(soup, where)) return tl::unexpected(std::move(*fault));
  if (auto fault = orient(soup, where, mended)) return tl::unexpected(std::move(*fault));
  PMP::remove_isolated_points_in_polygon_soup(soup.points, soup.triangles);
  Surface surface;
  PMP::polygon_soup_to_polygon_mesh(soup.points, soup.triangles, surface);
  return surface;
}

/// A manifold surface of one piece, not yet closed.
tl::expected<Surface, MeshRefusal> mended_surface(const TriangleMesh& mesh, const Locator& where,
                                                  std::vector<std::string>& mended) {
  if (auto fault = fault_of_numbers(mesh)) return tl::unexpected(std::move(*fault));
  auto surface = manifold_surface(mesh, where, mended);
  if (!surface) return surface;
  mend_lines(*surface, mended);
  surface->collect_garbage();
  if (surface->number_of_faces() == 0) return tl::unexpected(nothing_left());
  if (auto fault = fault_of_pieces(*surface, where)) return tl::unexpected(std::move(*fault));
  return surface;
}

}  // namespace

std::string_view sentence(MeshFault fault) {
  switch (fault) {
    case MeshFault::empty:
      return "the mesh has no triangles";
    case MeshFault::not_finite:
      return "the mesh has coordinates that are not finite numbers";
    case MeshFault::degenerate:
      return "the mesh has no triangle with an area";
    case MeshFault::non_manifold:
      return "the mesh is not the skin of a solid";
    case MeshFault::self_crossing:
      return "faces of the mesh cross one another";
    case MeshFault::several_pieces:
      return "the mesh is in several pieces";
    case MeshFault::inconsistent_orientation:
      return "the mesh has no inside and outside";
    case MeshFault::hole_not_capped:
      return "a hole of the mesh can't be closed";
    case MeshFault::no_entry:
      return "the mesh has no opening at the entry point";
    case MeshFault::entry_off_plane:
      return "the opening lies beyond the entry plane";
    case MeshFault::axis_points_out:
      return "the entry axis does not point into the lumen";
  }
  return "";
}

MeshRefusal refusal(MeshFault fault, const std::string& detail, std::string remedy) {
  std::string problem(sentence(fault));
  if (!detail.empty()) problem += ": " + detail;
  return {fault, std::move(problem), std::move(remedy)};
}

bool crosses_itself(const TriangleMesh& mesh) {
  return faces_cross(surface_of_faces<Surface>(mesh));
}

tl::expected<SoundSurface, MeshRefusal> make_sound(const TriangleMesh& mesh, const Locator& where) {
  SoundSurface sound;
  auto surface = mended_surface(mesh, where, sound.mended);
  if (!surface) return tl::unexpected(std::move(surface.error()));
  const std::size_t faces_read = surface->number_of_faces();
  auto caps = cap_holes(*surface, where);
  if (!caps) return tl::unexpected(std::move(caps.error()));
  if (faces_cross(*surface)) return tl::unexpected(crossing_refusal(*surface, faces_read, where));
  if (!PMP::is_outward_oriented(*surface)) {
    PMP::reverse_face_orientations(*surface);
    sound.mended.push_back("Turned the whole surface right side out (its faces pointed into the lumen).");
  }
  sound.mesh = mesh_of(*surface);
  for (const Cap& cap : *caps) sound.holes.push_back(plain(cap));
  return sound;
}

}  // namespace withy
