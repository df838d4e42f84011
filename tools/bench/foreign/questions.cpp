// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/foreign/questions.h"

#include <algorithm>
#include <fstream>
#include <optional>

#include <Eigen/Geometry>
#include <fmt/format.h>
#include <toml++/toml.h>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/wall_distance.h"
#include "tools/bench/foreign/cut_mesh.h"

namespace withy::bench {
namespace {

namespace fs = std::filesystem;
using Eigen::Vector3d;

// The rim and a little more: the opening radius must reach all of it.
constexpr double kRimRoom = 1.01;
// The entry plane stands this share of the rim's size past its farthest vertex.
constexpr double kPastRim = 1e-6;

struct Way {
  TriangleMesh mesh;
  Vector3d point = Vector3d::Zero();
  Vector3d into = Vector3d::Zero();
  double radius = 0.0;
};

/// The entry of a rim: its plane, moved in until all of the rim lies behind it.
Way enter(TriangleMesh mesh, const Rim& rim) {
  double most = 0.0;
  for (const Vector3d& v : rim.vertices) most = std::max(most, (v - rim.centre).dot(rim.into));
  Way way;
  way.point = rim.centre + (most + kPastRim * rim.length) * rim.into;
  way.into = rim.into;
  for (const Vector3d& v : rim.vertices) way.radius = std::max(way.radius, kRimRoom * (v - way.point).norm());
  way.mesh = std::move(mesh);
  return way;
}

tl::expected<Way, std::string> open_up(const toml::table& recipe, TriangleMesh mesh) {
  const toml::table* cut = recipe["cut"].as_table();
  if (cut != nullptr) {
    const std::string axis = (*cut)["axis"].value_or(std::string("z"));
    const int k = axis == "x" ? 0 : axis == "y" ? 1 : 2;
    Eigen::AlignedBox3d box;
    for (const Vector3d& v : mesh.vertices) box.extend(v);
    Vector3d on = box.center();
    on[k] = box.min()[k] + (*cut)["at"].value_or(0.1) * box.sizes()[k];
    const double side = (*cut)["keep"].value_or(std::string("above")) == "above" ? 1.0 : -1.0;
    const Vector3d into = side * Vector3d::Unit(k);
    auto opened = cut_open(mesh, on, into);
    if (!opened) return tl::unexpected(std::string("the cut failed"));
    const std::vector<Rim> rims = rims_of(*opened);
    if (rims.empty()) return tl::unexpected(std::string("the cut left no rim"));
    Rim rim = rims.front();
    rim.into = into;
    return enter(std::move(*opened), rim);
  }
  const std::vector<Rim> rims = rims_of(mesh);
  const auto at = static_cast<std::size_t>(recipe["opening"].value_or(0));
  if (at >= rims.size()) return tl::unexpected(fmt::format("the mesh has {} holes", rims.size()));
  return enter(std::move(mesh), rims[at]);
}

Entry entry_of(const Way& way, double scale) {
  Entry entry;
  const Vector3d x = way.into.unitOrthogonal();
  entry.X_SE.linear() << x, way.into.cross(x), way.into;
  entry.X_SE.translation() = scale * way.point;
  entry.opening_radius_mm = scale * way.radius;
  return entry;
}

struct Measured {
  Centreline line;
  std::size_t triangles = 0;
};

tl::expected<Measured, std::string> measure(const Way& way, double scale) {
  TriangleMesh mesh = way.mesh;
  for (Vector3d& v : mesh.vertices) v *= scale;
  const auto wall = make_wall(mesh, entry_of(way, scale), Outlets::closed);
  if (!wall) return tl::unexpected(wall.error().problem);
  Measured out{compute_centreline(**wall), (*wall)->channel().mesh_E.triangles.size()};
  if (out.line.branches.empty()) return tl::unexpected(std::string("no middle line was found"));
  return out;
}

double median_radius(const CentrelineBranch& branch) {
  std::vector<double> radii;
  for (const CentrelinePoint& p : branch.points) radii.push_back(p.radius_mm);
  std::nth_element(radii.begin(), radii.begin() + static_cast<std::ptrdiff_t>(radii.size() / 2), radii.end());
  return radii[radii.size() / 2];
}

/// The point so far along the line, moved off it.
Vector3d target_E(const CentrelineBranch& branch, double station_mm, double off) {
  std::size_t i = 1;
  while (i + 2 < branch.points.size() && branch.points[i].station_mm < station_mm) ++i;
  const Vector3d along = branch.points[i + 1].p_E - branch.points[i - 1].p_E;
  return branch.points[i].p_E + off * branch.points[i].radius_mm * along.normalized().unitOrthogonal();
}

toml::array array_of(const Vector3d& v) {
  return toml::array{v.x(), v.y(), v.z()};
}

tl::expected<ForeignScene, std::string> make_scene(const toml::table& recipe, const fs::path& meshes,
                                                   const fs::path& folder) {
  ForeignScene out;
  out.name = recipe["name"].value_or(std::string("unnamed"));
  auto mesh = read_mesh(meshes / recipe["file"].value_or(std::string()), LengthUnit::mm);
  if (!mesh) return tl::unexpected(mesh.error().message());
  // A body's sizes are some hundredths of a mesh's: first about right, then exactly.
  auto way = open_up(recipe, std::move(*mesh));
  if (!way) return tl::unexpected(way.error());
  const double lumen_mm = recipe["lumen_mm"].value_or(6.0);
  const double rough = lumen_mm / way->radius;
  const auto first = measure(*way, rough);
  if (!first) return tl::unexpected(first.error());
  out.scale = rough * lumen_mm / median_radius(first->line.branches.front());
  const auto exact = measure(*way, out.scale);
  if (!exact) return tl::unexpected(exact.error());
  const CentrelineBranch& branch = exact->line.branches.front();
  out.triangles = exact->triangles;
  out.length_mm = branch.length_mm();
  const Entry entry = entry_of(*way, out.scale);
  const Vector3d target_S =
      entry.X_SE * target_E(branch, recipe["target_mm"].value_or(60.0), recipe["off"].value_or(0.3));
  toml::table scene = toml::parse_file(WITHY_SOURCE_DIR "/scenes/airway/scene.toml");
  std::string stem = out.name;
  std::replace_if(
      stem.begin(), stem.end(), [](char c) { return c == ' ' || c == ','; }, '-');
  scene.insert_or_assign("title", out.name);
  scene.insert_or_assign("channel",
                         toml::table{{"mesh", stem + ".off"}, {"unit", "mm"}, {"outlets", "closed"}});
  scene.insert_or_assign("entry", toml::table{{"point_mm", array_of(entry.X_SE.translation())},
                                              {"axis", array_of(entry.X_SE.linear().col(2))},
                                              {"x_axis", array_of(entry.X_SE.linear().col(0))},
                                              {"opening_radius_mm", entry.opening_radius_mm}});
  scene.insert_or_assign("target", toml::table{{"point_mm", array_of(target_S)}, {"tolerance_mm", 2.0}});
  for (Vector3d& v : way->mesh.vertices) v *= out.scale;
  if (const auto written = write_mesh(way->mesh, folder / (stem + ".off")); !written)
    return tl::unexpected(written.error().message());
  out.file = folder / (stem + ".toml");
  std::ofstream(out.file) << scene << "\n";
  return out;
}

}  // namespace

std::vector<tl::expected<ForeignScene, std::string>> make_foreign_scenes(const fs::path& recipes,
                                                                         const fs::path& meshes,
                                                                         const fs::path& folder,
                                                                         const std::string& only) {
  fs::create_directories(folder);
  const toml::table all = toml::parse_file(recipes.string());
  std::vector<tl::expected<ForeignScene, std::string>> scenes;
  for (const toml::node& node : *all["mesh"].as_array()) {
    const toml::table& recipe = *node.as_table();
    const std::string name = recipe["name"].value_or(std::string());
    if (name.find(only) == std::string::npos) continue;
    auto scene = make_scene(recipe, meshes, folder);
    if (scene) {
      scenes.emplace_back(std::move(*scene));
    } else {
      scenes.emplace_back(tl::unexpected(name + ": " + scene.error()));
    }
  }
  return scenes;
}

}  // namespace withy::bench
