// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/branch_mesher.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Labeled_mesh_domain_3.h>
#include <CGAL/Mesh_complex_3_in_triangulation_3.h>
#include <CGAL/Mesh_criteria_3.h>
#include <CGAL/Mesh_domain_with_polyline_features_3.h>
#include <CGAL/Mesh_triangulation_3.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/orient_polygon_soup.h>
#include <CGAL/Polygon_mesh_processing/polygon_soup_to_polygon_mesh.h>
#include <CGAL/Polygon_mesh_processing/self_intersections.h>
#include <CGAL/Surface_mesh.h>
#include <CGAL/facets_in_complex_3_to_triangle_mesh.h>
#include <CGAL/make_mesh_3.h>

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Point = Kernel::Point_3;
using Domain = CGAL::Mesh_domain_with_polyline_features_3<CGAL::Labeled_mesh_domain_3<Kernel>>;
using Triangulation = CGAL::Mesh_triangulation_3<Domain>::type;
using Complex =
    CGAL::Mesh_complex_3_in_triangulation_3<Triangulation, Domain::Corner_index, Domain::Curve_index>;
using Criteria = CGAL::Mesh_criteria_3<Triangulation>;
using SurfaceMesh = CGAL::Surface_mesh<Point>;

/// How well bisection finds the surface, over the size of the whole.
constexpr double kSurfaceError = 1e-8;

/// Refinement bounds circumradii; at this share of the edge length most edges come out at about the edge
/// length.
constexpr double kCircumradiusShare = 0.7;

/// Smallest angle of a facet, degrees: up to 30 the refinement is known to stop (CGAL manual, "3D Mesh
/// Generation").
constexpr double kFacetAngle_deg = 25.0;

/// Largest gap between a facet's circumcentre and the surface, over the edge length: holds the shape of tubes
/// that are only a few edges round.
constexpr double kGapShare = 0.1;

/// Chords to a rim for each edge along it: keeps the rim a circle to 1e-3 of the edge length.
constexpr double kRimChordsPerEdge = 12.0;

/// Thrown out of the mesher where the effort ends, and caught where it was called: it asks for heights all
/// along.
struct MeshingCutShort {};

Eigen::Vector3d eigen(const Point& p) {
  return {p.x(), p.y(), p.z()};
}
Point point(const Eigen::Vector3d& p) {
  return {p.x(), p.y(), p.z()};
}

/// A ball around the whole tree, its middle inside the lumen as the mesher wants it.
Kernel::Sphere_3 bounding_ball(const TubeTree& tree) {
  const TubePath& trunk = tree.tubes().front().path;
  const Eigen::Vector3d middle = trunk.pose(trunk.length_mm() / 2.0).translation();
  double reach = 0.0;
  for (const auto& tube : tree.tubes()) {
    const int steps = std::max(1, static_cast<int>(std::ceil(tube.path.length_mm())));
    for (int i = 0; i <= steps; ++i) {
      const Eigen::Vector3d c = tube.path.pose(tube.path.length_mm() * i / steps).translation();
      reach = std::max(reach, (c - middle).norm() + tube.radius.largest());
    }
  }
  const double with_room = 1.1 * reach + 1.0;  // samples of the line are up to 1 mm apart
  return {point(middle), with_room * with_room};
}

std::vector<std::vector<Point>> rims(const TubeTree& tree, double edge_length_mm) {
  std::vector<std::vector<Point>> all;
  for (const auto& end : tree.flat_ends()) {
    const double around = 2.0 * std::numbers::pi * end.radius_mm;
    const int chords = std::max(96, static_cast<int>(std::ceil(kRimChordsPerEdge * around / edge_length_mm)));
    std::vector<Point> rim;
    for (int k = 0; k < chords; ++k) {
      const double a = 2.0 * std::numbers::pi * k / chords;
      rim.push_back(
          point(end.X * Eigen::Vector3d(end.radius_mm * std::cos(a), end.radius_mm * std::sin(a), 0.0)));
    }
    rim.push_back(rim.front());
    all.push_back(std::move(rim));
  }
  return all;
}

