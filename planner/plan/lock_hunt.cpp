// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/lock_hunt.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <optional>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/motion/hunt_field.h"

namespace withy {
namespace {

/// Exposed flexible lengths (mm) of the free region: before the lock, and in all.
struct SweptLengths {
  double proximal_mm = 0.0;
  double whole_mm = 0.0;
};

SweptLengths swept_lengths(const Design& design, const State& before, int lock) {
  const Region free = regions_of(design, before).back();
  return {exposed_flexible_length(design, before.insertion_mm, free.from_mm, design.station_mm(lock)),
          free.flexible_mm};
}

bool in_free_region(const State& before, int lock) {
  return region_index(before.engaged, lock) == before.theta_frozen.size();
}

std::vector<State> along(const HuntTrack& track, const State& centre, double curvature_per_slide) {
  std::vector<State> states;
  for (const Eigen::Vector2d& w : track.slide_mm) {
    states.push_back(centre);
    states.back().u_free += curvature_per_slide * w;
  }
  return states;
}

/// Gathers what is wrong with the sweeps of one hunt, and their clearance.
class SweepJudge {
 public:
  SweepJudge(const MotionVerifier& verifier, const Hardware* hardware, double required_mm)
      : verifier_(verifier), hardware_(hardware), required_mm_(required_mm) {}

  /// The rim, where a sweep comes nearest to the wall and the limits, is walked last and judged first.
  void judge(const std::vector<State>& states) {
    for (std::size_t i = states.size(); i-- > 1 && objection_.empty();) {
      objection_ = limit_broken(states[i - 1], states[i]);
      if (objection_.empty()) measure(states[i - 1], states[i]);
    }
  }

  double clearance_mm() const { return clearance_mm_; }
  const std::string& objection() const { return objection_; }

 private:
  std::string limit_broken(const State& from, const State& to) const {
    const Design& design = verifier_.design();
    if (!within_limits(design, from) || !within_limits(design, to))
      return fmt::format("bends the segment beyond the limit of {:.4g} per mm",
                         design.segment().curvature_max_per_mm);
    if (hardware_ == nullptr) return {};
    const auto breach = hardware_->motion_breach(from, to);
    return breach ? "breaks a limit: " + breach->sentence() : std::string();
  }

  /// Lowers the clearance where this motion's is less. One that is proved to keep the least so far needs no
  /// figure.
  void measure(const State& from, const State& to) {
    if (std::isfinite(clearance_mm_) && verifier_.clears(from, to, clearance_mm_)) return;
    const MotionClearance found = verifier_.clearance(from, to);
    double clearance = found.lower_mm;
    if (clearance < required_mm_ && found.upper_mm >= required_mm_ &&
        verifier_.clears(from, to, required_mm_))
      clearance = required_mm_;
    clearance_mm_ = std::min(clearance_mm_, clearance);
    if (clearance >= required_mm_) return;
    objection_ = found.upper_mm > 0.0
                     ? fmt::format("brings the body within {:.2f} mm of the wall ({:.2f} mm required)",
                                   found.upper_mm, required_mm_)
                     : std::string("makes the body touch the wall");
  }

  const MotionVerifier& verifier_;
  const Hardware* hardware_;
  double required_mm_;
  double clearance_mm_ = kInfinity;
  std::string objection_;
};

}  // namespace

HuntTrack lock_hunt_track(const Design& design, const State& before, int lock) {
  assert(!before.engaged.test(static_cast<std::size_t>(lock)));
  if (!design.latch() || !in_free_region(before, lock)) return {};
  if (swept_lengths(design, before, lock).proximal_mm <= kNoLength_mm) return {};
  return hunt_track(*design.latch(), design.tendons() ? &*design.tendons() : nullptr);
}

std::vector<State> hunt_states(const Design& design, const State& before, int lock, const HuntTrack& track) {
  const SweptLengths lengths = swept_lengths(design, before, lock);
  return along(track, before, 1.0 / (design.latch()->backbone_radius_mm * lengths.proximal_mm));  // (1)
}

std::vector<State> latched_hunt_states(const Design& design, const State& before, int lock,
                                       const HuntTrack& track) {
  const SweptLengths lengths = swept_lengths(design, before, lock);
  const double distal = lengths.whole_mm - lengths.proximal_mm;
  assert(distal > kNoLength_mm);
  return along(track, after_lock(design, before, lock),  // (2)
               lengths.whole_mm / (design.latch()->backbone_radius_mm * lengths.proximal_mm * distal));
}

namespace {

/// What is said of a hunt before it is swept.
LockHunt described(const HuntTrack& track) {
  LockHunt hunt;
  hunt.shape = track.shape;
  hunt.radius_mm = track.radius_mm;
  hunt.turns = track.turns;
  hunt.corners_per_turn = track.corners_per_turn;
  hunt.spacing_mm = track.spacing_mm;
  return hunt;
}

}  // namespace

std::vector<SweepCorners> lock_hunt_sweeps(const Design& design, const State& before, int lock) {
  const HuntTrack track = lock_hunt_track(design, before, lock);
  if (track.shape == HuntShape::none) return {};
  const SweptLengths lengths = swept_lengths(design, before, lock);
  std::vector<SweepCorners> sweeps = {hunt_states(design, before, lock, track)};
  if (lengths.whole_mm - lengths.proximal_mm > kNoLength_mm)
    sweeps.push_back(latched_hunt_states(design, before, lock, track));
  return sweeps;
}

LockHunt judge_lock_hunt(const MotionVerifier& verifier, const Hardware* hardware, double required_mm,
                         const State& before, int lock, const Currents* current_A) {
  const Design& design = verifier.design();
  LockHunt hunt = described(lock_hunt_track(design, before, lock));
  if (hunt.shape == HuntShape::none) {
    hunt.objection =
        in_free_region(before, lock)
            ? "no flexible length before the lock is outside the guide, so no bend moves its slides"
            : "a lock beyond it holds its slides already";
    return hunt;
  }
  const std::vector<SweepCorners> sweeps = lock_hunt_sweeps(design, before, lock);
  if (sweeps.size() < 2) {
    hunt.objection = "leaves the tendons nothing to bend once the latch has dropped in";
    return hunt;
  }
  SweepJudge judge(verifier, hardware, required_mm);
  for (const SweepCorners& corners : sweeps) judge.judge(corners);
  hunt.clearance_mm = judge.clearance_mm();
  hunt.objection = judge.objection();
  if (!hunt.objection.empty() || current_A == nullptr) return hunt;
  hunt.objection = swept_field_objection(design, before.engaged, lock, *current_A, sweeps);
  hunt.field_lost = !hunt.objection.empty();
  return hunt;
}

}  // namespace withy
