// SPDX-License-Identifier: GPL-3.0-or-later
// Faces with more than three corners, held against areas and volumes in closed form.
#include "geometry/repair/triangulate.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "tests/support/temporary_folder.h"

namespace {

using Eigen::Vector3d;
using namespace withy;
using Faces = std::vector<std::vector<int>>;

PolygonMesh mesh_of(std::vector<Vector3d> vertices, Faces faces) {
  PolygonMesh mesh;
  mesh.triangles.vertices = std::move(vertices);
  mesh.wider = std::move(faces);
  return mesh;
}

/// A prism of this outline (counter-clockwise in the xy plane) and height, every face whole.
PolygonMesh prism(const std::vector<Eigen::Vector2d>& outline, double height_mm) {
  const int n = static_cast<int>(outline.size());
  std::vector<Vector3d> vertices;
  std::vector<int> floor, roof;
  Faces faces;
  for (const double z : {0.0, height_mm})
    for (const Eigen::Vector2d& p : outline) vertices.emplace_back(p.x(), p.y(), z);
  for (int i = 0; i < n; ++i) {
    floor.insert(floor.begin(), i);
    roof.push_back(n + i);
    faces.push_back({i, (i + 1) % n, n + (i + 1) % n, n + i});
  }
  faces.push_back(floor);
  faces.push_back(roof);
  return mesh_of(vertices, faces);
}

/// Half the absolute sum of cross products (the shoelace formula).
double area_of(const std::vector<Eigen::Vector2d>& outline) {
  double twice = 0.0;
  for (std::size_t i = 0; i < outline.size(); ++i) {
    const Eigen::Vector2d& a = outline[i];
    const Eigen::Vector2d& b = outline[(i + 1) % outline.size()];
    twice += a.x() * b.y() - a.y() * b.x();
  }
  return 0.5 * twice;
}

double area_of(const TriangleMesh& mesh) {
  double area = 0.0;
  for (const auto& t : mesh.triangles) {
    const auto p = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    area += 0.5 * (p(1) - p(0)).cross(p(2) - p(0)).norm();
  }
  return area;
}

/// Every directed edge once, and its opposite once.
bool closed_and_oriented(const TriangleMesh& mesh) {
  std::map<std::pair<int, int>, int> edges;
  for (const auto& t : mesh.triangles)
    for (std::size_t k = 0; k < 3; ++k) ++edges[{t[k], t[(k + 1) % 3]}];
  return std::all_of(edges.begin(), edges.end(), [&](const auto& edge) {
    const auto back = edges.find({edge.first.second, edge.first.first});
    return edge.second == 1 && back != edges.end() && back->second == 1;
  });
}

TriangleMesh split(const PolygonMesh& mesh) {
  std::vector<std::string> done;
  return triangulated(mesh, done);
}

const std::vector<Eigen::Vector2d> kBox = {{0, 0}, {3, 0}, {3, 2}, {0, 2}};
const std::vector<Eigen::Vector2d> kCorner = {{0, 0}, {4, 0}, {4, 1}, {1, 1}, {1, 3}, {0, 3}};
const std::vector<Eigen::Vector2d> kArrowhead = {{0, 0}, {4, 2}, {0, 4}, {1, 2}};
const std::vector<Eigen::Vector2d> kComb = {{0, 0}, {7, 0}, {7, 5}, {6, 5}, {6, 1}, {4, 1},
                                            {4, 5}, {3, 5}, {3, 1}, {1, 1}, {1, 5}, {0, 5}};

}  // namespace

TEST_CASE("flat faces, concave ones too, keep a prism's volume and area") {
  const double height = 5.0;
  for (const auto& outline : {kBox, kCorner, kArrowhead, kComb}) {
    CAPTURE(outline.size());
    const TriangleMesh mesh = split(prism(outline, height));
    double round = 0.0;
    for (std::size_t i = 0; i < outline.size(); ++i)
      round += (outline[(i + 1) % outline.size()] - outline[i]).norm();
    // n walls of two triangles, floor and roof of n - 2.
    CHECK(mesh.triangles.size() == 4 * outline.size() - 4);
    CHECK(closed_and_oriented(mesh));
    CHECK(enclosed_volume(mesh) == Approx(area_of(outline) * height).epsilon(1e-12));
    CHECK(area_of(mesh) == Approx(2.0 * area_of(outline) + round * height).epsilon(1e-12));
  }
}

