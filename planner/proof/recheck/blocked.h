// SPDX-License-Identifier: GPL-3.0-or-later
// Is every state of a box blocked, by the wall or by a limit? Different parts may be blocked by different
// ones.
#pragma once

#include <atomic>
#include <string>

#include "planner/proof/recheck/field.h"
#include "planner/proof/recheck/limits.h"
#include "planner/proof/recheck/wall.h"

namespace withy::recheck {

/// Asks for one robot in one channel; safe from several threads.
class Blocked {
 public:
  /// `field`: null where a proof does not use it.
  Blocked(const Robot& robot, const Wall& wall, const Limits& limits, const FieldLimits* field,
          bool use_clearance);

  /// What one look at a box told, and where cutting it tells more.
  struct Look {
    bool blocked = false;
    bool roomy = false;       ///< a guess: the middle of the box is clear
    double station_mm = 0.0;  ///< the one that cutting tells most about
  };
  Look look(const Body& body, const StateBox& box) const;

  /// Does every state of the box break a limit of the tendons, curvature or insertion, or do its magnets push
  /// one another off their stops?
  bool limit_broken_by(const Body& body, const StateBox& box) const;

  /// Is a state (the middle of the box) surely legal?
  bool surely_legal(const Body& body, const StateBox& box) const;
  /// By how much a state keeps what it needs of the wall (mm); below 0 where it breaks a limit. A guess.
  double margin_guess(const Body& body, const StateBox& state) const;
  /// Least clearance of a state, a lower bound, stations `step_mm` apart; infinite with nothing past the
  /// entry plane.
  double clearance_lower(const Body& body, const StateBox& state, double step_mm) const;

  const Limits& limits() const { return limits_; }
  const Wall& wall() const { return wall_; }
  const Robot& robot() const { return robot_; }
  std::int64_t looks() const { return looks_.load(std::memory_order_relaxed); }

 private:
  /// A station, and by how much it keeps what it needs in the most favourable state; a guess.
  struct Candidate {
    const Body::Station* station = nullptr;
    double margin = 0.0;
  };
  static constexpr std::size_t kCandidates = 3;
  std::array<Candidate, kCandidates> candidates(const Body& body, const StateBox& box, const Reach& reach,
                                                Look& out) const;
  bool shaft_blocked(const StateBox& box) const;
  void find_shaft();

  const Robot& robot_;
  const Wall& wall_;
  const Limits& limits_;
  const FieldLimits* magnets_;  // nullptr: they never push one another off
  bool use_clearance_;
  double shaft_blocked_from_mm_;  // a shaft this deep or deeper touches
  mutable std::atomic<std::int64_t> looks_{0};
};

/// The coordinates of a box of states: insertion, free curvature, frozen bends one after another.
int coordinate_count(const StateBox& box);
Interval coordinate(const StateBox& box, int k);
void set_coordinate(StateBox& box, int k, const Interval& x);
StateBox middle_of(const StateBox& box);

/// The coordinate whose cutting narrows the box's places at a station most, and by how much (mm) it widens
/// them.
struct Widest {
  int coordinate = -1;
  double share_mm = 0.0;
};
Widest widest(const Body& body, const StateBox& box, double station_mm);

/// The state in words.
std::string words(const Body& body, const StateBox& box);

}  // namespace withy::recheck
