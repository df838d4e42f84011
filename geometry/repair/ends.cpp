// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/ends.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <string>
#include <utility>

#include "geometry/numbers/decompositions.h"
#include "geometry/repair/nearest_place.h"
#include "geometry/repair/pieces.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

/// The new rim lies so much below the old one's lowest point, as a share of the unevenness that is let be.
constexpr double kTrimBelow = 0.1;
/// A slanting or flaring end has more wall in the band than a straight one; more than so many times as much
/// is no end.
constexpr double kMostBand = 2.0;
/// A rim's point is on a face of a box when it is so near to it: a crop moves its faces by up to kCutMove_mm,
/// and faces and points are rounded.
constexpr double kOnFace_mm = 2.0 * kCutMove_mm;

/// A rim that lies along a face of a box in part is an end's when it is no more uneven than this share of its
/// radius, and no longer than a circle of its area by more than this factor, squared. A tube that the face
/// lays open lengthwise has a long one.
constexpr double kEndSpread = 0.5;
constexpr double kEndLength = 1.5;

/// A cut is proposed so far into a closed surface, as a share of its length.
constexpr double kProposedDepth = 0.05;
/// What of the surface has to be left of it.
constexpr double kProposedRest = 0.5;

TriangleMesh largest_piece(const TriangleMesh& mesh) {
  std::vector<std::string> unsaid;
  std::vector<MeshPiece> pieces = pieces_of(mesh, unsaid);
  return pieces.empty() ? TriangleMesh{} : std::move(pieces.front().mesh);
}

/// Is this rim, along a face of a box in part, that of an end across the lumen?
bool across_lumen(const Rim& rim) {
  const double circle_mm2 = EIGEN_PI * rim.radius_mm * rim.radius_mm;  // of the rim's length
  return rim.spread_mm <= kEndSpread * rim.radius_mm && circle_mm2 <= kEndLength * rim.area_mm2;
}

/// Is a rim to be cut flat?
bool is_uneven_end(const Rim& rim, double most_spread_mm, const std::vector<CutPlane>& box_faces) {
  if (rim.spread_mm <= most_spread_mm) return false;
  const RimOnBox on_box = rim_on_box(rim, box_faces);
  return on_box != RimOnBox::edge && (on_box != RimOnBox::partly || across_lumen(rim));
}

/// Euler and Poincare, as handles_of, of a manifold without loose vertices: its edges have two faces but
/// those on rims.
int handles_by_rims(const TriangleMesh& mesh, const std::vector<Rim>& rims) {
  std::size_t on_rims = 0;
  for (const Rim& rim : rims) on_rims += rim.points.size();
  const auto edges = static_cast<int>((3 * mesh.triangles.size() + on_rims) / 2);
  const int euler = static_cast<int>(mesh.vertices.size()) - edges + static_cast<int>(mesh.triangles.size());
  return (2 - euler - static_cast<int>(rims.size())) / 2;
}

/// The wall with one end cut flat; nothing where that takes more than the end.
std::optional<TriangleMesh> with_flat_end(const TriangleMesh& wall, const Rim& rim, std::size_t openings,
                                          int handles, double below_mm) {
  const double lowest = rim.highest_mm - rim.spread_mm;
  auto cut = cut_open(wall, {{rim.centre + (lowest - below_mm) * rim.outward, rim.outward}});
  if (!cut) return std::nullopt;
  TriangleMesh rest = largest_piece(cut->mesh);
  if (rest.triangles.empty()) return std::nullopt;
  const double band = 2.0 * EIGEN_PI * rim.radius_mm * (rim.spread_mm + below_mm);
  if (area_of(wall) - area_of(rest) > kMostBand * band) return std::nullopt;
  turn_right_side_out(rest);
  const std::vector<Rim> rims = rims_of(rest);
  if (rims.size() != openings || handles_by_rims(rest, rims) != handles) return std::nullopt;
  return rest;
}

/// To so many significant digits as a person copies.
Eigen::Vector3d rounded_to(const Eigen::Vector3d& v, double step) {
  return (v.array() / step).round() * step + 0.0;
}

/// What a place in a surface is rounded to: a thousandth of its size or less.
double print_step(const TriangleMesh& mesh) {
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& v : mesh.vertices) box.extend(v);
  return std::pow(10.0, std::floor(std::log10(box.sizes().maxCoeff())) - 3.0);
}

/// The opening that a cut makes in a closed surface, where it makes one and leaves most of the surface.
std::optional<Rim> only_rim(const TriangleMesh& closed, const CutPlane& cut) {
  const auto open = cut_open(closed, {cut});
  if (!open || open->mesh.triangles.empty()) return std::nullopt;
  const TriangleMesh rest = largest_piece(open->mesh);
  const std::vector<Rim> rims = rims_of(rest);
  if (rims.size() != 1 || area_of(rest) < kProposedRest * area_of(closed)) return std::nullopt;
  return rims.front();
}

