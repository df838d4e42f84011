// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: random walks by allowed actions from states at the target.
//
// Every action can be undone, so whatever a walk visits can reach the target, and a proof that the start
// can't has to list it. Nothing of planner/ or geometry/ is used: bodies come from plain_body.h, the wall
// from plain_distance.h, the hardware from plain_hardware.h.
//
// A walk is a chain of samples. They are held to kCaution_mm more than the required clearance c, at stations
// and at steps of a motion so near to one another that all between them keep c. For the distance d to a
// closed set, |x|^2 - d(x)^2 is convex (P. Cannarsa and C. Sinestrari, "Semiconcave Functions,
// Hamilton-Jacobi Equations, and Optimal Control", 2004, prop. 2.2.2), so on a chord of length a d^2 is at
// least the lesser of the ends' less a^2 / 4, and d less than the lesser by no more than about a^2 / (8 d).
// Bodies of 0.75 mm radius and more have d >= 0.85 mm: 0.010 mm between stations 0.25 mm apart, whose arc (up
// to 0.12 per mm) leaves its chord by less than 0.001 mm, and 0.006 mm between steps of 0.2 mm. Where a
// lock's radius begins it is taken to begin one station earlier, and the entry plane one station before it.
// For thinner bodies all three lengths shrink with the radius, and with them the bound. From an open outlet
// stations keep so far away that no point between them comes to it.
#pragma once

#include <functional>
#include <optional>
#include <random>
#include <vector>

#include "tests/support/plain_body.h"
#include "tests/support/plain_distance.h"

namespace withy_plain {

inline constexpr double kThinnest_mm = 0.75;  // of bodies that these hold for as they stand
inline constexpr double kStation_mm = 0.25;
inline constexpr double kStep_mm = 0.2;
inline constexpr double kCaution_mm = 0.025;

/// Curvatures nearer than this are equal: rounding only.
inline constexpr double kSameCurvature_per_mm = 1e-12;

/// What the walks of one question visited, and how they got about.
struct Walks {
  std::vector<State> visited;  ///< every sample, in order
  int starts = 0;              ///< states at the target that walks started from
  int locked = 0;
  int unlocked = 0;
  int inner = 0;   ///< of these switches, those with a lock engaged distal of theirs
  int hidden = 0;  ///< and those of a lock with nothing flexible out proximal to it in its region
  int switches() const { return locked + unlocked; }
};

/// Walks of one question. The robot's scene names target, clearance and limits. Deterministic for a seed.
class Walker {
 public:
  /// Both must outlive the walker.
  Walker(const Robot& robot, const Solid& channel, unsigned seed);

  /// Are curvature, insertion, hardware and (with caution) the required clearance kept?
  bool allowed(const State& state) const;

  /// By how much the required clearance could grow with the state still allowed; negative where it is not.
  double spare_mm(const State& state) const { return margin(state, true); }

  /// Is the tip at the target?
  bool at_target(const State& state) const { return target_excess(state, 1.0) <= 0; }

  /// Any state within the limits of curvature and insertion, with what is locked on notches; nothing where
  /// chance brought none.
  std::optional<State> random_state();

  /// An allowed state at the target with the locks and frozen bends of another one, if one is soon found.
  std::optional<State> state_at_target(const State& near);

  /// Tries so many actions from `from` on.
  void walk(const State& from, int actions, Walks& walks);

  /// Allowed states at the target, at most so many: others (`known` first) are aimed at it and then changed,
  /// locks and frozen bends too, to come out of the wall. Ends after about `most_looks` looks at states.
  std::vector<State> goal_states(const std::optional<State>& known, std::size_t most, long most_looks);

  /// The states of a way from an allowed one back to the start, found by actions that mostly lead out; empty
  /// where `most_looks` looks at states brought none. Whatever it is, each sample of it is allowed.
  std::vector<State> way_home(const State& from, long most_looks);

  /// The states of a way from the start to the target, or, where `most_looks` looks at states brought none,
  /// to where the tip was nearest to it. Each sample of it is allowed. Empty where the start is not.
  std::vector<State> way_in(long most_looks);

