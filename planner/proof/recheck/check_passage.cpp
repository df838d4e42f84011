// SPDX-License-Identifier: GPL-3.0-or-later
// A proof about the tip alone, whatever the locks hold.
//
// Space is cut into closed cubes of kCubeEdge_mm, cube (i, j, k) from (i, j, k) to (i + 1, j + 1, k + 1)
// edges in frame E. In a legal state the tip has D >= r past the entry plane (z > 0), r the radius there and
// the required clearance; locks are no thinner than the segment. Along a way from the start, where z = 0, it
// moves continuously. Let Q be the certificate's cubes. There is no such way into the target's ball where
//
//   1. that ball is past the entry plane, and every cube that meets it is in Q or closed;
//   2. every cube that shares a point with one of Q is in Q or closed;
//   3. no cube of Q touches the entry plane.
//
// For followed back from the ball the tip stays in Q as long as it is past the plane: past it, it is in no
// closed cube. A cube is *closed* where each of its parts has D < r, or is out of reach: the body is a curve
// of curvature k_max at most that starts along the axis, so its tip is at most off(l) beside the axis, l what
// may bend of it, and at most `insertion_max_mm` past the plane,
//
//   off(l) = integral over s from 0 to l of sin(min(k s, pi/2)) = (1 - cos(k l)) / k for k l <= pi/2,
//
// and, beyond, 1 / k + l - pi / (2 k) at most. It is turned from the axis by at most k times the flexible
// length. (The tangent's turn is at most the integral of the curvature, M. P. do Carmo, "Differential
// Geometry of Curves and Surfaces", 1976, section 5.7.) Where the target's cone asks for more turn, or its
// whole ball is out of reach, no cubes are needed.
#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <set>
#include <vector>

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include "planner/proof/interval/interval.h"
#include "planner/proof/recheck/conditions.h"

namespace withy::recheck {
namespace {

// A certificate has no more cubes than that, and its target's ball meets no more. withy follows the tip
// through 30,000.
constexpr std::size_t kMostCubes = 200000;
// A cube is cut in eighths so many times at most, and into so many parts. One whose room comes to 0.001 mm of
// what is needed takes some thousands.
constexpr int kMostHalvings = 14;
constexpr int kMostParts = 200000;
// Between two looks whether to stop.
constexpr std::size_t kAskEvery = 1024;
// Half the diagonal of a cube of edge 1, rounded up.
constexpr double kHalfDiagonal = 0.8660254037844387;
// As the limits of states are taken (scenes/MODEL.md, section 12).
constexpr double kLimitSlack = 4e-9;
// Below a quarter turn, where sin(min(k s, pi/2)) changes over.
constexpr double kAlmostQuarter = 1.570796326;
// Cubes have numbers up to here (mm).
constexpr double kFarthest_mm = 1e5;
// What acos of a rounded component may be off by, and more.
constexpr double kAngleRounding_rad = 1e-7;

using CubeIndex = std::array<std::int64_t, 3>;

/// A cube or an eighth, .. of one.
struct Box {
  Eigen::Vector3d low;
  double edge = kCubeEdge_mm;

  Eigen::Vector3d high() const { return low.array() + edge; }
  Eigen::Vector3d middle() const { return low.array() + 0.5 * edge; }
};

Box box_of(const CubeIndex& cube) {
  return {kCubeEdge_mm * Eigen::Vector3d(static_cast<double>(cube[0]), static_cast<double>(cube[1]),
                                         static_cast<double>(cube[2])),
          kCubeEdge_mm};
}

/// At least so far from p are all points of [low, high], squared.
Interval gap(double p, double low, double high) {
  const double away = std::max(0.0, std::max(next_down(low - p), next_down(p - high)));
  return square(Interval(away));
}

/// Where tips of legal states may be.
struct TipReach {
  double off_axis_mm = 0.0;
  double deep_mm = 0.0;
  double turn_rad = 0.0;