TEST_CASE("a bent quadrilateral is split along one of its diagonals") {
  for (const double raised : {-0.5, 0.01, 0.4, 2.0}) {
    CAPTURE(raised);
    PolygonMesh cube = prism({{0, 0}, {1, 0}, {1, 1}, {0, 1}}, 1.0);
    cube.triangles.vertices[6].z() += raised;
    const TriangleMesh mesh = split(cube);
    CHECK(closed_and_oriented(mesh));
    // A roof over half a square each: heights in the mean raised / 3 twice, or once.
    const double through_it = 1.0 + raised / 3.0;
    const double past_it = 1.0 + raised / 6.0;
    const double volume = enclosed_volume(mesh);
    CHECK(std::min(std::abs(volume - through_it), std::abs(volume - past_it)) < 1e-12);
  }
}

TEST_CASE("a bent face with many corners is closed within its corners' heights") {
  std::vector<Eigen::Vector2d> hexagon;
  for (int k = 0; k < 6; ++k)
    hexagon.emplace_back(2.0 * std::cos(k * std::acos(0.5)), 2.0 * std::sin(k * std::acos(0.5)));
  for (const double wave : {0.05, 0.5, 1.5}) {
    CAPTURE(wave);
    PolygonMesh mesh = prism(hexagon, 4.0);
    for (std::size_t k = 6; k < 12; ++k) mesh.triangles.vertices[k].z() += k % 2 == 0 ? wave : -wave;
    const TriangleMesh whole = split(mesh);
    CHECK(closed_and_oriented(whole));
    CHECK(enclosed_volume(whole) > area_of(hexagon) * (4.0 - wave));
    CHECK(enclosed_volume(whole) < area_of(hexagon) * (4.0 + wave));
  }
}

TEST_CASE("a face with a hole, cut open to it, keeps its area; one without area is left out and named") {
  const std::vector<Vector3d> vertices = {{0, 0, 0}, {4, 0, 0}, {4, 4, 0}, {0, 4, 0},
                                          {1, 1, 0}, {1, 3, 0}, {3, 3, 0}, {3, 1, 0}};
  CHECK(area_of(split(mesh_of(vertices, {{0, 1, 2, 3, 0, 4, 5, 6, 7, 4}}))) == Approx(12.0));
  std::vector<std::string> done;
  const TriangleMesh none = triangulated(
      mesh_of({{0, 0, 0}, {1, 0, 0}, {2, 0, 0}, {3, 0, 0}, {0, 1, 0}}, {{0, 1, 2, 3}, {0, 1, 1, 4}}), done);
  CHECK(none.triangles.size() == 1);
  CHECK(area_of(none) == Approx(0.5));
  REQUIRE(done.size() == 2);
  CHECK(done[0] == "Split 1 face with more than three corners into triangles.");
  CHECK(done[1] == "Left out 1 face with more than three corners and no area.");
}

TEST_CASE("faces of any number of corners are read from all four formats, and refused as triangles") {
  const withy_test::TemporaryFolder folder;
  const PolygonMesh mesh = prism(kCorner, 5.0);
  const auto& vertices = mesh.triangles.vertices;
  std::string obj, off, ply, stl = "solid a\n";
  off = fmt::format("OFF\n{} {} 0\n", vertices.size(), mesh.wider.size());
  ply = fmt::format(
      "ply\nformat ascii 1.0\nelement vertex {}\nproperty double x\nproperty double y\nproperty double z\n"
      "element face {}\nproperty list uchar int vertex_indices\nend_header\n",
      vertices.size(), mesh.wider.size());
  for (const Vector3d& v : vertices) {
    const std::string line = fmt::format("{} {} {}\n", v.x(), v.y(), v.z());
    obj += "v " + line;
    off += line;
    ply += line;
  }
  for (const auto& face : mesh.wider) {
    std::string from_0, from_1, points;
    for (const int v : face) {
      const Vector3d& p = vertices[static_cast<std::size_t>(v)];
      from_0 += fmt::format(" {}", v);
      from_1 += fmt::format(" {}", v + 1);
      points += fmt::format("vertex {} {} {}\n", p.x(), p.y(), p.z());
    }
    obj += "f" + from_1 + "\n";
    off += fmt::format("{}{}\n", face.size(), from_0);
    ply += fmt::format("{}{}\n", face.size(), from_0);
    stl += "facet normal 0 0 0\nouter loop\n" + points + "endloop\nendfacet\n";
  }
  for (const auto& [name, text] : std::map<std::string, std::string>{
           {"a.obj", obj}, {"a.off", off}, {"a.ply", ply}, {"a.stl", stl + "endsolid a\n"}}) {
    CAPTURE(name);
    withy_test::write_text(folder.path() / name, text);
    const auto read = read_polygon_mesh(folder.path() / name, LengthUnit::cm);
    REQUIRE(read);
    CHECK(read->triangles.vertices.size() == 12);
    CHECK(read->wider.size() == 8);
    CHECK(enclosed_volume(split(*read)) == Approx(1000.0 * 6.0 * 5.0));
    const auto refused = read_mesh(folder.path() / name, LengthUnit::cm);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().remedy.find("withy scene") != std::string::npos);
  }
}
