// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/ugly_meshes.h"

#include <algorithm>
#include <map>
#include <random>
#include <set>
#include <utility>

#include <Eigen/Geometry>

namespace withy_test {
namespace {

using withy::TriangleMesh;
using Triangle = std::array<int, 3>;

class Spoiler {
 public:
  Spoiler(TriangleMesh mesh, double radius_mm, double edge_mm, std::uint32_t seed)
      : clean_(std::move(mesh)), mesh_(clean_), radius_(radius_mm), edge_(edge_mm), random_(seed) {}

  const TriangleMesh& mesh() const { return mesh_; }

  /// Small closed octahedra about the wall, inside and out.
  Spoiler& specks(int count) {
    for (int i = 0; i < count; ++i) {
      const Eigen::Vector3d at = some_vertex() + 1.5 * radius_ * some_direction();
      add_octahedron(at, (0.1 + 0.3 * share()) * edge_);
    }
    return *this;
  }

  /// A vertex and all its triangles gone, away from the rims.
  Spoiler& holes(int count) {
    const std::set<int> rim = rim_vertices();
    for (int i = 0; i < count; ++i) {
      int v = some(static_cast<int>(clean_.vertices.size()));
      while (rim.contains(v)) v = some(static_cast<int>(clean_.vertices.size()));
      std::erase_if(mesh_.triangles,
                    [&](const Triangle& t) { return std::find(t.begin(), t.end(), v) != t.end(); });
    }
    return *this;
  }

  Spoiler& flips(double part) {
    for (Triangle& t : mesh_.triangles)
      if (share() < part) std::swap(t[0], t[1]);
    return *this;
  }

  /// A point very near a corner, so that a triangle becomes three, two of them slivers.
  Spoiler& slivers(int count) {
    for (int i = 0; i < count; ++i) {
      const auto f = static_cast<std::size_t>(some(static_cast<int>(mesh_.triangles.size())));
      const Triangle t = mesh_.triangles[f];
      const Eigen::Vector3d p = 0.9998 * at(t[0]) + 1e-4 * at(t[1]) + 1e-4 * at(t[2]);
      const int v = static_cast<int>(mesh_.vertices.size());
      mesh_.vertices.push_back(p);
      mesh_.triangles[f] = {t[0], t[1], v};
      mesh_.triangles.push_back({t[1], t[2], v});
      mesh_.triangles.push_back({t[2], t[0], v});
    }
    return *this;
  }

  /// A vertex drawn far enough along the wall that its triangles cross those beside them.
  Spoiler& crossings(int count) {
    const std::set<int> rim = rim_vertices();
    const auto neighbours = neighbours_of();
    for (int i = 0; i < count; ++i) {
      int v = some(static_cast<int>(clean_.vertices.size()));
      while (rim.contains(v) || !neighbours.contains(v)) v = some(static_cast<int>(clean_.vertices.size()));
      const int to = *neighbours.at(v).begin();
      mesh_.vertices[static_cast<std::size_t>(v)] += 1.6 * (at(to) - at(v));
    }
    return *this;
  }

  /// A second skin outside the first, with no joint between them.
  Spoiler& second_skin(double off_mm) {
    const std::vector<Eigen::Vector3d> normals = normals_of();
    const int base = static_cast<int>(mesh_.vertices.size());
    for (std::size_t v = 0; v < clean_.vertices.size(); ++v)
      mesh_.vertices.push_back(clean_.vertices[v] + off_mm * normals[v]);
    for (const Triangle& t : clean_.triangles)
      mesh_.triangles.push_back({t[0] + base, t[2] + base, t[1] + base});
    return *this;
  }

  /// Closed shells in the lumen, one inside the other.
  Spoiler& nested_shells(int count) {
    for (int i = 0; i < count; ++i) {
      const Eigen::Vector3d middle = some_vertex() - radius_ * normals_of()[static_cast<std::size_t>(last_)];
      add_octahedron(middle, 0.3 * radius_);
      add_octahedron(middle, 0.15 * radius_);
    }
    return *this;
  }

  /// Every triangle with vertices of its own; some triangles twice.
  Spoiler& torn_apart(double twice) {
    TriangleMesh apart;
    for (const Triangle& t : mesh_.triangles)
      for (int copy = share() < twice ? 2 : 1; copy > 0; --copy) {
        const int base = static_cast<int>(apart.vertices.size());
        for (const int v : t) apart.vertices.push_back(at(v));
        apart.triangles.push_back({base, base + 1, base + 2});
      }
    mesh_ = std::move(apart);
    return *this;
  }

