// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: the signed distance to the wall.
//
// Size: least distance from the point to any wall triangle (a box tree only saves looking at far ones). Sign:
// generalised winding number of the closed solid, summed over all faces with the solid angle of A. van
// Oosterom and J. Strackee, "The Solid Angle of a Plane Triangle", IEEE Trans. Biomedical Engineering
// BME-30(2), 1983, equation 8.
#pragma once

#include <array>
#include <limits>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "tests/support/plain_mesh.h"

namespace withy_plain {

/// Distance from a point to the triangle a b c: the least of those to its plane (where the foot lies within)
/// and its edges.
double triangle_distance(const Eigen::Vector3d& p, const Eigen::Vector3d& a, const Eigen::Vector3d& b,
                         const Eigen::Vector3d& c);

inline constexpr double kFar = std::numeric_limits<double>::infinity();

/// Some triangles in a tree of boxes.
class Triangles {
 public:
  explicit Triangles(std::vector<std::array<Eigen::Vector3d, 3>> corners);
  bool empty() const { return corners_.empty(); }
  /// Least distance, or `most_mm` where that is less; infinite when there are no triangles.
  double distance(const Eigen::Vector3d& p, double most_mm = kFar) const;

 private:
  struct Node {
    Eigen::AlignedBox3d box;
    int first, count;           // triangles, in a leaf
    int left = -1, right = -1;  // children, otherwise
  };
  int build(int first, int count);
  void search(int node, const Eigen::Vector3d& p, double& best) const;
  std::vector<std::array<Eigen::Vector3d, 3>> corners_;
  std::vector<Node> nodes_;
};

/// The channel as the plain implementation measures it; all points in the entry frame E.
class Wall {
 public:
  explicit Wall(const Solid& solid);

  /// Distances beyond `most_mm`, which take longer, come out as that.
  double distance(const Eigen::Vector3d& p_E, double most_mm = kFar) const {
    return wall_.distance(p_E, most_mm);
  }
  bool inside(const Eigen::Vector3d& p_E) const;
  /// D: positive inside.
  double signed_distance(const Eigen::Vector3d& p_E) const {
    return inside(p_E) ? distance(p_E) : -distance(p_E);
  }
  /// Distance to any face, wall or not: nothing closer than this lies on the other side of the solid's
  /// surface.
  double surface_distance(const Eigen::Vector3d& p_E) const { return surface_.distance(p_E); }
  /// Distance to the open outlets; infinite when there are none.
  double outlet_distance(const Eigen::Vector3d& p_E) const { return outlets_.distance(p_E); }

 private:
  std::vector<std::array<Eigen::Vector3d, 3>> all_;
  Triangles wall_, surface_, outlets_;
};

}  // namespace withy_plain
