// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/crossings.h"

#include <cstddef>
#include <exception>
#include <iterator>
#include <utility>
#include <vector>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/intersection.h>
#include <CGAL/Polygon_mesh_processing/repair_self_intersections.h>
#include <CGAL/Polygon_mesh_processing/self_intersections.h>
#include <CGAL/Polygon_mesh_processing/triangulate_hole.h>
#include <CGAL/Surface_mesh.h>
#include <CGAL/alpha_wrap_3.h>

#include "geometry/mesh/surface_conversion.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;

/// Ends CGAL's rounds with the effort.
struct RoundsOfEffort : PMP::experimental::Remove_self_intersection_default_visitor<Surface> {
  const Effort* effort = nullptr;
  bool stop() const { return effort->cut_short(); }
};

/// Thrown out of a wrap that the effort ends, and caught where it was called.
struct WrapCutShort {};

/// Every how many facets a wrap asks.
constexpr unsigned kFacetsBetween = 256;

/// Asks the effort as the wrap goes from facet to facet. CGAL copies it.
struct WrapOfEffort : CGAL::Alpha_wraps_3::internal::Wrapping_default_visitor {
  const Effort* effort = nullptr;
  unsigned facets = 0;
  template <class Wrapper, class Gate>
  void before_facet_treatment(const Wrapper&, const Gate&) {
    if (++facets % kFacetsBetween == 0 && effort->cut_short()) throw WrapCutShort();
  }
};

}  // namespace

bool cross_one_another(const TriangleMesh& a, const TriangleMesh& b) {
  return PMP::do_intersect(surface_of<Surface>(a), surface_of<Surface>(b));
}

std::size_t crossing_pairs(const TriangleMesh& mesh) {
  std::vector<std::pair<Surface::Face_index, Surface::Face_index>> pairs;
  PMP::self_intersections(surface_of<Surface>(mesh), std::back_inserter(pairs),
                          CGAL::parameters::maximum_number(kMostCrossings));
  return pairs.size();
}

std::optional<TriangleMesh> without_crossings(const TriangleMesh& mesh, const Effort& effort) {
  Surface surface = surface_of<Surface>(mesh);
  RoundsOfEffort rounds;
  rounds.effort = &effort;
  try {
    PMP::experimental::remove_self_intersections(surface, CGAL::parameters::preserve_genus(false)
                                                              .number_of_iterations(shares::kCrossingRounds)
                                                              .visitor(rounds));
  } catch (const std::exception&) {
    return std::nullopt;
  }
  if (effort.cut_short()) return std::nullopt;
  surface.collect_garbage();
  PMP::keep_largest_connected_components(surface, 1);
  surface.collect_garbage();
  if (surface.is_empty() || PMP::does_self_intersect(surface)) return std::nullopt;
  return mesh_of(surface);
}

std::optional<TriangleMesh> wrapped(const TriangleMesh& mesh, double alpha_mm, double offset_mm,
                                    const Effort& effort) {
  const SurfaceSoup<Kernel::Point_3> soup(mesh);
  Surface wrap;
  WrapOfEffort facets;
  facets.effort = &effort;
  try {
    CGAL::alpha_wrap_3(soup.points, soup.triangles, alpha_mm, offset_mm, wrap,
                       CGAL::parameters::default_values(), CGAL::parameters::visitor(facets));
  } catch (const WrapCutShort&) {
    return std::nullopt;
  }
  return mesh_of(wrap);
}

TriangleMesh roughly_capped(const TriangleMesh& mesh) {
  Surface surface = surface_of<Surface>(mesh);
  std::vector<Surface::Halfedge_index> holes;
  PMP::extract_boundary_cycles(surface, std::back_inserter(holes));
  for (const auto hole : holes)
    PMP::triangulate_hole(
        surface, hole, CGAL::Emptyset_iterator(),
        CGAL::parameters::use_2d_constrained_delaunay_triangulation(true).do_not_use_cubic_algorithm(
            CGAL::halfedges_around_face(hole, surface).size() > shares::kLastResortEdges));
  return mesh_of(surface);
}

}  // namespace withy
