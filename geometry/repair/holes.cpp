// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/holes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <exception>
#include <iterator>
#include <map>
#include <tuple>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/merge_border_vertices.h>
#include <CGAL/Polygon_mesh_processing/triangulate_hole.h>
#include <CGAL/Surface_mesh.h>
#include <Eigen/Geometry>

#include "geometry/mesh/surface_conversion.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;

/// Radii that agree to this are equal when rims are put in order.
constexpr double kSameRadius_mm = 1e-6;

/// A cut's line is rounded to doubles: this share of its points' size off the plane at most, wherever that
/// was moved to.
constexpr double kInCutPlane = 1e-8;

std::vector<Surface::Halfedge_index> holes_of(const Surface& surface) {
  std::vector<Surface::Halfedge_index> holes;
  PMP::extract_boundary_cycles(surface, std::back_inserter(holes));
  return holes;
}

bool comes_twice(std::vector<Eigen::Vector3d> points) {
  std::sort(points.begin(), points.end(), [](const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
    return std::lexicographical_compare(a.begin(), a.end(), b.begin(), b.end());
  });
  return std::adjacent_find(points.begin(), points.end()) != points.end();
}

Rim rim_of(const Surface& surface, Surface::Halfedge_index hole) {
  Rim rim;
  for (const auto h : CGAL::halfedges_around_face(hole, surface))
    rim.points.push_back(vector_of(surface.point(surface.target(h))));
  double length = 0.0;
  const std::size_t n = rim.points.size();
  for (std::size_t i = 0; i < n; ++i) {
    const Eigen::Vector3d& a = rim.points[i];
    const Eigen::Vector3d& b = rim.points[(i + 1) % n];
    rim.centre += 0.5 * (b - a).norm() * (a + b);
    length += (b - a).norm();
  }
  rim.centre = length > 0.0 ? Eigen::Vector3d(rim.centre / length) : rim.points.front();
  rim.radius_mm = length / (2.0 * EIGEN_PI);
  // A border halfedge runs the way a face that filled the hole would.
  for (std::size_t i = 0; i < n; ++i)
    rim.outward += (rim.points[i] - rim.centre).cross(rim.points[(i + 1) % n] - rim.centre);
  rim.area_mm2 = 0.5 * rim.outward.norm();
  rim.outward.normalize();
  double lowest = 0.0;
  for (const Eigen::Vector3d& p : rim.points) {
    lowest = std::min(lowest, (p - rim.centre).dot(rim.outward));
    rim.highest_mm = std::max(rim.highest_mm, (p - rim.centre).dot(rim.outward));
  }
  rim.spread_mm = rim.highest_mm - lowest;
  rim.touches_itself = comes_twice(rim.points);
  return rim;
}

/// The loops that a rim is made of which comes by some of its points twice: each goes round one hole.
std::vector<std::vector<Eigen::Vector3d>> loops_of(const std::vector<Eigen::Vector3d>& rim) {
  std::vector<std::vector<Eigen::Vector3d>> loops;
  std::vector<Eigen::Vector3d> open;
  std::map<std::array<double, 3>, std::size_t> at;
  const auto key = [](const Eigen::Vector3d& p) { return std::array<double, 3>{p.x(), p.y(), p.z()}; };
  for (const Eigen::Vector3d& p : rim) {
    if (const auto before = at.find(key(p)); before != at.end()) {
      const std::size_t from = before->second;
      loops.emplace_back(open.begin() + static_cast<std::ptrdiff_t>(from), open.end());
      for (std::size_t i = from + 1; i < open.size(); ++i) at.erase(key(open[i]));
      open.resize(from + 1);
      continue;
    }
    at[key(p)] = open.size();
    open.push_back(p);
  }
  loops.push_back(std::move(open));
  return loops;
}

double loop_radius(const std::vector<Eigen::Vector3d>& loop) {
  double length = 0.0;
  for (std::size_t i = 0; i < loop.size(); ++i) length += (loop[(i + 1) % loop.size()] - loop[i]).norm();
  return length / (2.0 * EIGEN_PI);
}

