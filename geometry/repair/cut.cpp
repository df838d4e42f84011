// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/cut.h"

#include <algorithm>
#include <cmath>
#include <exception>
#include <iterator>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Polygon_mesh_processing/border.h>
#include <CGAL/Polygon_mesh_processing/clip.h>
#include <CGAL/Polygon_mesh_processing/connected_components.h>
#include <CGAL/Polygon_mesh_processing/stitch_borders.h>
#include <CGAL/Surface_mesh.h>
#include <Eigen/Geometry>

#include "geometry/mesh/surface_conversion.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

namespace PMP = CGAL::Polygon_mesh_processing;
using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Surface = CGAL::Surface_mesh<Kernel::Point_3>;
using Halfedge = Surface::Halfedge_index;
using PointPair = std::pair<Kernel::Point_3, Kernel::Point_3>;

/// Points of the split line are rounded to doubles: this share of the mesh's size off the plane at most.
constexpr double kOnPlane = 1e-9;

/// A plane's own coordinates.
struct PlaneFrame {
  explicit PlaneFrame(const CutPlane& cut) : origin(cut.point), normal(cut.normal.normalized()) {
    across = normal.unitOrthogonal();
    along = normal.cross(across);
  }
  double height(const Eigen::Vector3d& p) const { return (p - origin).dot(normal); }
  Eigen::Vector2d flat(const Eigen::Vector3d& p) const {
    return {(p - origin).dot(across), (p - origin).dot(along)};
  }
  Eigen::Vector3d origin, normal, across, along;
};

/// The plane of a cut is moved in so many steps.
constexpr int kCutSteps = 8;

/// The cut with its plane clear of vertices: the first place of it that is by a step, or the clearest.
CutPlane clear_of_vertices(const Surface& surface, const CutPlane& cut) {
  const PlaneFrame plane(cut);
  std::vector<double> near;
  for (const auto v : surface.vertices())
    if (const double h = plane.height(vector_of(surface.point(v))); std::abs(h) < 2.0 * kCutMove_mm)
      near.push_back(h);
  constexpr double kStep_mm = kCutMove_mm / kCutSteps;
  double best_mm = 0.0;
  double best_clearance = -1.0;
  for (int k = 0; k <= kCutSteps; ++k) {
    double clearance = kInfinity;
    for (const double h : near) clearance = std::min(clearance, std::abs(h + k * kStep_mm));
    if (clearance > best_clearance) best_clearance = clearance, best_mm = k * kStep_mm;
    if (clearance >= 0.5 * kStep_mm) break;
  }
  return {cut.point - best_mm * plane.normal, cut.normal};
}

/// A border of the split surface that lies in the plane.
struct Line {
  std::vector<Halfedge> halfedges;
  double area = 0.0;      ///< of what it goes round
  double distance = 0.0;  ///< of the plane's point from it
  bool about = false;     ///< does it go round the plane's point?
  bool on_plane = true;
};

double distance_to_segment(const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  const Eigen::Vector2d d = b - a;
  const double t = d.squaredNorm() > 0.0 ? std::clamp(-a.dot(d) / d.squaredNorm(), 0.0, 1.0) : 0.0;
  return (a + t * d).norm();
}

Line line_of(const Surface& surface, Halfedge border, const PlaneFrame& plane, double tolerance) {
  Line line;
  double turns = 0.0;
  line.distance = kInfinity;
  for (const Halfedge h : CGAL::halfedges_around_face(border, surface)) {
    line.halfedges.push_back(h);
    const Eigen::Vector3d p = vector_of(surface.point(surface.source(h)));
    const Eigen::Vector3d q = vector_of(surface.point(surface.target(h)));
    if (std::abs(plane.height(q)) > tolerance) line.on_plane = false;
    const Eigen::Vector2d a = plane.flat(p);
    const Eigen::Vector2d b = plane.flat(q);
    const double cross = a.x() * b.y() - a.y() * b.x();
    line.area += 0.5 * cross;
    turns += std::atan2(cross, a.dot(b));
    line.distance = std::min(line.distance, distance_to_segment(a, b));
  }
  line.area = std::abs(line.area);
  line.about = std::abs(turns) > EIGEN_PI;
  return line;
}