TriangleMesh plain(const SurfaceMesh& mesh) {
  TriangleMesh out;
  std::vector<int> index(mesh.number_of_vertices() + mesh.number_of_removed_vertices(), -1);
  for (const auto v : mesh.vertices()) {
    index[v] = static_cast<int>(out.vertices.size());
    out.vertices.push_back(eigen(mesh.point(v)));
  }
  for (const auto f : mesh.faces()) {
    std::array<int, 3> triangle{};
    int k = 0;
    for (const auto v : CGAL::vertices_around_face(mesh.halfedge(f), mesh))
      triangle[static_cast<std::size_t>(k++)] = index[v];
    out.triangles.push_back(triangle);
  }
  return out;
}

/// Facets on a flat end were found by bisection; put their vertices onto the plane.
void flatten_ends(const TubeTree& tree, TriangleMesh& mesh, double tolerance_mm) {
  for (Eigen::Vector3d& v : mesh.vertices) {
    for (const auto& end : tree.flat_ends()) {
      if (!TubeTree::on_end(end, v, tolerance_mm)) continue;
      Eigen::Vector3d q = end.X.inverse() * v;
      q.z() = 0.0;
      v = end.X * q;
    }
  }
}

/// The refined mesh's surface. Throws MeshingCutShort.
SurfaceMesh refined(const TubeTree& tree, double edge_length_mm, const Kernel::Sphere_3& ball,
                    const Effort& effort) {
  namespace params = CGAL::parameters;
  CGAL::get_default_random() = CGAL::Random(1);
  const auto height = [&](const Point& p) {
    if (effort.cut_short()) throw MeshingCutShort();
    return tree.height(eigen(p));
  };
  Domain domain =
      Domain::create_implicit_mesh_domain(height, ball, params::relative_error_bound = kSurfaceError);
  const auto polylines = rims(tree, edge_length_mm);
  domain.add_features(polylines.begin(), polylines.end());
  const Criteria criteria(params::edge_size = edge_length_mm, params::facet_angle = kFacetAngle_deg,
                          params::facet_size = kCircumradiusShare * edge_length_mm,
                          params::facet_distance = kGapShare * edge_length_mm);
  const Complex complex =
      CGAL::make_mesh_3<Complex>(domain, criteria, params::no_perturb(), params::no_exude(),
                                 params::no_lloyd(), params::no_odt(), params::manifold());
  SurfaceMesh surface;
  CGAL::facets_in_complex_3_to_triangle_mesh(complex, surface);
  return surface;
}

}  // namespace

std::optional<TriangleMesh> mesh_tube_tree(const TubeTree& tree, double edge_length_mm,
                                           const Effort& effort) {
  const Kernel::Sphere_3 ball = bounding_ball(tree);
  try {
    TriangleMesh mesh = plain(refined(tree, edge_length_mm, ball, effort));
    flatten_ends(tree, mesh, 10.0 * kSurfaceError * std::sqrt(ball.squared_radius()));
    return mesh;
  } catch (const MeshingCutShort&) {
    return std::nullopt;
  }
}

ShellCheck check_shell(const TriangleMesh& mesh) {
  std::vector<Point> points;
  for (const Eigen::Vector3d& v : mesh.vertices) points.push_back(point(v));
  if (mesh.triangles.empty() || !PMP::is_polygon_soup_a_polygon_mesh(mesh.triangles))
    return {ShellFault::not_closed, {}};
  SurfaceMesh surface;
  PMP::polygon_soup_to_polygon_mesh(points, mesh.triangles, surface);
  if (!CGAL::is_closed(surface)) return {ShellFault::not_closed, {}};
  auto piece = surface.add_property_map<SurfaceMesh::Face_index, std::size_t>("f:piece").first;
  if (PMP::connected_components(surface, piece) != 1) return {ShellFault::several_pieces, {}};
  const long euler = static_cast<long>(surface.number_of_vertices()) -
                     static_cast<long>(surface.number_of_edges()) +
                     static_cast<long>(surface.number_of_faces());
  if (euler != 2) return {ShellFault::not_a_ball, {}};
  std::vector<std::pair<SurfaceMesh::Face_index, SurfaceMesh::Face_index>> crossings;
  PMP::self_intersections(surface, std::back_inserter(crossings));
  if (crossings.empty()) return {};
  const auto corner = surface.source(surface.halfedge(crossings.front().first));
  return {ShellFault::crosses_itself, eigen(surface.point(corner))};
}

}  // namespace withy
