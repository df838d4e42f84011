// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/pieces.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <exception>
#include <iterator>
#include <limits>
#include <map>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/internal/Snapping/snap.h>
#include <CGAL/Polygon_mesh_processing/measure.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/orientation.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Polygon_mesh_processing/repair_degeneracies.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/stitch_borders.h>
#include <CGAL/Side_of_triangle_mesh.h>
#include <CGAL/Surface_mesh.h>
#include <fmt/core.h>

#include "geometry/mesh/manifold.h"
#include "geometry/mesh/surface_conversion.h"
#include "geometry/numbers/numbers.h"
#include "geometry/repair/crossings.h"
#include "planner/files/words.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;
using Soup = SurfaceSoup<Kernel::Point_3>;
using Corners = std::array<std::size_t, 3>;

void drop_repeats(Soup& soup, std::vector<std::string>& mended) {
  if (const auto n = PMP::merge_duplicate_points_in_polygon_soup(soup.points, soup.triangles))
    mended.push_back("Merged vertices that stood on another: " + std::to_string(n) + ".");
  const auto lines = std::erase_if(
      soup.triangles, [&](const Corners& t) { return t[0] == t[1] || t[1] == t[2] || t[2] == t[0]; });
  if (lines > 0) mended.push_back("Dropped triangles with no area: " + std::to_string(lines) + ".");
  if (const auto n = PMP::merge_duplicate_polygons_in_polygon_soup(soup.points, soup.triangles))
    mended.push_back("Dropped triangles that repeated another: " + std::to_string(n) + ".");
}

struct TurnedCount : PMP::Default_orientation_visitor {
  std::size_t* turned = nullptr;
  std::size_t* parted = nullptr;
  void polygon_orientation_reversed(std::size_t) const { ++*turned; }
  void non_manifold_edge(std::size_t, std::size_t, std::size_t) const { ++*parted; }
  void non_manifold_vertex(std::size_t, std::size_t) const { ++*parted; }
};

/// A vertex on a border is moved by no more than this share of the edges about it.
constexpr double kSnapShare = 1e-3;
/// Vertices of loose triangles are merged within these shares of the mean edge, the first that does.
constexpr std::array<double, 3> kWeldShares = {1e-4, 1e-3, 1e-2};
/// A mesh is loose where so large a share of its triangles' sides is shared by no other, and joined where no
/// more than the other is.
constexpr double kLooseSides = 0.5;
constexpr double kJoinedSides = 0.1;

double mean_side(const Soup& soup) {
  double sum = 0.0;
  for (const Corners& t : soup.triangles)
    for (std::size_t k = 0; k < 3; ++k)
      sum += std::sqrt(CGAL::squared_distance(soup.points[t[k]], soup.points[t[(k + 1) % 3]]));
  return sum / (3.0 * static_cast<double>(soup.triangles.size()));
}

/// The share of the triangles' sides that one triangle alone has.
double lone_sides(const std::vector<Corners>& triangles) {
  std::vector<std::pair<std::size_t, std::size_t>> sides;
  sides.reserve(3 * triangles.size());
  for (const Corners& t : triangles)
    for (std::size_t k = 0; k < 3; ++k) sides.emplace_back(std::minmax(t[k], t[(k + 1) % 3]));
  std::sort(sides.begin(), sides.end());
  std::size_t lone = 0;
  for (std::size_t i = 0; i < sides.size(); ++i)
    lone += (i == 0 || sides[i - 1] != sides[i]) && (i + 1 == sides.size() || sides[i + 1] != sides[i]);
  return static_cast<double>(lone) / static_cast<double>(std::max<std::size_t>(sides.size(), 1));
}

/// The largest coordinate, either way.
double farthest_coordinate(const std::vector<Kernel::Point_3>& points) {
  double most = 0.0;
  for (const auto& p : points)
    for (int k = 0; k < 3; ++k) most = std::max(most, std::abs(p[k]));
  return most;
}

/// For each point the first within a distance of it, which stands for it: chains do not grow. Points are
/// looked up by cubes of that size.
std::vector<std::size_t> nearby(const std::vector<Kernel::Point_3>& points, double within_mm) {
  std::map<std::array<std::int64_t, 3>, std::vector<std::size_t>> cubes;
  std::vector<std::size_t> first(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    first[i] = i;
    std::array<std::int64_t, 3> home{};
    for (int k = 0; k < 3; ++k)
      home[static_cast<std::size_t>(k)] = static_cast<std::int64_t>(std::floor(points[i][k] / within_mm));
    for (int n = 0; n < 27 && first[i] == i; ++n) {
      const auto cube = cubes.find({home[0] + n % 3 - 1, home[1] + n / 3 % 3 - 1, home[2] + n / 9 - 1});
      if (cube == cubes.end()) continue;
      for (const std::size_t j : cube->second)
        if (CGAL::squared_distance(points[i], points[j]) <= within_mm * within_mm) {
          first[i] = j;
          break;
        }
    }
    if (first[i] == i) cubes[home].push_back(i);
  }
  return first;
}

