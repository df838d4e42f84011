// SPDX-License-Identifier: GPL-3.0-or-later
// Condition 1: every legal state at a target lies in H.
//
// Boxes of states of one set of engaged locks are cut until each is shown to hold no state at the target, no
// latchable bends, no legal state, or to lie in H. Families of leaves are let go of at once while their
// frozen bends are still boxes; a box that holds one choice of notches only is that leaf's.
#include <algorithm>
#include <atomic>
#include <cmath>
#include <memory>

#include <fmt/format.h>
#include <tbb/parallel_for_each.h>

#include "planner/proof/recheck/conditions.h"

namespace withy::recheck {
namespace {

// Boxes cut fewer times than this are shared out to all threads.
constexpr int kSharedGoalDepth = 14;
constexpr double kDirectionRounding = 1e-9;

struct Task {
  std::shared_ptr<const Body> body;  // of these engaged locks
  StateBox box;
  std::size_t goal = 0;
  std::size_t fixed = 0;             // so many frozen bends are on known notches
  LeafName name;                     // of those
  std::shared_ptr<const Leaf> leaf;  // once all are
  const Leaves::Entry* entry = nullptr;
  int depth = 0;
  double room_mm = 0.0;  // what is left to cut, when cut last
};

class GoalCheck {
 public:
  explicit GoalCheck(const Inquiry& inquiry) : inquiry_(inquiry) {}

  std::vector<Task> roots() const {
    std::vector<Task> tasks;
    const int locks = inquiry_.robot.lock_count();
    for (unsigned set = 0; set < (1U << static_cast<unsigned>(locks)); ++set) {
      std::vector<int> engaged;
      for (int i = 0; i < locks; ++i)
        if ((set >> static_cast<unsigned>(i)) & 1U) engaged.push_back(i);
      // More switches than that are needed to open them again.
      if (inquiry_.counts_switches && static_cast<int>(engaged.size()) >= inquiry_.leaves.levels()) continue;
      for (std::size_t goal = 0; goal < inquiry_.goals.size(); ++goal) {
        Task task;
        task.body = std::make_shared<const Body>(inquiry_.robot, engaged);
        task.box = whole_box(*task.body);
        task.goal = goal;
        tasks.push_back(std::move(task));
      }
    }
    return tasks;
  }

  template <class Feed>
  void run(Task task, Feed&& feed) const {
    std::vector<Task> open;
    open.push_back(std::move(task));
    while (!open.empty() && !inquiry_.over()) {
      Task here = std::move(open.back());
      open.pop_back();
      if (!narrow(here) || !name_leaves(here) || !reaches_target(here) || settled(here)) continue;
      const int k = cut_of(here);
      if (k < 0) {
        undecided(here);
        return;
      }
      Task other = here;
      const Interval x = coordinate(here.box, k);
      set_coordinate(here.box, k, {x.lo, x.middle()});
      set_coordinate(other.box, k, {x.middle(), x.hi});
      here.depth = ++other.depth;
      if (here.depth <= kSharedGoalDepth) {
        feed(std::move(here));
        feed(std::move(other));
      } else {
        open.push_back(std::move(other));
        open.push_back(std::move(here));
      }
    }
  }

 private:
  StateBox whole_box(const Body& body) const {
    const Robot& robot = inquiry_.robot;
    const double kappa = robot.segment.curvature_max_per_mm;
    StateBox box;
    box.d_hi = robot.insertion_max_mm;
    box.u = {Interval(-kappa, kappa), Interval(-kappa, kappa)};
    for (std::size_t r = 0; r < body.frozen_count(); ++r) {
      const double most = (Interval(kappa * (1.0 + 4e-9)) * body.flexible(r, Interval(box.d_hi))).hi;
      box.theta.push_back({Interval(-most, most), Interval(-most, most)});
    }
    if (inquiry_.pinned >= 0) {
      const auto p = static_cast<std::size_t>(inquiry_.pinned);
      box.u[p] = Interval(0.0);
      // Bends on notches are as exact as the notches' directions.
      const double off = inquiry_.lattice.kind() == Lattice::Kind::everything ? 0.0 : 1e-7;
      for (Interval2& theta : box.theta) theta[p] = Interval(-off, off);
    }
    return box;
  }

  /// Leaves out bends that no state of the box may legally have. False: nothing is left.
  bool narrow(Task& task) const {
    if (task.leaf) return true;
    const double kappa = inquiry_.robot.segment.curvature_max_per_mm;
    for (std::size_t r = task.fixed; r < task.box.theta.size(); ++r) {
      const double most =
          (Interval(kappa * (1.0 + 4e-9)) * task.body->flexible(r, Interval(task.box.d_hi))).hi;
      for (Interval& x : task.box.theta[r]) {
        x = {std::max(x.lo, -most), std::min(x.hi, most)};
        if (x.lo > x.hi) return false;
      }
    }
    return true;
  }

