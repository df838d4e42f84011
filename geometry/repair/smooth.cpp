// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/smooth.h"

#include <algorithm>
#include <cstddef>
#include <exception>

#define CGAL_EIGEN3_ENABLED 1
#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/self_intersections.h>
#include <CGAL/Polygon_mesh_processing/smooth_shape.h>
#include <CGAL/Surface_mesh.h>

#include "geometry/mesh/surface_conversion.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;

/// The flow's time over the square of the edges, by trial: unevenness from one vertex to the next comes out
/// well below 0.6 of what it was, and a tube of 5 mm radius with edges of 1 mm narrows by 0.2 mm where the
/// bound allows it.
constexpr double kTimeShare = 0.0625;

double mean_edge(const TriangleMesh& mesh) {
  double sum = 0.0;
  for (const auto& t : mesh.triangles)
    for (std::size_t k = 0; k < 3; ++k)
      sum += (mesh.vertices[static_cast<std::size_t>(t[k])] -
              mesh.vertices[static_cast<std::size_t>(t[(k + 1) % 3])])
                 .norm();
  return sum / (3.0 * static_cast<double>(mesh.triangles.size()));
}

SmoothedWall smoothed_once(const TriangleMesh& mesh, double bound_mm) {
  Surface surface = surface_of<Surface>(mesh);
  auto held = surface.add_property_map<Surface::Vertex_index, bool>("v:held", false).first;
  for (const auto v : surface.vertices()) held[v] = surface.is_border(v);
  const double edge_mm = mean_edge(mesh);
  PMP::smooth_shape(surface, kTimeShare * edge_mm * edge_mm,
                    CGAL::parameters::number_of_iterations(1).vertex_is_constrained_map(held));
  SmoothedWall out{mesh};
  for (const auto v : surface.vertices()) {
    Eigen::Vector3d& p = out.mesh.vertices[static_cast<std::size_t>(v)];
    Eigen::Vector3d by = vector_of(surface.point(v)) - p;
    if (!by.allFinite()) continue;
    if (by.norm() > bound_mm) by *= bound_mm / by.norm();
    p += by;
    out.moved_mm = std::max(out.moved_mm, by.norm());
  }
  return out;
}

}  // namespace

SmoothedWall smoothed(const TriangleMesh& mesh, double bound_mm, const Effort& effort) {
  try {
    for (int k = 0; k <= shares::kSmoothingHalvings && !effort.cut_short(); ++k, bound_mm *= 0.5) {
      SmoothedWall out = smoothed_once(mesh, bound_mm);
      if (!PMP::does_self_intersect(surface_of<Surface>(out.mesh))) return out;
    }
  } catch (const std::exception&) {
  }
  return {mesh, 0.0, false};
}

}  // namespace withy