/// Merges vertices of loose triangles that nearly coincide, where that joins them. Returns how far they were
/// moved.
double weld(Soup& soup, std::vector<std::string>& mended) {
  if (soup.triangles.size() < 2 || lone_sides(soup.triangles) < kLooseSides) return 0.0;
  const double side_mm = mean_side(soup);
  const double far_mm = farthest_coordinate(soup.points);
  for (const double share : kWeldShares) {
    const double within_mm = share * side_mm;
    // Below the last place of the coordinates there is nothing between the same and another point.
    if (!(within_mm > far_mm * std::numeric_limits<double>::epsilon())) continue;
    const std::vector<std::size_t> first = nearby(soup.points, within_mm);
    std::vector<Corners> triangles = soup.triangles;
    for (Corners& t : triangles)
      for (std::size_t& v : t) v = first[v];
    if (lone_sides(triangles) > kJoinedSides) continue;
    soup.triangles = std::move(triangles);
    PMP::remove_isolated_points_in_polygon_soup(soup.points, soup.triangles);
    mended.push_back(fmt::format(
        "Joined loose triangles at vertices that stood within {:.2g} mm of one another.", within_mm));
    return within_mm;
  }
  return 0.0;
}

/// Joins borders on which vertices of one stand on edges of another. Returns how far they were moved at most.
double join_near_borders(Surface& surface, std::vector<std::string>& mended) {
  std::vector<Surface::Halfedge_index> border;
  for (const auto h : surface.halfedges())
    if (surface.is_border(h)) border.push_back(h);
  if (border.empty()) return 0.0;
  auto within = surface.add_property_map<Surface::Vertex_index, double>("v:within", 0.0).first;
  double most_mm = 0.0;
  for (const auto h : border) {
    const auto v = surface.target(h);
    double least = kInfinity;
    for (const auto round : CGAL::halfedges_around_target(v, surface))
      least = std::min(
          least, std::sqrt(CGAL::squared_distance(surface.point(surface.source(round)), surface.point(v))));
    within[v] = kSnapShare * least;
    most_mm = std::max(most_mm, within[v]);
  }
  std::size_t snapped = 0;
  try {
    snapped = PMP::experimental::snap_borders(surface, within);
  } catch (const std::exception&) {
    snapped = 0;
  }
  const auto joined = PMP::stitch_borders(surface);
  surface.remove_property_map(within);
  if (snapped == 0) return 0.0;
  surface.collect_garbage();
  mended.push_back(fmt::format(
      "Joined borders where vertices stood on the edges of others: {} vertices, {} edges.", snapped, joined));
  return most_mm;
}

/// The surface of any triangles, turned and parted where that makes it one. `joined_mm` is that of
/// oriented_surface.
Surface surface_of_soup(const TriangleMesh& mesh, std::vector<std::string>& mended, double* joined_mm) {
  Soup soup(mesh);
  drop_repeats(soup, mended);
  if (joined_mm) {
    *joined_mm = weld(soup, mended);
    if (*joined_mm > 0.0) drop_repeats(soup, mended);
  }
  std::size_t turned = 0;
  std::size_t parted = 0;
  TurnedCount count;
  count.turned = &turned;
  count.parted = &parted;
  PMP::orient_polygon_soup(soup.points, soup.triangles, CGAL::parameters::visitor(count));
  turned = std::min(turned, soup.triangles.size() - std::min(turned, soup.triangles.size()));
  if (turned > 0)
    mended.push_back(
        "Turned triangles that faced the other way from their neighbours: " + std::to_string(turned) + ".");
  if (parted > 0)
    mended.push_back("Parted the surface where more than two sheets meet: " + std::to_string(parted) +
                     " edges and vertices.");
  PMP::remove_isolated_points_in_polygon_soup(soup.points, soup.triangles);
  Surface surface;
  PMP::polygon_soup_to_polygon_mesh(soup.points, soup.triangles, surface);
  return surface;
}

/// Is a mesh an oriented manifold, and not a loose one?
bool is_sound_as_it_is(const TriangleMesh& mesh) {
  const auto borders = manifold_borders(mesh);
  return borders &&
         static_cast<double>(*borders) < kLooseSides * 3.0 * static_cast<double>(mesh.triangles.size());
}

/// `joined_mm`: where it is given, borders that nearly coincide are joined, and it becomes how far vertices
/// were moved.
Surface oriented_surface(const TriangleMesh& mesh, std::vector<std::string>& mended,
                         double* joined_mm = nullptr) {
  if (joined_mm) *joined_mm = 0.0;
  Surface surface =
      is_sound_as_it_is(mesh) ? surface_of_faces<Surface>(mesh) : surface_of_soup(mesh, mended, joined_mm);
  if (const auto n = PMP::stitch_borders(surface))
    mended.push_back("Joined borders that coincide: " + std::to_string(n) + " edges.");
  if (joined_mm) *joined_mm += join_near_borders(surface, mended);
  std::vector<Surface::Face_index> lines;
  PMP::degenerate_faces(surface, std::back_inserter(lines));
  if (!lines.empty()) {
    PMP::remove_degenerate_faces(surface);
    mended.push_back("Dropped triangles with no area: " + std::to_string(lines.size()) + ".");
  }
  surface.collect_garbage();
  return surface;
}