/// The line that a cut means.
const Line* chosen(const std::vector<Line>& lines) {
  const Line* best = nullptr;
  for (const Line& line : lines) {
    if (!best || (line.about && !best->about) ||
        (line.about == best->about && (line.about ? line.area < best->area : line.distance < best->distance)))
      best = &line;
  }
  return best;
}

/// A point on the wall or a little outside it still means the lumen there; one a radius and more off does
/// not.
bool too_far(const Line& line) {
  return !line.about && line.distance > std::sqrt(line.area / EIGEN_PI);
}

PointPair ends_of(const Surface& surface, Halfedge h) {
  return {surface.point(surface.source(h)), surface.point(surface.target(h))};
}

class Cutter {
 public:
  explicit Cutter(const TriangleMesh& mesh) : surface_(surface_of<Surface>(mesh)) {
    Eigen::AlignedBox3d box;
    for (const Eigen::Vector3d& v : mesh.vertices) box.extend(v);
    tolerance_ = kOnPlane * (box.diagonal().norm() + box.min().norm() + box.max().norm());
    beyond_ = surface_.add_property_map<Surface::Face_index, int>("f:beyond", -1).first;
    kept_ = surface_.add_property_map<Surface::Face_index, int>("f:kept", -1).first;
  }

  std::optional<CutFault> part(const CutPlane& asked, int number) {
    const CutPlane cut = clear_of_vertices(surface_, asked);
    const PlaneFrame plane(cut);
    // Of a rim without an area or a length: CGAL ends the program where it meets such a plane.
    if (!(plane.normal.squaredNorm() > 0.5) || !cut.point.allFinite()) return CutFault::no_line;
    // Borders that were there are none of this cut's.
    std::map<PointPair, int> before;
    for (const Halfedge h : surface_.halfedges())
      if (surface_.is_border(h)) ++before[ends_of(surface_, h)];
    const Kernel::Plane_3 cgal_plane(Kernel::Point_3(cut.point.x(), cut.point.y(), cut.point.z()),
                                     Kernel::Vector_3(plane.normal.x(), plane.normal.y(), plane.normal.z()));
    try {
      PMP::split(surface_, cgal_plane);
    } catch (const std::exception&) {
      return CutFault::crossing;
    }
    std::vector<Line> lines;
    bool torn = false;
    std::vector<Halfedge> borders;
    PMP::extract_boundary_cycles(surface_, std::back_inserter(borders));
    for (const Halfedge border : borders) {
      Line line = line_of(surface_, border, plane, tolerance_);
      const bool old = std::all_of(line.halfedges.begin(), line.halfedges.end(),
                                   [&](Halfedge h) { return before.contains(ends_of(surface_, h)); });
      if (old) continue;
      if (line.on_plane)
        lines.push_back(std::move(line));
      else
        torn = true;
    }
    const Line* line = chosen(lines);
    if (!line) return torn ? CutFault::across_border : CutFault::no_line;
    if (too_far(*line)) return CutFault::far_off;
    on_line_.push_back(vector_of(surface_.point(surface_.target(line->halfedges.front()))));
    mark(*line, plane, number);
    stitch_others(*line);
    return std::nullopt;
  }

  /// What hangs on the far side of a line goes; a piece on both sides of one can't, and one on the near side
  /// of a line must not.
  tl::expected<OpenedSurface, CutRefusal> rest() {
    auto piece = surface_.add_property_map<Surface::Face_index, std::size_t>("f:part", 0).first;
    const std::size_t count = PMP::connected_components(surface_, piece);
    std::vector<std::set<int>> beyond(count);
    for (const auto f : surface_.faces())
      if (beyond_[f] >= 0) beyond[piece[f]].insert(beyond_[f]);
    for (const auto f : surface_.faces()) {
      const std::set<int>& by = beyond[piece[f]];
      if (kept_[f] < 0 || by.empty()) continue;
      const auto cut = static_cast<std::size_t>(kept_[f]);
      if (by.contains(kept_[f])) return tl::unexpected(CutRefusal{CutFault::still_joined, cut, cut});
      return tl::unexpected(CutRefusal{CutFault::taken_off, cut, static_cast<std::size_t>(*by.begin())});
    }
    return OpenedSurface{mesh_of(surface_, [&](Surface::Face_index f) { return beyond[piece[f]].empty(); }),
                         on_line_};
  }