  /// How many states have been looked at.
  long looks() const { return looks_; }

 private:
  // Chance.
  double uniform(double low, double high);
  bool coin() { return uniform(0, 1) < 0.5; }
  double scale() { return std::pow(10.0, uniform(-2, 0)); }
  Eigen::Vector2d in_disk(double radius);

  // What is allowed.
  double margin(const State& state, bool to_the_end) const;
  bool same_side(const Eigen::Vector3d& known_E, double room_mm, const Eigen::Vector3d& p_E) const;
  double widened_radius(double s_mm) const;
  bool hardware_allows(const State& state) const;
  bool field_allows(const State& state, int lock) const;
  bool hidden(const State& state, int lock) const;
  /// The bend sum nearest to `wish` on which all backbones are on notches; nothing where there is none near.
  std::optional<Eigen::Vector2d> latchable(const Eigen::Vector2d& wish) const;

  // States.
  double target_excess(const State& state, double share) const;
  State descended(State state, bool with_wall, int tries);
  double target_cost(const State& state, bool with_wall) const;
  std::optional<State> aimed(State state) const;
  std::optional<State> varied(const State& state);
  bool add_latched(State& state, int lock, double& from, Eigen::Vector2d& sum,
                   const Eigen::Vector2d& wish) const;
  double station(int lock) const { return robot_.layout.station_mm[static_cast<std::size_t>(lock)]; }
  std::size_t region_of(const State& state, int lock) const;
  State moved(const State& state, double insertion_mm, const Eigen::Vector2d& u) const;
  std::optional<State> engaged(const State& state, int lock) const;
  std::optional<State> released(const State& state, int lock) const;
  double steps_between(const State& from, const State& to) const;
  /// The insertion at which regions [a, b] and [b, c] have their exposed flexible lengths in this ratio.
  std::optional<double> insertion_for(double ratio, double a, double b, double c) const;

  // Actions from where the walk stands.
  void visit(const State& state);
  bool go(const State& to);
  void wander();
  void try_lock(int lock);
  void try_unlock(int lock);
  void switch_to(const std::optional<State>& to, int lock);
  bool bend_to_latch(int lock, std::size_t region);
  bool advance_to_latch(int lock, std::size_t region);
  bool advance_to_equal(std::size_t region);

  // On the way home, or in.
  struct Stop {
    State state;
    std::size_t from;  // index of the stop before, its own for the first
    double far;        // from where it is to lead
    int tries = 0;
  };
  struct Journey {
    std::function<double(const State&)> far;    ///< how far a state is from the end
    std::function<bool(const State&)> arrived;  ///< is it there?
    std::function<void()> act;                  ///< tries an action from where the walk stands
  };
  struct Travelled {
    std::vector<State> way;  ///< to the end, or else to the stop nearest to it
    bool arrived = false;
  };
  Travelled travel(const State& from, const Journey& journey, long most_looks);
  double far_from_home(const State& state) const;
  bool is_home(const State& state) const;
  std::size_t next_stop(const std::vector<Stop>& stops);
  void try_a_way_out();
  void try_a_way_in();
  void go_part_of_the_way(double insertion_mm, const Eigen::Vector2d& u);
  bool bend_towards(const Eigen::Vector2d& u);
  bool finish();

  const Robot& robot_;
  const Scene& scene_;
  Wall wall_;
  std::mt19937 random_;
  Eigen::Vector3d target_E_;
  std::optional<Eigen::Vector3d> target_direction_E_;
  std::optional<Eigen::Vector2d> plane_;  // in which all tendons bend, when there is one
  double mouth_radius_mm_;                // no face stands between the points of z > 0 this near to the axis
                                          // and those beyond kMouth_mm
  double mouth_room_mm_;
  double station_mm_, step_mm_, caution_mm_;  // kStation_mm, kStep_mm, kCaution_mm for this body
  mutable long looks_ = 0;
  State at_;
  Walks* walks_ = nullptr;
};

}  // namespace withy_plain
