// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/nearest_room.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <queue>
#include <vector>

#include <Eigen/Geometry>

namespace withy {
namespace {

using Eigen::Vector3d;

constexpr int kMostCubes = 250'000;

struct Cube {
  double nearest_mm;  // of its points to the point asked about, at least
  Vector3d middle_E;
  double half_mm;
  bool operator<(const Cube& other) const { return nearest_mm > other.nearest_mm; }
};

class Finder {
 public:
  Finder(const WallDistance& wall, const Vector3d& p_E, double room_mm)
      : wall_(wall), p_E_(p_E), room_mm_(room_mm) {
    for (const Vector3d& v : wall.channel().mesh_E.vertices) box_.extend(v);
  }

  std::optional<Vector3d> run() {
    const double half = 0.5 * box_.sizes().maxCoeff();
    push(box_.center(), half);
    for (int n = 0; n < kMostCubes && !cubes_.empty(); ++n) {
      const Cube cube = cubes_.top();
      cubes_.pop();
      if (cube.nearest_mm + kNearestStep_mm >= found_mm_) break;
      look_into(cube);
    }
    return found_;
  }

 private:
  void push(const Vector3d& middle_E, double half_mm) {
    if (middle_E.z() + half_mm < 0.0) return;
    const Vector3d off = ((p_E_ - middle_E).cwiseAbs().array() - half_mm).max(0.0);
    cubes_.push({off.norm(), middle_E, half_mm});
  }

  void look_into(const Cube& cube) {
    const double reach = std::sqrt(3.0) * cube.half_mm;
    const double distance = wall_.distance(cube.middle_E);
    if (distance + reach < room_mm_) return;
    const bool inside = wall_.inside(cube.middle_E);
    // Farther than `reach` from every wall and passage, a cube is on one side; the entry opening behind the
    // plane is neither, and there the cube is cut on.
    const bool whole = distance > reach && wall_.passage_distance(cube.middle_E) > reach &&
                       cube.middle_E.z() - cube.half_mm > 0.0;
    if (!inside && whole) return;
    if (inside && distance >= room_mm_ && cube.middle_E.z() >= 0.0) {
      const double off = (cube.middle_E - p_E_).norm();
      if (off < found_mm_) found_mm_ = off, found_ = cube.middle_E;
    }
    const double half = 0.5 * cube.half_mm;
    if (half < 0.02 * kNearestStep_mm) return;
    for (int i = 0; i < 8; ++i)
      push(cube.middle_E + half * Vector3d(i & 1 ? 1.0 : -1.0, i & 2 ? 1.0 : -1.0, i & 4 ? 1.0 : -1.0), half);
  }

  const WallDistance& wall_;
  Vector3d p_E_;
  double room_mm_;
  Eigen::AlignedBox3d box_;
  std::priority_queue<Cube> cubes_;
  std::optional<Vector3d> found_;
  double found_mm_ = std::numeric_limits<double>::infinity();
};

}  // namespace

std::optional<Vector3d> nearest_room(const WallDistance& wall, const Vector3d& p_E, double room_mm) {
  return Finder(wall, p_E, room_mm).run();
}

}  // namespace withy
