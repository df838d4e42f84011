// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/relaxations/tip_passage.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <queue>
#include <set>
#include <vector>

#include "planner/effort/shares.h"
#include "planner/proof/lemmas/room_bound.h"

namespace withy {

namespace {

// Sums and products of lengths up to 1e3 mm in double precision.
constexpr double kPlaceRounding_mm = 1e-9;
// Cubes farther off than this have no numbers (room_bound.cpp).
constexpr double kFarthest_mm = 1e5;

using Cube = RoomBound::Cube;

double need(const TipBall& ball) {
  return static_cast<double>(std::nextafter(static_cast<float>(ball.radius_mm), 0.0F)) + ball.clearance_mm;
}

template <class Visit>
void each_about(const Cube& at, const Visit& visit) {
  for (std::int64_t z = std::max<std::int64_t>(at[2] - 1, 0); z <= at[2] + 1; ++z)
    for (std::int64_t y = at[1] - 1; y <= at[1] + 1; ++y)
      for (std::int64_t x = at[0] - 1; x <= at[0] + 1; ++x) visit({x, y, z});
}

Eigen::Vector3d middle_of(const Cube& cube) {
  return RoomBound::kLeastCube_mm * Eigen::Vector3d(static_cast<double>(cube[0]) + 0.5,
                                                    static_cast<double>(cube[1]) + 0.5,
                                                    static_cast<double>(cube[2]) + 0.5);
}

/// The open cubes that hang together with the entry plane's.
class FloodInward {
 public:
  FloodInward(std::shared_ptr<const DistanceField> field, const TipBall& ball, const TipBounds& bounds)
      : room_(std::move(field), {need(ball)}), need_mm_(need(ball)), bounds_(bounds) {}

  std::optional<std::vector<Eigen::Vector3d>> run(const Eigen::AlignedBox3d& box_E, std::int64_t most_cubes,
                                                  const Effort& effort) {
    const auto cell = [](double x) {
      return static_cast<std::int64_t>(std::floor(x / RoomBound::kLeastCube_mm));
    };
    const double wide = kPlaceRounding_mm;
    for (std::int64_t y = cell(box_E.min().y() - wide); y <= cell(box_E.max().y() + wide); ++y)
      for (std::int64_t x = cell(box_E.min().x() - wide); x <= cell(box_E.max().x() + wide); ++x)
        look({x, y, 0});
    for (std::size_t next = 0; next < open_.size(); ++next) {
      if (std::ssize(met_) > most_cubes || (next % shares::kCubeAskInterval == 0 && effort.cut_short()))
        return std::nullopt;
      const Cube at = open_[next];
      each_about(at, [&](const Cube& about) { look(about); });
    }
    std::vector<Eigen::Vector3d> middles;
    for (const Cube& cube : open_) middles.push_back(middle_of(cube));
    return middles;
  }

 private:
  /// Notes a cube that was not met before.
  void look(const Cube& cube) {
    if (!met_.insert(cube).second || !within(cube)) return;
    if (room_.most_in_cube(cube).value >= need_mm_) open_.push_back(cube);
  }

  bool within(const Cube& cube) const {
    const Eigen::Vector3d middle = middle_of(cube);
    const double half = 0.5 * std::sqrt(3.0) * RoomBound::kLeastCube_mm + kPlaceRounding_mm;
    return middle.head<2>().norm() <= bounds_.off_axis_mm + half && middle.z() <= bounds_.deep_mm + half;
  }

  RoomBound room_;
  double need_mm_;
  TipBounds bounds_;
  std::set<Cube> met_;
  std::vector<Cube> open_;
};

/// The open cubes that hang together with the target's.
class Flood {
 public:
  Flood(std::shared_ptr<const DistanceField> field, const TipBall& ball)
      : room_(std::move(field), {need(ball)}), need_mm_(need(ball)), ball_(ball) {}

