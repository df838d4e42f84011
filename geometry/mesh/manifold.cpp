// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/manifold.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

namespace withy {
namespace {

/// A vertex of more faces than this is left to CGAL: the search round it takes their square. Chosen.
constexpr std::size_t kMostRound = 4096;

/// Where one face round a vertex leads from and to.
struct Step {
  int from = -1;
  int to = -1;
};

enum class Round { none, ring, row, neither };

bool indices_are_sound(const TriangleMesh& mesh) {
  const auto count = static_cast<int>(mesh.vertices.size());
  return std::all_of(mesh.triangles.begin(), mesh.triangles.end(), [&](const std::array<int, 3>& t) {
    return t[0] != t[1] && t[1] != t[2] && t[2] != t[0] &&
           std::all_of(t.begin(), t.end(), [&](int v) { return v >= 0 && v < count; });
  });
}

bool two_coincide(const TriangleMesh& mesh) {
  std::vector<std::array<double, 3>> points;
  points.reserve(mesh.vertices.size());
  for (const Eigen::Vector3d& v : mesh.vertices) points.push_back({v.x(), v.y(), v.z()});
  std::sort(points.begin(), points.end());
  return std::adjacent_find(points.begin(), points.end()) != points.end();
}

/// The steps round all vertices, and where those of each begin.
struct Steps {
  std::vector<Step> steps;
  std::vector<std::uint32_t> begin;

  explicit Steps(const TriangleMesh& mesh) : begin(mesh.vertices.size() + 1, 0) {
    for (const auto& t : mesh.triangles)
      for (const int v : t) ++begin[static_cast<std::size_t>(v) + 1];
    for (std::size_t v = 1; v < begin.size(); ++v) begin[v] += begin[v - 1];
    steps.resize(3 * mesh.triangles.size());
    std::vector<std::uint32_t> next(begin.begin(), begin.end() - 1);
    for (const auto& t : mesh.triangles)
      for (std::size_t k = 0; k < 3; ++k)
        steps[next[static_cast<std::size_t>(t[k])]++] = {t[(k + 1) % 3], t[(k + 2) % 3]};
  }

  std::span<const Step> round(std::size_t v) const {
    return std::span(steps).subspan(begin[v], begin[v + 1] - begin[v]);
  }
};

Round round_of(std::span<const Step> steps) {
  if (steps.empty()) return Round::none;
  if (steps.size() > kMostRound) return Round::neither;
  std::optional<int> start;  // of the row
  for (std::size_t i = 0; i < steps.size(); ++i) {
    bool reached = false;
    for (std::size_t j = 0; j < steps.size(); ++j) {
      if (i != j && (steps[j].from == steps[i].from || steps[j].to == steps[i].to)) return Round::neither;
      reached = reached || steps[j].to == steps[i].from;
    }
    if (reached) continue;
    if (start) return Round::neither;
    start = steps[i].from;
  }
  int at = start.value_or(steps.front().from);
  for (std::size_t taken = 0; taken < steps.size(); ++taken) {
    const auto step = std::find_if(steps.begin(), steps.end(), [&](const Step& s) { return s.from == at; });
    if (step == steps.end()) return Round::neither;
    at = step->to;
    // Back before all were taken: there is another ring.
    if (!start && at == steps.front().from && taken + 1 < steps.size()) return Round::neither;
  }
  if (start) return Round::row;
  return steps.size() > 2 ? Round::ring : Round::neither;  // two faces back to back are no surface
}

}  // namespace

std::optional<std::size_t> manifold_borders(const TriangleMesh& mesh) {
  if (mesh.triangles.empty() || mesh.triangles.size() > std::numeric_limits<std::uint32_t>::max() / 3)
    return std::nullopt;
  if (!indices_are_sound(mesh) || two_coincide(mesh)) return std::nullopt;
  const Steps steps(mesh);
  std::size_t borders = 0;  // as many edges as vertices: each vertex on one has one row
  for (std::size_t v = 0; v < mesh.vertices.size(); ++v) {
    const Round round = round_of(steps.round(v));
    if (round == Round::neither) return std::nullopt;
    if (round == Round::row) ++borders;
  }
  return borders;
}

}  // namespace withy
