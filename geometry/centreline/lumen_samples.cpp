// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_samples.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <map>
#include <optional>
#include <queue>
#include <tuple>

#include <Eigen/Geometry>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/geometry_shares.h"

namespace withy {
namespace {

// A piece may be this many half widths long before it is halved.
constexpr double kLongestPiece = 2.0;
// From this far inside the face, in parts of its size, the way in is measured: rounding leaves a start on
// it on either side.
constexpr double kOffFace = 1e-9;
// Faces that turn by more than 30 degrees make a sharp edge: chords of a round wall turn by less.
constexpr double kSharpCosine = 0.866;

struct Piece {
  std::array<Eigen::Vector3d, 3> corner;
  Eigen::Vector3d inward;
  int face = -1;
  LumenSample sample;

  double longest() const {
    return std::max(
        {(corner[1] - corner[0]).norm(), (corner[2] - corner[1]).norm(), (corner[0] - corner[2]).norm()});
  }
  bool too_long() const { return longest() > kLongestPiece * sample.half_width_mm; }
};

void measure(const LumenWalls& walls, double most_mm, Piece& piece) {
  const Eigen::Vector3d p_E = (piece.corner[0] + piece.corner[1] + piece.corner[2]) / 3.0;
  const Eigen::Vector3d start_E = p_E + kOffFace * piece.longest() * piece.inward;
  piece.sample = {p_E, std::min(most_mm, walls.half_width(start_E, piece.inward, piece.face))};
}

std::vector<Piece> whole_faces(const Channel& channel, const LumenWalls& walls) {
  const std::vector<int>& sides = walls.sides();
  const std::size_t step = sides.size() / shares::kLumenFaces + 1;
  std::vector<Piece> pieces;
  for (std::size_t i = 0; i < sides.size(); i += step) {
    Piece piece;
    const auto& t = channel.mesh_E.triangles[static_cast<std::size_t>(sides[i])];
    for (std::size_t k = 0; k < 3; ++k)
      piece.corner[k] = channel.mesh_E.vertices[static_cast<std::size_t>(t[k])];
    const Eigen::Vector3d out = (piece.corner[1] - piece.corner[0]).cross(piece.corner[2] - piece.corner[0]);
    if (out.norm() <= 0.0) continue;
    piece.inward = -out.normalized();
    piece.face = sides[i];
    pieces.push_back(piece);
  }
  return pieces;
}

std::array<Piece, 2> halves(const Piece& piece) {
  std::size_t longest = 0;
  double length = -1.0;
  for (std::size_t k = 0; k < 3; ++k)
    if (const double l = (piece.corner[(k + 1) % 3] - piece.corner[k]).norm(); l > length) {
      length = l;
      longest = k;
    }
  const Eigen::Vector3d middle = 0.5 * (piece.corner[longest] + piece.corner[(longest + 1) % 3]);
  std::array<Piece, 2> out{piece, piece};
  out[0].corner[(longest + 1) % 3] = middle;
  out[1].corner[longest] = middle;
  return out;
}

/// An edge between two sides that the lumen goes round, as at a neck's ring.
struct SharpEdge {
  Eigen::Vector3d middle_E, inward;
  double length_mm = 0.0;
  int face = -1;
};

/// The inward normal of a face; zero where it has no area.
Eigen::Vector3d inward_of(const Channel& channel, int face) {
  const auto& t = channel.mesh_E.triangles[static_cast<std::size_t>(face)];
  const auto corner = [&](std::size_t k) { return channel.mesh_E.vertices[static_cast<std::size_t>(t[k])]; };
  const Eigen::Vector3d out = (corner(1) - corner(0)).cross(corner(2) - corner(0));
  return out.norm() > 0.0 ? Eigen::Vector3d(-out.normalized()) : Eigen::Vector3d::Zero();
}

/// The edge between two sides, where they turn away from the lumen there.
std::optional<SharpEdge> sharp_edge(const Channel& channel, int a, int b, int face, int other) {
  const Eigen::Vector3d in = inward_of(channel, face);
  const Eigen::Vector3d in_other = inward_of(channel, other);
  if (in.isZero() || in_other.isZero() || in.dot(in_other) > kSharpCosine) return std::nullopt;
  const auto vertex = [&](int v) -> const Eigen::Vector3d& {
    return channel.mesh_E.vertices[static_cast<std::size_t>(v)];
  };
  const Eigen::Vector3d middle = 0.5 * (vertex(a) + vertex(b));
  for (const int v : channel.mesh_E.triangles[static_cast<std::size_t>(other)])
    if (v != a && v != b && (vertex(v) - middle).dot(in) >= 0.0) return std::nullopt;
  const Eigen::Vector3d between = in + in_other;
  if (between.norm() < kOffFace) return std::nullopt;
  return SharpEdge{middle, between.normalized(), (vertex(b) - vertex(a)).norm(), face};
}

std::vector<SharpEdge> sharp_edges(const Channel& channel, const LumenWalls& walls) {
  std::vector<std::array<int, 3>> edges;  // its two vertices and a face
  edges.reserve(3 * walls.sides().size());
  for (const int f : walls.sides()) {
    const auto& t = channel.mesh_E.triangles[static_cast<std::size_t>(f)];
    for (std::size_t k = 0; k < 3; ++k) {
      const auto [a, b] = std::minmax(t[k], t[(k + 1) % 3]);
      edges.push_back({a, b, f});
    }
  }
  std::sort(edges.begin(), edges.end());
  std::vector<SharpEdge> sharp;
  for (std::size_t i = 1; i < edges.size(); ++i) {
    const auto& [a, b, face] = edges[i - 1];
    if (edges[i][0] != a || edges[i][1] != b) continue;
    if (const auto edge = sharp_edge(channel, a, b, face, edges[i][2])) sharp.push_back(*edge);
  }
  return sharp;
}

/// What the balls that touch sharp edges are bounded by: the faces beside look another way.
void sample_edges(const Channel& channel, const LumenWalls& walls, double most_mm, const Effort& effort,
                  std::vector<LumenSample>& all) {
  const std::vector<SharpEdge> edges = sharp_edges(channel, walls);
  const std::size_t step = edges.size() / shares::kLumenFaces + 1;
  for (std::size_t i = 0; i < edges.size() && !effort.cut_short(); i += step) {
    const SharpEdge& edge = edges[i];
    const Eigen::Vector3d start_E = edge.middle_E + kOffFace * edge.length_mm * edge.inward;
    const double half_width_mm = walls.half_width(start_E, edge.inward, edge.face);
    if (half_width_mm > 0.0) all.push_back({edge.middle_E, std::min(most_mm, half_width_mm)});
  }
}

/// Halves the longest piece again and again while it is too long.
void refine(const LumenWalls& walls, double most_mm, const Effort& effort, std::vector<Piece>& pieces) {
  using Entry = std::pair<double, std::size_t>;
  std::priority_queue<Entry> queue;
  for (std::size_t i = 0; i < pieces.size(); ++i)
    if (pieces[i].too_long()) queue.emplace(pieces[i].longest(), i);
  for (int n = 0; n < shares::kLumenPieces && !queue.empty() && !effort.cut_short(); ++n) {
    const std::size_t at = queue.top().second;
    queue.pop();
    auto [a, b] = halves(pieces[at]);
    measure(walls, most_mm, a);
    measure(walls, most_mm, b);
    pieces[at] = a;
    pieces.push_back(b);
    for (const std::size_t i : {at, pieces.size() - 1})
      if (pieces[i].too_long()) queue.emplace(pieces[i].longest(), i);
  }
}

/// The narrowest of those in one cube as large as they are wide, rounded down to a power of two.
std::vector<LumenSample> thinned(const std::vector<LumenSample>& all) {
  std::map<std::tuple<int, std::int64_t, std::int64_t, std::int64_t>, std::size_t> kept;
  std::vector<LumenSample> out;
  for (const LumenSample& s : all) {
    const int level = std::ilogb(0.5 * s.half_width_mm);
    const Eigen::Vector3d q = s.p_E / std::ldexp(1.0, level);
    const auto cube = [](double x) { return static_cast<std::int64_t>(std::floor(x)); };
    const auto [found, fresh] = kept.try_emplace({level, cube(q.x()), cube(q.y()), cube(q.z())}, out.size());
    if (fresh) {
      out.push_back(s);
    } else if (s.half_width_mm < out[found->second].half_width_mm) {
      out[found->second] = s;
    }
  }
  return out;
}

}  // namespace

std::vector<LumenSample> sample_lumen(const Channel& channel, const LumenWalls& walls, const Effort& effort) {
  Eigen::AlignedBox3d box;
  for (const Eigen::Vector3d& v : channel.mesh_E.vertices) box.extend(v);
  const double most_mm = 0.5 * box.diagonal().norm();
  std::vector<Piece> pieces = whole_faces(channel, walls);
  tbb::parallel_for(tbb::blocked_range<std::size_t>(0, pieces.size()), [&](const auto& range) {
    for (std::size_t i = range.begin(); i < range.end() && !effort.cut_short(); ++i)
      measure(walls, most_mm, pieces[i]);
  });
  refine(walls, most_mm, effort, pieces);
  std::vector<LumenSample> all;
  for (const Piece& piece : pieces)
    if (piece.sample.half_width_mm > 0.0) all.push_back(piece.sample);
  sample_edges(channel, walls, most_mm, effort, all);
  for (const Opening& opening : channel.openings)
    if (opening.radius_mm > 0.0) all.push_back({opening.centre_E, std::min(most_mm, opening.radius_mm)});
  return thinned(all);
}

}  // namespace withy