  explicit TipReach(const Robot& robot) {
    const Segment& segment = robot.segment;
    const Interval most(1.0 + kLimitSlack);
    const Interval curvature = Interval(segment.curvature_max_per_mm) * most;
    const Interval deep = Interval(robot.insertion_max_mm) * most;
    const double rigid_mm = robot.lock ? robot.lock->body_length_mm : 0.0;
    Interval length(segment.length_mm);
    Interval flexible = length - Interval(segment.tip_rigid_mm) -
                        Interval(static_cast<double>(robot.lock_count())) * Interval(rigid_mm);
    if (robot.guide) {
      length = min(length, deep);
      flexible = min(flexible, deep);
    }
    const Interval turn = curvature * length;
    off_axis_mm = (turn.hi <= kAlmostQuarter
                       ? (Interval(1.0) - sine_cosine(turn).cosine) / curvature
                       : Interval(1.0) / curvature + length - Interval(kAlmostQuarter) / curvature)
                      .hi;
    deep_mm = deep.hi;
    turn_rad = (curvature * flexible).hi;
  }

  bool leaves_out(const Box& box) const {
    if (box.low.z() > deep_mm) return true;
    const Interval off = sqrt(gap(0.0, box.low.x(), box.high().x()) + gap(0.0, box.low.y(), box.high().y()));
    return off.lo > off_axis_mm;
  }

  bool leaves_out(const GoalRegion& goal) const {
    const Interval tolerance(goal.tolerance_mm);
    const Interval off =
        sqrt(square(Interval(goal.point_E.x())) + square(Interval(goal.point_E.y()))) - tolerance;
    if (off.lo > off_axis_mm || (Interval(goal.point_E.z()) - tolerance).lo > deep_mm) return true;
    if (!goal.direction_E) return false;
    const double angle = std::acos(std::clamp(goal.direction_E->z(), -1.0, 1.0));
    return angle - goal.direction_tolerance_rad - kAngleRounding_rad > turn_rad;
  }
};

bool meets(const GoalRegion& goal, const Box& box) {
  Interval square_of_gap(0.0);
  for (Eigen::Index i = 0; i < 3; ++i)
    square_of_gap = square_of_gap + gap(goal.point_E[i], box.low[i], box.high()[i]);
  return square_of_gap.lo <= next_up(square(goal.tolerance_mm));
}

enum class Said { closed, open, unknown };

class PassageCheck {
 public:
  PassageCheck(const Certificate& certificate, const Robot& robot, const Wall& wall, const GoalRegion& goal,
               const CheckSettings& settings)
      : certificate_(certificate), wall_(wall), goal_(goal), settings_(settings), reach_(robot) {
    const double lock_mm = robot.lock && robot.lock_count() > 0 ? robot.lock->body_radius_mm : kInfinity;
    need_mm_ = next_down(std::min(robot.segment.radius_mm, lock_mm) + robot.clearance_mm);
  }

  ProofReport run() {
    if (!reach_.leaves_out(goal_) && take_cubes() && target_is_sound()) {
      check_target();
      check_rim();
    }
    ProofReport report{gathered_.outcome(), looks_.load()};
    if (settings_.stop() && report.outcome.verdict == Verdict::holds)
      report.outcome = {Verdict::could_not_decide, kStopped};
    return report;
  }

 private:
  bool take_cubes() {
    std::size_t count = 0;
    for (const CubeRow& row : certificate_.cubes)
      for (const auto& [first, last] : row.runs) {
        count += static_cast<std::size_t>(last - first) + 1;
        if (count > kMostCubes) return refused(fmt::format("it names more than {} cubes", kMostCubes));
        if (row.z == 0) return refused("a cube of it touches the entry plane");
      }
    for (const CubeRow& row : certificate_.cubes)
      for (const auto& [first, last] : row.runs)
        for (std::int64_t x = first; x <= last; ++x) cubes_.insert({x, row.y, row.z});
    return true;
  }

  bool refused(const std::string& why) {
    gathered_.does_not_hold(why);
    return false;
  }

  /// Past the entry plane, and not too large to be looked at; written so that what is not a number is
  /// refused.
  bool target_is_sound() {
    if (!((Interval(goal_.point_E.z()) - Interval(goal_.tolerance_mm)).lo > 0.0))
      return refused("its target's ball is not past the entry plane");
    const double across = 2.0 * (goal_.tolerance_mm / kCubeEdge_mm + 1.0);
    if (!(across * across * across <= static_cast<double>(kMostCubes)) ||
        !(goal_.point_E.norm() < kFarthest_mm))
      return refused("its target is too large, or too far away, for a proof by cubes");
    return true;
  }