 private:
  Eigen::Vector3d at(int v) const { return mesh_.vertices[static_cast<std::size_t>(v)]; }
  double share() { return std::uniform_real_distribution<double>(0.0, 1.0)(random_); }
  int some(int count) { return std::uniform_int_distribution<int>(0, count - 1)(random_); }
  Eigen::Vector3d some_vertex() {
    last_ = some(static_cast<int>(clean_.vertices.size()));
    return clean_.vertices[static_cast<std::size_t>(last_)];
  }
  Eigen::Vector3d some_direction() {
    std::normal_distribution<double> normal;
    return Eigen::Vector3d(normal(random_), normal(random_), normal(random_)).normalized();
  }

  std::map<int, std::set<int>> neighbours_of() const {
    std::map<int, std::set<int>> out;
    for (const Triangle& t : clean_.triangles)
      for (std::size_t k = 0; k < 3; ++k) {
        out[t[k]].insert(t[(k + 1) % 3]);
        out[t[k]].insert(t[(k + 2) % 3]);
      }
    return out;
  }

  /// Those on a border, and their neighbours.
  std::set<int> rim_vertices() const {
    std::map<std::pair<int, int>, int> faces;
    for (const Triangle& t : clean_.triangles)
      for (std::size_t k = 0; k < 3; ++k) ++faces[std::minmax(t[k], t[(k + 1) % 3])];
    std::set<int> rim;
    for (const auto& [edge, count] : faces)
      if (count == 1) rim.insert({edge.first, edge.second});
    std::set<int> wide = rim;
    for (const auto& [v, near] : neighbours_of())
      if (rim.contains(v)) wide.insert(near.begin(), near.end());
    return wide;
  }

  std::vector<Eigen::Vector3d> normals_of() const {
    std::vector<Eigen::Vector3d> normals(clean_.vertices.size(), Eigen::Vector3d::Zero());
    for (const Triangle& t : clean_.triangles) {
      const auto p = [&](std::size_t k) { return clean_.vertices[static_cast<std::size_t>(t[k])]; };
      const Eigen::Vector3d n = (p(1) - p(0)).cross(p(2) - p(0));
      for (const int v : t) normals[static_cast<std::size_t>(v)] += n;
    }
    for (Eigen::Vector3d& n : normals) n.normalize();
    return normals;
  }

  void add_octahedron(const Eigen::Vector3d& at, double radius_mm) {
    const int base = static_cast<int>(mesh_.vertices.size());
    for (int k = 0; k < 3; ++k)
      for (const double side : {-1.0, 1.0})
        mesh_.vertices.push_back(at + side * radius_mm * Eigen::Vector3d::Unit(k));
    for (int i = 0; i < 8; ++i) {
      Triangle t = {base + (i & 1), base + 2 + (i >> 1 & 1), base + 4 + (i >> 2 & 1)};
      if ((((i & 1) + (i >> 1 & 1) + (i >> 2 & 1)) & 1) == 0) std::swap(t[0], t[1]);
      mesh_.triangles.push_back(t);
    }
  }

  TriangleMesh clean_;
  TriangleMesh mesh_;
  double radius_;
  double edge_;
  std::mt19937 random_;
  int last_ = 0;
};

}  // namespace

std::vector<UglyMesh> ugly_meshes(const TriangleMesh& clean, double radius_mm, double edge_mm,
                                  std::uint32_t seed) {
  const auto fresh = [&](std::uint32_t k) { return Spoiler(clean, radius_mm, edge_mm, 100 * seed + k); };
  return {
      {"specks", fresh(1).specks(40).mesh()},
      {"holes", fresh(2).holes(8).mesh()},
      {"flips", fresh(3).flips(0.3).mesh()},
      {"slivers", fresh(4).slivers(60).mesh()},
      {"crossings", fresh(5).crossings(6).mesh()},
      {"a second skin", fresh(6).second_skin(0.15 * radius_mm).mesh(), true},
      {"nested shells", fresh(7).nested_shells(3).mesh()},
      {"torn apart", fresh(8).torn_apart(0.2).mesh()},
      {"a little of all",
       fresh(9).holes(3).crossings(2).slivers(20).flips(0.1).specks(10).torn_apart(0.1).mesh()},
      {"much of all", fresh(10)
                          .holes(12)
                          .crossings(12)
                          .slivers(60)
                          .flips(0.4)
                          .specks(40)
                          .nested_shells(2)
                          .torn_apart(0.3)
                          .mesh()},
  };
}

}  // namespace withy_test