MeshPiece piece_of(TriangleMesh mesh) {
  MeshPiece piece;
  Surface surface = surface_of<Surface>(mesh);
  piece.closed = CGAL::is_closed(surface);
  if (piece.closed && !PMP::is_outward_oriented(surface)) {
    PMP::reverse_face_orientations(surface);
    mesh = mesh_of(surface);
  }
  piece.area_mm2 = CGAL::to_double(PMP::area(surface));
  for (const Eigen::Vector3d& v : mesh.vertices) piece.box.extend(v);
  piece.mesh = std::move(mesh);
  return piece;
}

/// The connected parts of a surface, the largest area first.
std::vector<MeshPiece> parts_of(Surface& surface, const Effort& effort) {
  auto piece_number = surface.add_property_map<Surface::Face_index, std::size_t>("f:piece", 0).first;
  const std::size_t count = PMP::connected_components(surface, piece_number);
  // Faces by piece, so that a mesh of very many specks is not gone through once for each.
  std::vector<std::vector<std::array<int, 3>>> triangles(count);
  for (const auto f : surface.faces()) {
    std::array<int, 3> t{};
    std::size_t k = 0;
    for (const auto v : surface.vertices_around_face(surface.halfedge(f))) t[k++] = static_cast<int>(v);
    triangles[piece_number[f]].push_back(t);
  }
  std::vector<int> number(surface.num_vertices(), -1);
  std::vector<MeshPiece> pieces;
  for (auto& faces : triangles) {
    if (effort.cut_short()) break;
    TriangleMesh part;
    std::vector<int> used;
    for (auto& t : faces)
      for (int& v : t) {
        int& own = number[static_cast<std::size_t>(v)];
        if (own < 0) {
          own = static_cast<int>(part.vertices.size());
          used.push_back(v);
          part.vertices.push_back(vector_of(surface.point(Surface::Vertex_index(static_cast<unsigned>(v)))));
        }
        v = own;
      }
    for (const int v : used) number[static_cast<std::size_t>(v)] = -1;
    part.triangles = std::move(faces);
    pieces.push_back(piece_of(std::move(part)));
  }
  std::stable_sort(pieces.begin(), pieces.end(),
                   [](const MeshPiece& a, const MeshPiece& b) { return a.area_mm2 > b.area_mm2; });
  return pieces;
}

}  // namespace

std::vector<MeshPiece> pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended) {
  Surface surface = oriented_surface(mesh, mended);
  return parts_of(surface, Effort());
}

std::vector<MeshPiece> joined_pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended,
                                        double& moved_mm, const Effort& effort) {
  Surface surface = oriented_surface(mesh, mended, &moved_mm);
  return parts_of(surface, effort);
}

double area_of(const TriangleMesh& mesh) {
  double area = 0.0;
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d& a = mesh.vertices[static_cast<std::size_t>(t[0])];
    area += 0.5 * (mesh.vertices[static_cast<std::size_t>(t[1])] - a)
                      .cross(mesh.vertices[static_cast<std::size_t>(t[2])] - a)
                      .norm();
  }
  return area;
}

double share_inside(const TriangleMesh& piece, const std::vector<Eigen::Vector3d>& points) {
  const Surface surface = surface_of<Surface>(roughly_capped(piece));
  if (!CGAL::is_closed(surface) || points.empty()) return 0.0;
  const CGAL::Side_of_triangle_mesh<Surface, Kernel> side(surface);
  const auto inside = std::count_if(points.begin(), points.end(), [&](const Eigen::Vector3d& p) {
    return side(Kernel::Point_3(p.x(), p.y(), p.z())) == CGAL::ON_BOUNDED_SIDE;
  });
  return static_cast<double>(inside) / static_cast<double>(points.size());
}

int handles_of(const TriangleMesh& mesh, std::size_t borders) {
  std::vector<std::pair<int, int>> edges;
  edges.reserve(3 * mesh.triangles.size());
  for (const auto& t : mesh.triangles)
    for (std::size_t k = 0; k < 3; ++k) edges.emplace_back(std::minmax(t[k], t[(k + 1) % 3]));
  std::sort(edges.begin(), edges.end());
  edges.erase(std::unique(edges.begin(), edges.end()), edges.end());
  const auto euler = static_cast<int>(mesh.vertices.size()) - static_cast<int>(edges.size()) +
                     static_cast<int>(mesh.triangles.size());
  return (2 - euler - static_cast<int>(borders)) / 2;
}

}  // namespace withy