  /// Condition 1.
  void check_target() {
    CubeIndex low;
    CubeIndex high;
    for (std::size_t i = 0; i < 3; ++i) {
      const double x = goal_.point_E[static_cast<Eigen::Index>(i)];
      low[i] = static_cast<std::int64_t>(std::floor(next_down(x - goal_.tolerance_mm) / kCubeEdge_mm));
      high[i] = static_cast<std::int64_t>(std::floor(next_up(x + goal_.tolerance_mm) / kCubeEdge_mm));
    }
    if (wall_.below_in({goal_.point_E, goal_.tolerance_mm}, need_mm_)) return;
    CubeIndex at;
    for (at[2] = low[2]; at[2] <= high[2]; ++at[2])
      for (at[1] = low[1]; at[1] <= high[1]; ++at[1])
        for (at[0] = low[0]; at[0] <= high[0]; ++at[0]) {
          if (over()) return;
          if (cubes_.count(at) == 0) tell(at, said_of(at, &goal_));
        }
  }

  /// Condition 2.
  void check_rim() {
    std::vector<CubeIndex> rim;
    std::size_t taken = 0;
    for (const CubeIndex& cube : cubes_) {
      if (taken++ % kAskEvery == 0 && over()) return;
      for (std::int64_t z = cube[2] - 1; z <= cube[2] + 1; ++z)
        for (std::int64_t y = cube[1] - 1; y <= cube[1] + 1; ++y)
          for (std::int64_t x = cube[0] - 1; x <= cube[0] + 1; ++x)
            if (cubes_.count({x, y, z}) == 0) rim.push_back({x, y, z});
    }
    std::sort(rim.begin(), rim.end());
    rim.erase(std::unique(rim.begin(), rim.end()), rim.end());
    std::atomic<std::size_t> done{0};
    tbb::parallel_for(std::size_t{0}, rim.size(), [&](std::size_t i) {
      if (over()) return;
      settings_.progress("cubes that the tip passes",
                         static_cast<double>(++done) / static_cast<double>(rim.size()));
      tell(rim[i], said_of(rim[i], nullptr));
    });
  }

  /// `goal`: only what lies in its ball counts. Room at the middle of a part is room.
  Said said_of(const CubeIndex& cube, const GoalRegion* goal) {
    struct Part {
      Box box;
      int halvings = 0;
    };
    std::vector<Part> open = {{box_of(cube)}};
    for (int parts = 1; !open.empty(); ++parts) {
      const auto [box, halvings] = open.back();
      open.pop_back();
      ++looks_;
      if (reach_.leaves_out(box) || (goal != nullptr && !meets(*goal, box))) continue;
      if (wall_.below_in({box.middle(), kHalfDiagonal * box.edge}, need_mm_)) continue;
      if (goal == nullptr && wall_.lower(box.middle()) >= need_mm_) return Said::open;
      if (halvings == kMostHalvings || parts >= kMostParts) return Said::unknown;
      if (static_cast<std::size_t>(parts) % kAskEvery == 0 && over()) return Said::unknown;
      const double half = 0.5 * box.edge;
      for (unsigned corner = 0; corner < 8; ++corner) {
        const Eigen::Vector3d step(corner & 1U, (corner >> 1U) & 1U, (corner >> 2U) & 1U);
        open.push_back({{box.low + half * step, half}, halvings + 1});
      }
    }
    return Said::closed;
  }

  void tell(const CubeIndex& cube, Said said) {
    if (said == Said::closed) return;
    const std::string where =
        fmt::format("cube ({}, {}, {}), which is none of its own,", cube[0], cube[1], cube[2]);
    if (said == Said::open)
      gathered_.does_not_hold(where + " has room for the tip");
    else
      gathered_.could_not_decide(where + " may have room for the tip");
  }

  bool over() const { return gathered_.over() || settings_.stop(); }

  const Certificate& certificate_;
  const Wall& wall_;
  const GoalRegion& goal_;
  const CheckSettings& settings_;
  TipReach reach_;
  double need_mm_ = 0.0;
  std::set<CubeIndex> cubes_;
  Gathered gathered_;
  std::atomic<std::int64_t> looks_{0};
};

}  // namespace

ProofReport check_passage(const Certificate& certificate, const Robot& robot, const Wall& wall,
                          const GoalRegion& goal, const CheckSettings& settings) {
  return PassageCheck(certificate, robot, wall, goal, settings).run();
}

}  // namespace withy::recheck
