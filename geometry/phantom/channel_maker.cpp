// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/channel_maker.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "geometry/phantom/branch_mesher.h"
#include "geometry/phantom/tube_sweep.h"

namespace withy {
namespace {

using Eigen::Vector3d;

/// A channel of more triangles than this is a slip in the edge length, not a wish: a single tube, and joined
/// ones, whose mesher takes about 3 kB and 0.2 ms for each.
constexpr double kMostTriangles = 3e6;
constexpr double kMostJoinedTriangles = 5e5;

/// The mesher of joined tubes needs a tube to be a few edges round to find it at all.
constexpr double kEdgesPerRadius = 1.0;

/// Vertices this near an end's plane belong to its flat face; well below any edge, well above rounding.
constexpr double kOnEnd_mm = 1e-6;

/// How far the radius goes up and down in all: what the wall is longer than the tube by, at most.
double rise_mm(const RadiusProfile& radius) {
  double rise = 0.0;
  for (std::size_t i = 1; i < radius.knots.size(); ++i)
    rise += std::abs(radius.knots[i].radius_mm - radius.knots[i - 1].radius_mm);
  return rise;
}

/// Of the wall and of its two ends, mm^2.
double wall_area(const TubeTree::Tube& tube) {
  const int steps = std::max(1, static_cast<int>(std::ceil(tube.path.length_mm())));
  double area = 0.0;
  for (int i = 0; i < steps; ++i) {
    const double s = tube.path.length_mm() * (i + 0.5) / steps;
    area += 2.0 * std::numbers::pi * tube.radius.at(s) * tube.path.length_mm() / steps;
  }
  area += 2.0 * std::numbers::pi * tube.radius.largest() * rise_mm(tube.radius);
  for (const double s : {0.0, tube.path.length_mm()}) {
    const double radius = tube.radius.at(s);
    area += std::numbers::pi * radius * radius;
  }
  return area;
}

/// Is the edge length a sensible one for these tubes?
std::optional<RecipeRefusal> bad_edge_length(const ChannelRecipe& recipe, const TubeTree& tree) {
  double area = 0.0;
  for (std::size_t i = 0; i < tree.tubes().size(); ++i) {
    area += wall_area(tree.tubes()[i]);
    const double narrowest = tree.tubes()[i].radius.smallest();
    if (tree.tubes().size() > 1 && recipe.edge_length_mm > kEdgesPerRadius * narrowest) {
      return RecipeRefusal{RecipeFault::too_coarse, static_cast<int>(i),
                           fmt::format("an edge length of {} mm is too coarse for tube '{}' of radius {} mm",
                                       recipe.edge_length_mm, recipe.tubes[i].name, narrowest),
                           fmt::format("give an edge_length_mm of at most {}", kEdgesPerRadius * narrowest)};
    }
  }
  // An equilateral triangle of edge e covers sqrt(3) / 4 e^2.
  double triangles = area / (0.433 * recipe.edge_length_mm * recipe.edge_length_mm);
  // With so many sides all along, a ring of twice as many triangles for each edge of length.
  if (recipe.sides > 0)
    triangles = 2.0 * recipe.sides *
                (tree.tubes().front().path.length_mm() + rise_mm(tree.tubes().front().radius) +
                 2.0 * tree.tubes().front().radius.largest()) /
                recipe.edge_length_mm;
  const double most = tree.tubes().size() > 1 ? kMostJoinedTriangles : kMostTriangles;
  if (triangles <= most) return std::nullopt;
  return RecipeRefusal{
      RecipeFault::too_fine, 0,
      fmt::format("an edge length of {} mm makes about {:.0f} triangles", recipe.edge_length_mm, triangles),
      fmt::format("give an edge_length_mm of at least {:.3f}", std::sqrt(area / (0.433 * most)))};
}

/// The tube and station nearest to a spot, in words.
std::string place_of(const ChannelRecipe& recipe, const TubeTree& tree, const Vector3d& p, int& tube) {
  double best = kInfinity;
  double station = 0.0;
  for (std::size_t i = 0; i < tree.tubes().size(); ++i) {
    const auto near = tree.tubes()[i].path.nearest(p);
    const double height = near.distance_mm - tree.tubes()[i].radius.at(near.station_mm);
    if (height >= best) continue;
    best = height;
    station = near.station_mm;
    tube = static_cast<int>(i);
  }
  return fmt::format("tube '{}' at station {:.1f} mm", recipe.tubes[static_cast<std::size_t>(tube)].name,
                     station);
}

std::optional<RecipeRefusal> bad_shell(const ChannelRecipe& recipe, const TubeTree& tree,
                                       const TriangleMesh& mesh) {
  const ShellCheck check = check_shell(mesh);
  int tube = 0;
  switch (check.fault) {
    case ShellFault::none:
      return std::nullopt;
    case ShellFault::crosses_itself: {
      const std::string place = place_of(recipe, tree, *check.where, tube);
      return RecipeRefusal{RecipeFault::meets_itself, tube, "the wall crosses itself near " + place,
                           "lead the tube farther from itself, or narrow it"};
    }
    case ShellFault::not_a_ball:
      return RecipeRefusal{RecipeFault::meets_itself, tube,
                           "tubes grow together again away from where they branch",
                           "lead them farther apart, or narrow them"};
    case ShellFault::not_closed:
    case ShellFault::several_pieces:
      break;
  }
  return RecipeRefusal{
      RecipeFault::too_coarse, tube,
      fmt::format("at an edge length of {} mm the wall does not close", recipe.edge_length_mm),
      "give a smaller edge_length_mm"};
}

/// Index of the flat end that a triangle lies on, or -1.
int end_of(const TubeTree& tree, const TriangleMesh& mesh, const std::array<int, 3>& triangle) {
  for (std::size_t e = 0; e < tree.flat_ends().size(); ++e) {
    if (std::all_of(triangle.begin(), triangle.end(), [&](int v) {
          return TubeTree::on_end(tree.flat_ends()[e], mesh.vertices[static_cast<std::size_t>(v)], kOnEnd_mm);
        })) {
      return static_cast<int>(e);
    }
  }
  return -1;
}

/// How far wall facets stray from the exact surface, looked at where they stray most: mid-edge and mid-face.
void measure_facets(const TubeTree& tree, const std::vector<int>& end_of_triangle, const Effort& effort,
                    MadeChannel& made) {
  for (std::size_t t = 0; t < made.mesh_S.triangles.size() && !effort.cut_short(); ++t) {
    if (end_of_triangle[t] >= 0) continue;
    std::array<Vector3d, 3> v;
    for (std::size_t k = 0; k < 3; ++k)
      v[k] = made.mesh_S.vertices[static_cast<std::size_t>(made.mesh_S.triangles[t][k])];
    const std::array<Vector3d, 4> probes{(v[0] + v[1]) / 2.0, (v[1] + v[2]) / 2.0, (v[2] + v[0]) / 2.0,
                                         (v[0] + v[1] + v[2]) / 3.0};
    for (const Vector3d& p : probes) {
      const double height = tree.height(p);
      made.facets_inside_mm = std::max(made.facets_inside_mm, -height);
      made.facets_outside_mm = std::max(made.facets_outside_mm, height);
    }
  }
}

/// Leaves out the faces of open ends, and the vertices that only they had.
TriangleMesh open_ends(const ChannelRecipe& recipe, const TubeTree& tree, const TriangleMesh& closed,
                       const std::vector<int>& end_of_triangle) {
  TriangleMesh mesh;
  std::vector<int> index(closed.vertices.size(), -1);
  for (std::size_t t = 0; t < closed.triangles.size(); ++t) {
    if (const int e = end_of_triangle[t]; e >= 0) {
      const bool is_entry = tree.flat_ends()[static_cast<std::size_t>(e)].is_entry;
      if ((is_entry ? recipe.entry_end : recipe.far_ends) == TubeEnd::open) continue;
    }
    std::array<int, 3> triangle = closed.triangles[t];
    for (int& v : triangle) {
      int& to = index[static_cast<std::size_t>(v)];
      if (to < 0) {
        to = static_cast<int>(mesh.vertices.size());
        mesh.vertices.push_back(closed.vertices[static_cast<std::size_t>(v)]);
      }
      v = to;
    }
    mesh.triangles.push_back(triangle);
  }
  return mesh;
}

}  // namespace

tl::expected<MadeChannel, RecipeRefusal> make_channel_mesh(const ChannelRecipe& recipe,
                                                           const Effort& effort) {
  const auto cut_short = [] {
    return tl::unexpected(RecipeRefusal{RecipeFault::cut_short, 0, "the mesh was not finished in its time",
                                        "give more time, or a larger edge_length_mm"});
  };
  const auto tree = TubeTree::make(recipe);
  if (!tree) return tl::unexpected(tree.error());
  if (auto refusal = bad_edge_length(recipe, *tree)) return tl::unexpected(*refusal);
  MadeChannel made;
  auto mesh = tree->tubes().size() == 1
                  ? sweep_tube(tree->tubes().front(), recipe.edge_length_mm, recipe.sides)
                  : mesh_tube_tree(*tree, recipe.edge_length_mm, effort);
  if (!mesh || effort.cut_short()) return cut_short();
  made.mesh_S = std::move(*mesh);
  if (auto refusal = bad_shell(recipe, *tree, made.mesh_S)) return tl::unexpected(*refusal);
  std::vector<int> ends;
  for (const auto& triangle : made.mesh_S.triangles) ends.push_back(end_of(*tree, made.mesh_S, triangle));
  measure_facets(*tree, ends, effort, made);
  if (effort.cut_short()) return cut_short();
  made.mesh_S = open_ends(recipe, *tree, made.mesh_S, ends);
  return made;
}

}  // namespace withy
