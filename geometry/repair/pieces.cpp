// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/pieces.h"

#include <algorithm>
#include <iterator>
#include <set>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/measure.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/orientation.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Polygon_mesh_processing/repair_degeneracies.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/stitch_borders.h>
#include <CGAL/Side_of_triangle_mesh.h>
#include <CGAL/Surface_mesh.h>

#include "geometry/repair/crossings.h"
#include "geometry/repair/surface_conversion.h"
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

Surface oriented_surface(const TriangleMesh& mesh, std::vector<std::string>& mended) {
  Soup soup(mesh);
  drop_repeats(soup, mended);
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
  if (const auto n = PMP::stitch_borders(surface))
    mended.push_back("Joined borders that coincide: " + std::to_string(n) + " edges.");
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

}  // namespace

std::vector<MeshPiece> pieces_of(const TriangleMesh& mesh, std::vector<std::string>& mended) {
  Surface surface = oriented_surface(mesh, mended);
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
  std::set<std::pair<int, int>> edges;
  for (const auto& t : mesh.triangles)
    for (std::size_t k = 0; k < 3; ++k) edges.insert(std::minmax(t[k], t[(k + 1) % 3]));
  const auto euler = static_cast<int>(mesh.vertices.size()) - static_cast<int>(edges.size()) +
                     static_cast<int>(mesh.triangles.size());
  return (2 - euler - static_cast<int>(borders)) / 2;
}

}  // namespace withy
