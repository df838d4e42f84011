// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/switching/switch_clocking.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

constexpr double kTurn_rad = 2.0 * std::numbers::pi;

/// Shares closer than this are equal: they are fractions of some hundred poses.
constexpr double kSameShare = 1e-9;

/// Reserves this close are alike.
constexpr double kSameReserve = 1e-3;

/// Bends where an order works within the limit, and the strongest field it asks for there.
template <class Strength>
void judge_order(const std::vector<BendPose>& poses, double limit_mT, const Strength& strength,
                 const Effort& effort, double& share, double& most_mT) {
  int works = 0;
  most_mT = -1.0;
  for (const BendPose& pose : poses) {
    if (effort.cut_short()) break;
    const double mT = strength(pose);
    if (mT > limit_mT) continue;
    ++works;
    most_mT = std::max(most_mT, mT);
  }
  share = static_cast<double>(works) / static_cast<double>(poses.size());
  if (works == 0) most_mT = kNoField_mT;
}

void judge_usual(const Design& design, const std::vector<BendPose>& poses, const Effort& effort,
                 ClockingResult& result) {
  judge_order(
      poses, field_limit_mT(design), [&](const BendPose& pose) { return proximal_first_mT(design, pose); },
      effort, result.share_usual, result.usual_most_mT);
  result.usual_reserve = result.share_usual > 0.0 ? kInfinity : 0.0;
  for (const BendPose& pose : poses) {
    if (effort.cut_short()) break;
    const double reserve = proximal_first_reserve(design, pose);
    if (reserve >= kAllowedReserve) result.usual_reserve = std::min(result.usual_reserve, reserve);
  }
}

/// Does `a` work in more bends than `b`, or in as many with more reserve, or with as much and a field weaker
/// by more than is as good?
bool better(const ClockingResult& a, const ClockingResult& b) {
  if (std::abs(a.share_usual - b.share_usual) > kSameShare) return a.share_usual > b.share_usual;
  if (std::abs(a.usual_reserve - b.usual_reserve) > kSameReserve) return a.usual_reserve > b.usual_reserve;
  return a.usual_most_mT * (1.0 + kAsGood) < b.usual_most_mT;
}

/// The results as a torus of steps: one coordinate for each lock but the first.
class StepTorus {
 public:
  StepTorus(int steps, int locks) : steps_(steps), axes_(locks - 1) {}

  int coordinate(std::size_t index, int axis) const {
    for (int a = axes_ - 1; a > axis; --a) index /= static_cast<std::size_t>(steps_);
    return static_cast<int>(index % static_cast<std::size_t>(steps_));
  }

  /// Are all results within `reach` steps of `index` (in every coordinate) good?
  template <class Good>
  bool all_good(std::size_t index, int reach, const Good& good) const {
    if (axes_ == 1) {
      for (int i = -reach; i <= reach; ++i)
        if (!good(at({coordinate(index, 0) + i}))) return false;
      return true;
    }
    for (int i = -reach; i <= reach; ++i)
      for (int j = -reach; j <= reach; ++j)
        if (!good(at({coordinate(index, 0) + i, coordinate(index, 1) + j}))) return false;
    return true;
  }

 private:
  std::size_t at(const std::vector<int>& coordinates) const {
    std::size_t index = 0;
    for (const int c : coordinates)
      index =
          index * static_cast<std::size_t>(steps_) + static_cast<std::size_t>((c % steps_ + steps_) % steps_);
    return index;
  }

  int steps_;
  int axes_;
};

void choose_widest(ClockingSweep& sweep, int locks) {
  const ClockingResult* best = &sweep.results.front();
  for (const ClockingResult& result : sweep.results)
    if (better(result, *best) || (!better(*best, result) && result.usual_most_mT < best->usual_most_mT))
      best = &result;
  const int steps = static_cast<int>(std::lround(kTurn_rad / sweep.step_rad));
  const StepTorus torus(steps, locks);
  const auto good = [&](std::size_t index) { return !better(*best, sweep.results[index]); };
  int widest = -1;
  for (std::size_t index = 0; index < sweep.results.size(); ++index) {
    int reach = -1;
    while (2 * (reach + 1) < steps && torus.all_good(index, reach + 1, good)) ++reach;
    if (reach <= widest) continue;
    widest = reach;
    sweep.widest = index;
  }
  sweep.slack_rad = std::max(0, widest) * sweep.step_rad;
}

}  // namespace

