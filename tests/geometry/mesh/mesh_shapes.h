// SPDX-License-Identifier: GPL-3.0-or-later
// Shapes with known distances and volumes, the tables of the mesh assets, and plain measures: for the tests
// of geometry/.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>

#include "geometry/mesh/mesh.h"

namespace withy::shapes {

inline std::filesystem::path assets() {
  return std::filesystem::path(WITHY_SOURCE_DIR) / "tests/assets/meshes";
}

/// The cells of a Markdown table whose header starts with `first_heading` and has `columns` columns, in a
/// file's section `heading` ("" for the whole file).
inline std::vector<std::vector<std::string>> table(const std::filesystem::path& file,
                                                   const std::string& heading) {
  std::ifstream in(file);
  std::vector<std::vector<std::string>> rows;
  bool within = heading.empty();
  for (std::string line; std::getline(in, line);) {
    if (line.rfind("## ", 0) == 0) within = line == "## " + heading;
    if (!within || line.rfind("| ", 0) != 0) continue;
    std::vector<std::string> cells;
    for (std::size_t at = 1, bar; (bar = line.find(" |", at)) != std::string::npos; at = bar + 2) {
      cells.push_back(line.substr(at + 1, bar - at - 1));
    }
    rows.push_back(cells);
  }
  if (!rows.empty()) rows.erase(rows.begin());  // the headings
  return rows;
}

using Triangles = std::vector<std::array<Eigen::Vector3d, 3>>;

inline Triangles corners(const TriangleMesh& mesh) {
  Triangles out;
  for (const auto& t : mesh.triangles)
    out.push_back({mesh.vertices[t[0]], mesh.vertices[t[1]], mesh.vertices[t[2]]});
  return out;
}

/// Each triangle turned so that its least corner comes first, and all in order: equal for equal meshes,
/// however indexed.
inline std::vector<std::array<double, 9>> canonical(const TriangleMesh& mesh) {
  std::vector<std::array<double, 9>> out;
  for (const auto& t : corners(mesh)) {
    std::array<std::array<double, 9>, 3> turns;
    for (int k = 0; k < 3; ++k) {
      for (int c = 0; c < 3; ++c) {
        for (int i = 0; i < 3; ++i) turns[k][3 * c + i] = t[(k + c) % 3][i];
      }
    }
    out.push_back(*std::min_element(turns.begin(), turns.end()));
  }
  std::sort(out.begin(), out.end());
  return out;
}

/// Divergence theorem: a sixth of the sum of the triple products of the corners. Positive when normals point
/// out.
inline double volume(const TriangleMesh& mesh) {
  double sum = 0.0;
  for (const auto& [a, b, c] : corners(mesh)) sum += a.dot(b.cross(c));
  return sum / 6.0;
}

inline double area(const std::array<Eigen::Vector3d, 3>& t) {
  return 0.5 * (t[1] - t[0]).cross(t[2] - t[0]).norm();
}

/// The sides and ends of |x|, |y| <= half_mm, z from z0_mm to z1_mm; the near end is the one at z0_mm.
inline TriangleMesh block(double half_mm, double z0_mm, double z1_mm, bool near_end = true,
                          bool far_end = true) {
  const double h = half_mm;
  TriangleMesh mesh;
  for (const double z : {z0_mm, z1_mm}) {
    for (const auto& [x, y] : {std::pair{-h, -h}, {h, -h}, {h, h}, {-h, h}})
      mesh.vertices.emplace_back(x, y, z);
  }
  mesh.triangles = {{0, 1, 5}, {0, 5, 4}, {1, 2, 6}, {1, 6, 5}, {2, 3, 7}, {2, 7, 6}, {3, 0, 4}, {3, 4, 7}};
  if (near_end) mesh.triangles.insert(mesh.triangles.end(), {{0, 2, 1}, {0, 3, 2}});
  if (far_end) mesh.triangles.insert(mesh.triangles.end(), {{4, 5, 6}, {4, 6, 7}});
  return mesh;
}

/// A prism over a polygon about the z axis from z = 0, `rings` bands of equal height; far end open or a fan.
inline TriangleMesh prism(const std::vector<Eigen::Vector2d>& outline, double length_mm, int rings,
                          bool near_end, bool far_end) {
  TriangleMesh mesh;
  const int n = static_cast<int>(outline.size());
  for (int j = 0; j <= rings; ++j) {
    for (const auto& p : outline) mesh.vertices.emplace_back(p.x(), p.y(), length_mm * j / rings);
  }
  for (int j = 0; j < rings; ++j) {
    for (int i = 0; i < n; ++i) {
      const int a = j * n + i, b = j * n + (i + 1) % n;
      mesh.triangles.push_back({a, b, b + n});
      mesh.triangles.push_back({a, b + n, a + n});
    }
  }
  const auto fan = [&](double z, int first, bool up) {
    const int centre = static_cast<int>(mesh.vertices.size());
    mesh.vertices.emplace_back(0.0, 0.0, z);
    for (int i = 0; i < n; ++i) {
      const int a = first + i, b = first + (i + 1) % n;
      mesh.triangles.push_back(up ? std::array{centre, a, b} : std::array{centre, b, a});
    }
  };
  if (near_end) fan(0.0, 0, false);
  if (far_end) fan(length_mm, rings * n, true);
  return mesh;
}

inline std::vector<Eigen::Vector2d> circle(double radius_mm, int sides) {
  std::vector<Eigen::Vector2d> out;
  for (int i = 0; i < sides; ++i) {
    const double a = 2.0 * EIGEN_PI * i / sides;
    out.emplace_back(radius_mm * std::cos(a), radius_mm * std::sin(a));
  }
  return out;
}

/// An octahedron whose faces were split in four `times` times, every vertex on the sphere.
inline TriangleMesh sphere(double radius_mm, const Eigen::Vector3d& centre, int times) {
  Triangles faces;
  for (const double x : {1.0, -1.0}) {
    for (const double y : {1.0, -1.0}) {
      for (const double z : {1.0, -1.0}) {
        const Eigen::Vector3d a(x, 0, 0), b(0, y, 0), c(0, 0, z);
        faces.push_back(x * y * z > 0 ? std::array{a, b, c} : std::array{b, a, c});
      }
    }
  }
  for (int i = 0; i < times; ++i) {
    Triangles split;
    for (const auto& [a, b, c] : faces) {
      const Eigen::Vector3d ab = (a + b).normalized(), bc = (b + c).normalized(), ca = (c + a).normalized();
      split.insert(split.end(), {{a, ab, ca}, {ab, b, bc}, {ca, bc, c}, {ab, bc, ca}});
    }
    faces = std::move(split);
  }
  TriangleMesh mesh;
  for (const auto& t : faces) {
    std::array<int, 3> face{};
    for (int k = 0; k < 3; ++k) {
      const Eigen::Vector3d v = centre + radius_mm * t[k];
      const auto same = [&](const Eigen::Vector3d& w) { return (w - v).norm() < 1e-9 * radius_mm; };
      const auto found = std::find_if(mesh.vertices.begin(), mesh.vertices.end(), same);
      face[k] = static_cast<int>(found - mesh.vertices.begin());
      if (found == mesh.vertices.end()) mesh.vertices.push_back(v);
    }
    mesh.triangles.push_back(face);
  }
  return mesh;
}

}  // namespace withy::shapes
