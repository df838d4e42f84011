// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/nearest_room.h"

#include <algorithm>
#include <cmath>
#include <queue>
#include <vector>

#include <Eigen/Geometry>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Eigen::Vector3d;

/// Cubes smaller than this share of a step are not cut any more.
constexpr double kLeastCube = 0.02;

struct Cube {
  double worth;  // the larger the sooner it is looked into
  Vector3d middle_E;
  double half_mm;
  bool operator<(const Cube& other) const { return worth < other.worth; }
};

/// What is known of a cube's places past the entry plane by the least depth.
struct CubeRoom {
  Vector3d middle_E = Vector3d::Zero();  ///< of that part
  double middle_mm = 0.0;                ///< the room there
  double most_mm = 0.0;                  ///< at any of its places, at most
  bool middle_inside = false;
  bool outside = false;  ///< all of it
};

class Finder {
 public:
  Finder(const WallDistance& wall, const Vector3d& p_E, double room_mm, double least_depth_mm)
      : wall_(wall), p_E_(p_E), room_mm_(room_mm), least_depth_mm_(least_depth_mm) {
    for (const Vector3d& v : wall.channel().mesh_E.vertices) box_.extend(v);
  }

  std::optional<RoomyPlace> run(int most_cubes) {
    if (box_.max().z() <= least_depth_mm_) return std::nullopt;
    // No place so deep is nearer than this one.
    const Vector3d straight{p_E_.x(), p_E_.y(), std::max(p_E_.z(), least_depth_mm_)};
    if (const double room_mm = wall_.distance(straight); room_mm >= room_mm_ && wall_.inside(straight))
      return RoomyPlace{straight, room_mm, RoomyPlace::Kind::nearest};
    const bool proved = seek_nearest(most_cubes);
    if (found_) {
      found_->kind = proved ? RoomyPlace::Kind::nearest : RoomyPlace::Kind::fits;
      return found_;
    }
    seek_roomiest();
    if (found_ && found_->room_mm >= room_mm_) found_->kind = RoomyPlace::Kind::fits;
    return found_;
  }

 private:
  double away_mm(const Vector3d& middle_E, double half_mm) const {
    return Vector3d(((p_E_ - middle_E).cwiseAbs().array() - half_mm).max(0.0)).norm();
  }

  /// The part past the entry plane is a box that no face of the entry opening enters but passages. So it lies
  /// on one side where it is farther than its reach from every wall and passage.
  CubeRoom look_into(const Cube& cube) const {
    const double low = std::max(cube.middle_E.z() - cube.half_mm, least_depth_mm_);
    const double high = cube.middle_E.z() + cube.half_mm;
    const double reach = Vector3d(cube.half_mm, cube.half_mm, 0.5 * (high - low)).norm();
    CubeRoom room;
    room.middle_E = {cube.middle_E.x(), cube.middle_E.y(), 0.5 * (low + high)};
    room.middle_mm = wall_.distance(room.middle_E);
    room.most_mm = room.middle_mm + reach;
    room.middle_inside = wall_.inside(room.middle_E);
    room.outside =
        !room.middle_inside && room.middle_mm > reach && wall_.passage_distance(room.middle_E) > reach;
    return room;
  }

  template <class Worth>
  void push_parts(const Cube& cube, const Worth& worth) {
    const double half = 0.5 * cube.half_mm;
    for (int i = 0; i < 8; ++i) {
      const Vector3d middle =
          cube.middle_E + half * Vector3d(i & 1 ? 1.0 : -1.0, i & 2 ? 1.0 : -1.0, i & 4 ? 1.0 : -1.0);
      if (middle.z() + half > least_depth_mm_) cubes_.push({worth(middle, half), middle, half});
    }
  }

  /// Was all looked at that may hold a nearer place?
  bool seek_nearest(int most_cubes) {
    cubes_ = {};
    const double half = 0.5 * box_.sizes().maxCoeff();
    cubes_.push({-away_mm(box_.center(), half), box_.center(), half});
    double found_mm = kInfinity;
    for (int n = 0; n < most_cubes && !cubes_.empty(); ++n) {
      const Cube cube = cubes_.top();
      cubes_.pop();
      if (-cube.worth + kNearestStep_mm >= found_mm) return true;
      const CubeRoom room = look_into(cube);
      if (room.most_mm < room_mm_ || room.outside) continue;
      if (room.middle_inside && room.middle_mm >= room_mm_)
        if (const double off = (room.middle_E - p_E_).norm(); off < found_mm) {
          found_mm = off;
          found_ = RoomyPlace{room.middle_E, room.middle_mm};
        }
      if (0.5 * cube.half_mm >= kLeastCube * kNearestStep_mm)
        push_parts(cube, [&](const Vector3d& middle, double part) { return -away_mm(middle, part); });
    }
    return cubes_.empty();
  }

  /// The roomiest place, or the first with the room wanted.
  void seek_roomiest() {
    cubes_ = {};
    const double half = 0.5 * box_.sizes().maxCoeff();
    cubes_.push({kInfinity, box_.center(), half});
    for (int n = 0; n < shares::kRoomiestCubes && !cubes_.empty(); ++n) {
      const Cube cube = cubes_.top();
      cubes_.pop();
      const double best = found_ ? found_->room_mm : 0.0;
      if (cube.worth <= best + kRoomiestStep_mm || best >= room_mm_) return;
      const CubeRoom room = look_into(cube);
      if (room.outside) continue;
      if (room.middle_inside && room.middle_mm > best) found_ = RoomyPlace{room.middle_E, room.middle_mm};
      // A part's bound is that of the whole, until it is looked into itself.
      if (0.5 * cube.half_mm >= kLeastCube * kRoomiestStep_mm)
        push_parts(cube, [&](const Vector3d& middle, double part) {
          return std::min(room.most_mm, wall_.distance(middle) + std::sqrt(3.0) * part);
        });
    }
  }

  const WallDistance& wall_;
  Vector3d p_E_;
  double room_mm_;
  double least_depth_mm_;
  Eigen::AlignedBox3d box_;
  std::priority_queue<Cube> cubes_;
  std::optional<RoomyPlace> found_;
};

}  // namespace

std::optional<RoomyPlace> nearest_room(const WallDistance& wall, const Vector3d& p_E, double room_mm,
                                       double least_depth_mm, int most_cubes) {
  return Finder(wall, p_E, room_mm, least_depth_mm).run(most_cubes);
}

}  // namespace withy