  /// Puts bends on their notches, from the base on, while the box leaves one choice. False: there is none for
  /// some bend.
  bool name_leaves(Task& task) const {
    if (task.leaf) return true;
    const std::size_t count = task.box.theta.size();
    if (inquiry_.lattice.kind() != Lattice::Kind::points) {
      if (!lines_possible(task)) return false;
      if (inquiry_.lattice.kind() == Lattice::Kind::everything && task.name.empty()) {
        for (const int lock : task.body->engaged()) task.name.emplace_back(lock, Notches{});
        return take_leaf(task);
      }
      return true;
    }
    Interval2 sum{};
    for (std::size_t r = 0; r < count; ++r) {
      for (std::size_t i = 0; i < 2; ++i) sum[i] = sum[i] + task.box.theta[r][i];
      if (r < task.fixed) continue;
      int found = 0;
      Notches only;
      inquiry_.lattice.each_in(sum, [&](const Notches& notches, const Interval2&) {
        only = notches;
        ++found;
      });
      if (found == 0) return false;
      if (found > 1 || r > task.fixed) continue;
      task.name.emplace_back(task.body->engaged()[r], only);
      const auto leaf = Leaf::make(inquiry_.robot, inquiry_.lattice, task.name);
      if (!leaf) return false;
      const StateBox named = leaf->states(Cell{});
      task.box.theta[r] = named.theta[r];
      sum = leaf->sum_before(r + 1);
      ++task.fixed;
    }
    return task.fixed < count || take_leaf(task);
  }

  bool lines_possible(Task& task) const {
    if (inquiry_.lattice.kind() != Lattice::Kind::lines) return true;
    Interval2 sum{};
    LeafName name;
    for (std::size_t r = 0; r < task.box.theta.size(); ++r) {
      for (std::size_t i = 0; i < 2; ++i) sum[i] = sum[i] + task.box.theta[r][i];
      int found = 0;
      Notches only;
      inquiry_.lattice.each_in(sum, [&](const Notches& notches, const Interval2&) {
        only = notches;
        ++found;
      });
      if (found == 0) return false;
      if (found == 1 && name.size() == r) name.emplace_back(task.body->engaged()[r], only);
    }
    if (name.size() < task.box.theta.size()) return true;
    task.name = std::move(name);
    return take_leaf(task);
  }

  bool take_leaf(Task& task) const {
    auto leaf = Leaf::make(inquiry_.robot, inquiry_.lattice, task.name);
    if (!leaf) return false;
    task.leaf = std::make_shared<const Leaf>(std::move(*leaf));
    task.entry = inquiry_.leaves.find(task.name);
    if (inquiry_.lattice.kind() == Lattice::Kind::points) task.box.theta = task.leaf->states(Cell{}).theta;
    return true;
  }

  /// May a state of the box be at the target? Narrows insertion to where it may.
  bool reaches_target(Task& task) const {
    const GoalRegion& goal = inquiry_.goals[task.goal];
    if (inquiry_.blocked.limits().curvature_broken_by(*task.body, task.box)) return false;
    const Placed<Interval> placed(*task.body, task.box);
    const Reach reach(*task.body, task.box);
    const double length_mm = inquiry_.robot.segment.length_mm;
    const double aside = reach.aside(length_mm);
    if (!std::isfinite(aside)) return true;
    const std::array<Interval, 3> tip = placed.tip();
    const Interval across =
        sqrt(square(tip[0] - Interval(goal.point_E.x())) + square(tip[1] - Interval(goal.point_E.y())));
    const double within = next_up(goal.tolerance_mm + aside);
    if (across.lo > within) return false;
    // Drawn back from d_hi by t the tip is t lower: |tip_z - t - goal_z| <= sqrt(within^2 - across^2).
    const double along = sqrt(square(Interval(within)) - square(Interval(across.lo))).hi;
    const Interval t = tip[2] - Interval(goal.point_E.z()) + Interval(-along, along);
    const double d_hi = task.box.d_hi;
    const double low = next_down(d_hi - t.hi);
    const double high = next_up(d_hi - t.lo);
    if (low > d_hi || high < task.box.d_lo) return false;
    if (goal.direction_E && points_elsewhere(goal, placed, reach)) return false;
    task.box.d_lo = std::max(task.box.d_lo, low);
    task.box.d_hi = std::min(task.box.d_hi, high);
    return true;
  }

