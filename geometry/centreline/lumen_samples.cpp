// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/centreline/lumen_samples.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <map>
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
  for (const Opening& opening : channel.openings)
    if (opening.radius_mm > 0.0) all.push_back({opening.centre_E, std::min(most_mm, opening.radius_mm)});
  return thinned(all);
}

}  // namespace withy