/// A cut across the end that lies farthest that way.
CutPlane cut_across(const TriangleMesh& closed, const Eigen::Vector3d& out) {
  const auto by_height = [&](const Eigen::Vector3d& a, const Eigen::Vector3d& b) {
    return a.dot(out) < b.dot(out);
  };
  const auto [low, high] = std::minmax_element(closed.vertices.begin(), closed.vertices.end(), by_height);
  const double length = (*high - *low).dot(out);
  const double step = std::pow(10.0, std::floor(std::log10(length)) - 3.0);
  return {rounded_to(place_inwards(closed, *high, -out, kProposedDepth * length), step),
          rounded_to(out, 1e-3)};
}

}  // namespace

std::vector<TrimmedEnd> trim_ends(TriangleMesh& wall, double most_spread_mm,
                                  const std::vector<CutPlane>& box_faces, const Effort& effort) {
  std::vector<TrimmedEnd> trimmed;
  const double below = kTrimBelow * most_spread_mm;
  const std::vector<Rim> rims = rims_of(wall);  // those of other ends stay as they are
  const int handles = handles_by_rims(wall, rims);
  int tried = 0;
  for (const Rim& rim : rims) {
    if (effort.cut_short()) break;
    if (tried == shares::kEndsTried || !is_uneven_end(rim, most_spread_mm, box_faces)) continue;
    ++tried;
    auto flat = with_flat_end(wall, rim, rims.size(), handles, below);
    if (!flat) continue;
    wall = std::move(*flat);
    const Eigen::Vector3d about = rim.centre + (rim.highest_mm - rim.spread_mm - below) * rim.outward;
    const std::vector<Rim> now = rims_of(wall);
    const auto nearest = std::min_element(now.begin(), now.end(), [&](const Rim& a, const Rim& b) {
      return (a.centre - about).norm() < (b.centre - about).norm();
    });
    trimmed.push_back({nearest->centre, rim.spread_mm + below});
  }
  return trimmed;
}

std::vector<CutPlane> faces_of(const Eigen::AlignedBox3d& box) {
  std::vector<CutPlane> faces;
  for (int axis = 0; axis < 3; ++axis) {
    faces.push_back({box.min(), -Eigen::Vector3d::Unit(axis)});
    faces.push_back({box.max(), Eigen::Vector3d::Unit(axis)});
  }
  return faces;
}

RimOnBox rim_on_box(const Rim& rim, const std::vector<CutPlane>& box_faces) {
  std::ptrdiff_t most_on_one = 0;
  std::vector<bool> on_any(rim.points.size(), false);
  for (const CutPlane& face : box_faces) {
    std::ptrdiff_t on_this = 0;
    for (std::size_t i = 0; i < rim.points.size(); ++i) {
      if (std::abs((rim.points[i] - face.point).dot(face.normal.normalized())) > kOnFace_mm) continue;
      on_any[i] = true;
      ++on_this;
    }
    most_on_one = std::max(most_on_one, on_this);
  }
  const auto all = static_cast<std::ptrdiff_t>(rim.points.size());
  if (most_on_one == all) return RimOnBox::face;
  if (most_on_one < 2) return RimOnBox::apart;
  return std::count(on_any.begin(), on_any.end(), true) == all ? RimOnBox::edge : RimOnBox::partly;
}

TriangleMesh open_wrap(TriangleMesh wrap, const std::vector<Rim>& ends, double near_mm,
                       std::vector<Rim>& closed) {
  for (const Rim& end : ends) {
    const double lowest = end.highest_mm - end.spread_mm;
    // Not on the outside any more where it is far.
    if (distance_to_surface(wrap, end.centre) <= near_mm + end.spread_mm)
      if (auto open = cut_open(wrap, {{end.centre + (lowest - near_mm) * end.outward, end.outward}})) {
        TriangleMesh rest = largest_piece(open->mesh);
        if (!rest.triangles.empty() && rims_of(rest).size() == rims_of(wrap).size() + 1) {
          wrap = std::move(rest);
          continue;
        }
      }
    closed.push_back(end);
  }
  return wrap;
}

std::optional<CutPlane> end_cut(const TriangleMesh& closed) {
  const Eigen::Matrix3d axes = principal_axes(closed.vertices).rowwise().reverse();
  for (int axis = 0; axis < 3; ++axis)
    for (const double side : {1.0, -1.0}) {
      const CutPlane cut = cut_across(closed, side * axes.col(axis));
      const auto rim = only_rim(closed, cut);
      if (!rim) continue;
      // In the middle of the opening where the same cut can be made there.
      const CutPlane middle{rounded_to(rim->centre, print_step(closed)), cut.normal};
      return only_rim(closed, middle) ? middle : cut;
    }
  return std::nullopt;
}

}  // namespace withy