Design with_clocking(const Design& design, const std::vector<double>& clock_rad) {
  assert(static_cast<int>(clock_rad.size()) + 1 == design.lock_count());
  DesignParts parts = design.parts();
  for (std::size_t i = 0; i < clock_rad.size(); ++i)
    parts.layout.clock_rad[i + 1] = parts.layout.clock_rad[0] + clock_rad[i];
  // Only clockings differ from a checked design, and any finite clocking is in order.
  return Design::make(std::move(parts)).value();
}

ClockingResult judge_clocking(const Design& design, const std::vector<BendPose>& poses,
                              const Effort& effort) {
  ClockingResult result;
  const double limit = field_limit_mT(design);
  for (std::size_t i = 1; i < design.layout().clock_rad.size(); ++i)
    result.clock_rad.push_back(design.layout().clock_rad[i] - design.layout().clock_rad[0]);
  const double one = 1.0 / static_cast<double>(poses.size());
  for (const BendPose& pose : poses) {
    if (effort.cut_short()) break;
    const Separability kind = separability(design, pose, limit, effort);
    if (pose.ring == 0) result.straight = kind;
    (kind == Separability::alone      ? result.share_alone
     : kind == Separability::together ? result.share_together
                                      : result.share_never) += one;
  }
  judge_usual(design, poses, effort, result);
  judge_order(
      poses, limit, [&](const BendPose& pose) { return distal_first_mT(design, pose); }, effort,
      result.reverse_share, result.reverse_most_mT);
  return result;
}

ClockingSweep sweep_clockings(const Design& design, const BendGrid& grid, int step_deg,
                              const Effort& effort) {
  assert(design.lock_count() == 2 || design.lock_count() == 3);
  assert(step_deg > 0 && 360 % step_deg == 0);
  const int steps = 360 / step_deg;
  const std::vector<BendPose> poses = bend_poses(design, grid);  // clockings don't move the sections
  ClockingSweep sweep;
  sweep.step_rad = kTurn_rad / steps;
  const auto judge = [&](const std::vector<double>& clock_rad) {
    ClockingResult result = judge_clocking(with_clocking(design, clock_rad), poses, effort);
    result.clock_rad = clock_rad;
    sweep.results.push_back(std::move(result));
  };
  for (int i = 0; i < steps && !effort.cut_short(); ++i) {
    if (design.lock_count() == 2) {
      judge({i * sweep.step_rad});
      continue;
    }
    for (int j = 0; j < steps && !effort.cut_short(); ++j) judge({i * sweep.step_rad, j * sweep.step_rad});
  }
  if (effort.cut_short()) return sweep;
  choose_widest(sweep, design.lock_count());
  return sweep;
}

ClockingSweep search_clockings(const Design& design, const BendGrid& grid, int step_deg,
                               const Effort& effort) {
  assert(design.lock_count() > 3);
  const int steps = 360 / step_deg;
  const double step_rad = kTurn_rad / steps;
  const std::vector<BendPose> poses = bend_poses(design, grid);
  const auto judge = [&](const std::vector<double>& clock_rad) {
    ClockingResult result;
    result.clock_rad = clock_rad;
    judge_usual(with_clocking(design, clock_rad), poses, effort, result);
    return result;
  };
  const auto turned = [&](double clock) { return clock - kTurn_rad * std::floor(clock / kTurn_rad); };
  const auto axes = static_cast<std::size_t>(design.lock_count() - 1);
  ClockingResult best = judge(std::vector<double>(axes, 0.0));
  for (int pitch = 1; pitch < steps && !effort.cut_short(); ++pitch) {
    std::vector<double> helix;
    for (std::size_t i = 0; i < axes; ++i)
      helix.push_back(turned(static_cast<double>(i + 1) * pitch * step_rad));
    ClockingResult candidate = judge(helix);
    if (better(candidate, best)) best = std::move(candidate);
  }
  for (bool moved = true; moved && !effort.cut_short();) {
    moved = false;
    for (std::size_t axis = 0; axis < axes; ++axis) {
      for (int i = 0; i < steps && !effort.cut_short(); ++i) {
        std::vector<double> clock_rad = best.clock_rad;
        clock_rad[axis] = i * step_rad;
        ClockingResult candidate = judge(clock_rad);
        if (!better(candidate, best)) continue;
        best = std::move(candidate);
        moved = true;
      }
    }
  }
  ClockingSweep sweep;
  sweep.step_rad = step_rad;
  sweep.results.push_back(judge_clocking(with_clocking(design, best.clock_rad), poses, effort));
  sweep.results.front().clock_rad = best.clock_rad;
  return sweep;
}

}  // namespace withy