/// Tells holes apart that meet in points, where all but one of them will be closed: what is left is no point
/// that parts the surface.
void part_holes(Surface& surface, double below_mm) {
  for (const auto hole : holes_of(surface)) {
    const Rim rim = rim_of(surface, hole);
    if (!rim.touches_itself) continue;
    const auto loops = loops_of(rim.points);
    const auto wide = std::count_if(loops.begin(), loops.end(),
                                    [&](const auto& loop) { return loop_radius(loop) >= below_mm; });
    if (wide <= 1) PMP::merge_duplicated_vertices_in_boundary_cycle(hole, surface);
  }
}

}  // namespace

bool made_by(const Rim& rim, const CutPlane& cut) {
  const Eigen::Vector3d normal = cut.normal.normalized();
  return std::all_of(rim.points.begin(), rim.points.end(), [&](const Eigen::Vector3d& p) {
    return std::abs((p - cut.point).dot(normal)) <=
           kCutMove_mm + kInCutPlane * (1.0 + p.norm() + cut.point.norm());
  });
}

std::vector<Rim> rims_of(const TriangleMesh& mesh) {
  const Surface surface = surface_of<Surface>(mesh);
  std::vector<Rim> rims;
  for (const auto hole : holes_of(surface)) rims.push_back(rim_of(surface, hole));
  std::stable_sort(rims.begin(), rims.end(), [](const Rim& a, const Rim& b) {
    const auto key = [](const Rim& r) {
      return std::make_tuple(-std::round(r.radius_mm / kSameRadius_mm), r.centre.x(), r.centre.y(),
                             r.centre.z());
    };
    return key(a) < key(b);
  });
  return rims;
}

FilledHoles fill_holes(const TriangleMesh& mesh, double below_mm, const std::vector<CutPlane>& cuts,
                       const Effort& effort) {
  FilledHoles out;
  Surface surface = surface_of<Surface>(mesh);
  part_holes(surface, below_mm);
  for (const auto hole : holes_of(surface)) {
    if (effort.cut_short()) break;
    const Rim rim = rim_of(surface, hole);
    if (rim.radius_mm >= below_mm) continue;
    if (std::any_of(cuts.begin(), cuts.end(), [&](const CutPlane& cut) { return made_by(rim, cut); })) {
      out.kept.push_back(rim);
      continue;
    }
    std::vector<Surface::Face_index> faces;
    std::vector<Surface::Vertex_index> vertices;
    try {
      PMP::triangulate_refine_and_fair_hole(surface, hole, std::back_inserter(faces),
                                            std::back_inserter(vertices));
    } catch (const std::exception&) {
      faces.clear();
    }
    if (faces.empty()) {
      ++out.left;
      continue;
    }
    ++out.filled;
    out.largest_radius_mm = std::max(out.largest_radius_mm, rim.radius_mm);
  }
  surface.collect_garbage();
  out.mesh = mesh_of(surface);
  return out;
}

void turn_right_side_out(TriangleMesh& mesh) {
  // Caps as fans about the rims' centres: a volume's sign needs no better ones.
  double six = 0.0;
  const auto add = [&](const Eigen::Vector3d& a, const Eigen::Vector3d& b, const Eigen::Vector3d& c) {
    six += a.dot(b.cross(c));
  };
  const Eigen::Vector3d origin = mesh.vertices.front();
  const auto corner = [&](int v) { return mesh.vertices[static_cast<std::size_t>(v)] - origin; };
  for (const auto& t : mesh.triangles) add(corner(t[0]), corner(t[1]), corner(t[2]));
  for (const Rim& rim : rims_of(mesh))
    for (std::size_t i = 0; i < rim.points.size(); ++i)
      add(rim.centre - origin, rim.points[i] - origin, rim.points[(i + 1) % rim.points.size()] - origin);
  if (six >= 0.0) return;
  for (auto& t : mesh.triangles) std::swap(t[0], t[1]);
}

}  // namespace withy