  TipPassage run(std::int64_t most_cubes, const Effort& effort) {
    TipPassage found;
    const bool has_premises = need_mm_ > 0.0 && ball_.target_E.z() - ball_.tolerance_mm > kPlaceRounding_mm &&
                              ball_.target_E.norm() + ball_.tolerance_mm < kFarthest_mm;
    if (!has_premises) return found;
    const auto may_go_on = [&] {
      return looked_ <= most_cubes && !(looked_ % shares::kCubeAskInterval == 0 && effort.cut_short());
    };
    const bool all_at_target = start(may_go_on);
    found.no_room = all_at_target && open_.empty();
    while (all_at_target && !open_.empty() && may_go_on()) {
      const Cube at = open_.top().cube;
      if (at[2] == 0) break;  // it touches the entry plane
      open_.pop();
      found.open.push_back(at);
      each_about(at, [&](const Cube& next) { look(next); });
    }
    found.sealed = all_at_target && open_.empty();
    if (!found.sealed) found.open.clear();
    found.cubes = looked_;
    return found;
  }

 private:
  struct Open {
    double from_entry;  // squared, in cubes
    Cube cube;
    bool operator<(const Open& other) const { return from_entry > other.from_entry; }
  };

  /// Looks at every cube that meets the target's ball; false where it may not go on.
  template <class MayGoOn>
  bool start(const MayGoOn& may_go_on) {
    const double edge = RoomBound::kLeastCube_mm;
    const double reach = ball_.tolerance_mm + kPlaceRounding_mm;
    Cube low;
    Cube high;
    for (std::size_t k = 0; k < 3; ++k) {
      const double x = ball_.target_E[static_cast<Eigen::Index>(k)];
      low[k] = static_cast<std::int64_t>(std::floor((x - reach) / edge));
      high[k] = static_cast<std::int64_t>(std::floor((x + reach) / edge));
    }
    Cube cube;
    for (cube[2] = std::max<std::int64_t>(low[2], 0); cube[2] <= high[2]; ++cube[2])
      for (cube[1] = low[1]; cube[1] <= high[1]; ++cube[1])
        for (cube[0] = low[0]; cube[0] <= high[0]; ++cube[0])
          if (meets_ball(cube, reach)) {
            if (!may_go_on()) return false;
            look(cube);
          }
    return true;
  }

  bool meets_ball(const Cube& cube, double reach_mm) const {
    double square = 0.0;
    for (std::size_t k = 0; k < 3; ++k) {
      const double x = ball_.target_E[static_cast<Eigen::Index>(k)];
      const double from = static_cast<double>(cube[k]) * RoomBound::kLeastCube_mm;
      const double off = std::clamp(x, from, from + RoomBound::kLeastCube_mm) - x;
      square += off * off;
    }
    return square <= reach_mm * reach_mm;
  }

  /// Notes a cube that was not met before; an open one is to be gone on from.
  void look(const Cube& cube) {
    if (!met_.insert(cube).second) return;
    ++looked_;
    if (room_.most_in_cube(cube).value < need_mm_) return;
    double square = 0.0;
    for (const std::int64_t x : cube) square += static_cast<double>(x * x);
    open_.push({square, cube});
  }

  RoomBound room_;
  double need_mm_;
  const TipBall& ball_;
  std::set<Cube> met_;
  std::priority_queue<Open> open_;
  std::int64_t looked_ = 0;
};

}  // namespace

TipPassage tip_passage(std::shared_ptr<const DistanceField> field, const TipBall& ball,
                       std::int64_t most_cubes, const Effort& effort) {
  return Flood(std::move(field), ball).run(most_cubes, effort);
}

bool no_room_at_target(const WallDistance& wall, const TipBall& ball) {
  if (!(ball.target_E.z() - ball.tolerance_mm > kPlaceRounding_mm)) return false;
  return wall.distance(ball.target_E) + ball.tolerance_mm + kPlaceRounding_mm < need(ball);
}

std::optional<std::vector<Eigen::Vector3d>> tip_places(std::shared_ptr<const DistanceField> field,
                                                       const TipBall& ball, const TipBounds& bounds,
                                                       const Eigen::AlignedBox3d& box_E,
                                                       std::int64_t most_cubes, const Effort& effort) {
  static_assert(kTipCube_mm == RoomBound::kLeastCube_mm);
  const bool has_premises = need(ball) > 0.0 && box_E.min().cwiseAbs().maxCoeff() < kFarthest_mm &&
                            box_E.max().cwiseAbs().maxCoeff() < kFarthest_mm;
  if (!has_premises) return std::nullopt;
  return FloodInward(std::move(field), ball, bounds).run(box_E, most_cubes, effort);
}

}  // namespace withy