  /// Is the tip's direction outside the cone in every state? angle >= (angle at the reference) - turn.
  bool points_elsewhere(const GoalRegion& goal, const Placed<Interval>& placed, const Reach& reach) const {
    const double turn =
        reach.turn(inquiry_.robot.segment.length_mm) + goal.direction_tolerance_rad + kDirectionRounding;
    if (!(turn < 3.1)) return false;
    const std::array<Interval, 3> t = placed.tip_tangent();
    Interval dot(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      dot = dot + t[i] * Interval((*goal.direction_E)[static_cast<Eigen::Index>(i)]);
    // The cosine falls on [0, pi].
    return dot.hi < sine_cosine(Interval(turn)).cosine.lo - kDirectionRounding;
  }

  bool settled(const Task& task) const {
    if (task.entry != nullptr) {
      const Cell cell = task.leaf->cell(task.box);
      bool in_all = true;
      for (const Cover& cover : task.entry->levels) in_all = in_all && cover.about(cell) == Cover::Says::in;
      if (in_all) return true;
    }
    return inquiry_.blocked.look(*task.body, task.box).blocked;
  }

  int cut_of(const Task& task) const {
    const Widest cut = widest(*task.body, task.box, inquiry_.robot.segment.length_mm);
    if (cut.coordinate < 0 || (task.leaf && cut.share_mm < kFinest_mm)) return -1;
    return cut.coordinate;
  }

  /// Is the leaf's state surely at the target, by so much (mm)? A lower bound.
  double inside_target_mm(const Task& task, const StateBox& state) const {
    const GoalRegion& goal = inquiry_.goals[task.goal];
    const Placed<Interval> placed(*task.body, state);
    const std::array<Interval, 3> tip = placed.tip();
    Interval square_distance(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      square_distance =
          square_distance + square(tip[i] - Interval(goal.point_E[static_cast<Eigen::Index>(i)]));
    double inside = goal.tolerance_mm - kDirectionRounding - sqrt(square_distance).hi;
    if (!goal.direction_E) return inside;
    const std::array<Interval, 3> t = placed.tip_tangent();
    Interval dot(0.0);
    for (std::size_t i = 0; i < 3; ++i)
      dot = dot + t[i] * Interval((*goal.direction_E)[static_cast<Eigen::Index>(i)]);
    // The cosine falls on [0, pi]; a wider cone holds every direction.
    const double cone = goal.direction_tolerance_rad - 2.0 * kDirectionRounding;
    if (cone < 3.1)
      inside = std::min(inside, inquiry_.robot.segment.length_mm *
                                    (dot.lo - sine_cosine(Interval(std::max(0.0, cone))).cosine.hi));
    return inside;
  }

  bool outside(const Task& task, const Cell& point) const {
    return task.entry == nullptr || task.entry->levels[0].about(point) == Cover::Says::out;
  }

  /// Where a box can't be settled: is some state about it legal, at the target and not in H?
  void undecided(const Task& task) const {
    const StateBox state = middle_of(task.box);
    if (task.leaf) {
      const Leaf& leaf = *task.leaf;
      const Cell best = climbed(leaf.cell(state), whole_of(inquiry_, leaf), [&](const Cell& point) {
        if (!outside(task, point)) return -kInfinity;
        const StateBox there = leaf.states(point);
        return std::min(inside_target_mm(task, there), inquiry_.blocked.margin_guess(*task.body, there));
      });
      const StateBox found = leaf.states(best);
      if (outside(task, best) && inside_target_mm(task, found) >= 0.0 &&
          inquiry_.blocked.surely_legal(*task.body, found)) {
        inquiry_.gathered.does_not_hold(
            "a legal state at the target is not among those that are said to be all: " +
            words(*task.body, found));
        return;
      }
    }
    inquiry_.gathered.could_not_decide("whether " + words(*task.body, state) + " is legal and at the target");
  }

  const Inquiry& inquiry_;
};

}  // namespace

void check_goals(const Inquiry& inquiry) {
  const GoalCheck check(inquiry);
  std::vector<Task> roots = check.roots();
  std::atomic<std::size_t> done{0};
  tbb::parallel_for_each(roots.begin(), roots.end(), [&](Task& task, tbb::feeder<Task>& feeder) {
    if (inquiry.over()) return;
    check.run(std::move(task), [&](Task&& next) { feeder.add(std::move(next)); });
    if (const std::size_t n = ++done; n % 256 == 0) inquiry.settings.progress("states at the target", -1.0);
  });
}

}  // namespace withy::recheck