 private:
  using FaceMark = Surface::Property_map<Surface::Face_index, int>;

  /// The two borders along a line hold the same points; which face lies on which side is told by its third
  /// corner.
  void mark(const Line& line, const PlaneFrame& plane, int number) {
    std::map<PointPair, bool> on_line;
    for (const Halfedge h : line.halfedges) {
      const PointPair ends = ends_of(surface_, h);
      on_line[ends] = true;
      on_line[{ends.second, ends.first}] = true;
    }
    for (const Halfedge h : surface_.halfedges()) {
      if (!surface_.is_border(h) || !on_line.contains(ends_of(surface_, h))) continue;
      const Halfedge inside = surface_.opposite(h);
      const auto apex = surface_.target(surface_.next(inside));
      FaceMark& side = plane.height(vector_of(surface_.point(apex))) > 0.0 ? beyond_ : kept_;
      side[surface_.face(inside)] = number;
      open_.insert({ends_of(surface_, h), true});
    }
  }

  /// Joins again what the plane parted elsewhere.
  void stitch_others(const Line&) {
    std::map<PointPair, Halfedge> waiting;
    std::vector<std::pair<Halfedge, Halfedge>> pairs;
    for (const Halfedge h : surface_.halfedges()) {
      if (!surface_.is_border(h)) continue;
      const PointPair ends = ends_of(surface_, h);
      if (open_.contains(ends)) continue;
      const auto other = waiting.find({ends.second, ends.first});
      if (other == waiting.end()) {
        waiting[ends] = h;
        continue;
      }
      pairs.emplace_back(h, other->second);
      waiting.erase(other);
    }
    PMP::stitch_borders(surface_, pairs);
  }

  Surface surface_;
  FaceMark beyond_;
  FaceMark kept_;
  std::map<PointPair, bool> open_;
  std::vector<Eigen::Vector3d> on_line_;
  double tolerance_ = 0.0;
};

}  // namespace

tl::expected<OpenedSurface, CutRefusal> cut_open(const TriangleMesh& mesh,
                                                 const std::vector<CutPlane>& cuts) {
  Cutter cutter(mesh);
  for (std::size_t i = 0; i < cuts.size(); ++i)
    if (const auto fault = cutter.part(cuts[i], static_cast<int>(i)))
      return tl::unexpected(CutRefusal{*fault, i, i});
  return cutter.rest();
}

std::optional<TriangleMesh> cropped(const TriangleMesh& mesh, const Eigen::AlignedBox3d& box) {
  Surface surface = surface_of<Surface>(mesh);
  try {
    for (int axis = 0; axis < 3; ++axis)
      for (const double side : {-1.0, 1.0}) {
        const Eigen::Vector3d out = side * Eigen::Vector3d::Unit(axis);
        // Outwards, so that a wall which only touches the face stays whole. CGAL 5.5.1 may not come to an end
        // where vertices lie in the plane.
        const Eigen::Vector3d at =
            clear_of_vertices(surface, {side < 0.0 ? box.min() : box.max(), -out}).point;
        // What CGAL keeps lies on the plane's negative side.
        PMP::clip(surface,
                  Kernel::Plane_3(Kernel::Point_3(at.x(), at.y(), at.z()),
                                  Kernel::Vector_3(out.x(), out.y(), out.z())),
                  CGAL::parameters::clip_volume(false));
        surface.collect_garbage();
      }
  } catch (const std::exception&) {
    return std::nullopt;
  }
  return mesh_of(surface, [](Surface::Face_index) { return true; });
}

}  // namespace withy
