// SPDX-License-Identifier: GPL-3.0-or-later
// Condition 3: no lock switch leads out of H or into it.
#include <algorithm>
#include <atomic>
#include <set>

#include <fmt/format.h>
#include <tbb/parallel_for_each.h>

#include "planner/proof/recheck/conditions.h"

namespace withy::recheck {
namespace {

// A bend nearer than this (rad) to a notch may be on it.
constexpr double kOnNotch = 1e-9;
constexpr int kMostSwitchParts = 2000000;
// Boxes cut fewer times than this are shared out to all threads.
constexpr int kSharedSwitchDepth = 8;

Interval widened(const Interval& x) {
  return {x.lo - kOnNotch, x.hi + kOnNotch};
}

Interval common_part(const Interval& a, const Interval& b) {
  return {std::max(a.lo, b.lo), std::min(a.hi, b.hi)};
}

/// A length between two locks, or the base and a lock, as far as their stations are known.
Interval with_play(const Robot& robot, const Interval& length) {
  if (robot.station_play_mm == 0.0) return length;
  const double play = next_up(2.0 * robot.station_play_mm);
  return {std::max(0.0, next_down(length.lo - play)), next_up(length.hi + play)};
}

/// Leaf a has `lock` released, b has it engaged.
struct Pair {
  Leaf a;
  const Leaves::Entry* in_a;  // nullptr: nothing of it is in H
  Leaf b;
  const Leaves::Entry* in_b;
  int lock;
};

/// One pair of leaves.
class SwitchCheck {
 public:
  SwitchCheck(const Inquiry& inquiry, const Pair& pair) : inquiry_(inquiry), pair_(pair), region_(0) {
    for (const auto& [lock, notches] : pair.a.name())
      if (lock < pair.lock) ++region_;
    station_ = Interval(inquiry.robot.layout.station_mm[static_cast<std::size_t>(pair.lock)]);
  }

  /// Looks at the pair's states; halves that are cut fewer than kSharedSwitchDepth times are fed to other
  /// threads.
  template <class Feed>
  void run(const Cell& whole, int depth, Feed&& feed) {
    std::vector<Cell> open = {whole};
    int looked = 0;
    while (!open.empty() && !inquiry_.over()) {
      const Cell cell = open.back();
      open.pop_back();
      StateBox a = pair_.a.states(cell);
      StateBox b;
      if (!switches(a, b) || settled(a, b)) continue;
      const int k = cut_of(a, cell);
      if (k < 0 || ++looked > kMostSwitchParts) {
        inquiry_.gathered.could_not_decide(
            fmt::format("whether lock {} switches at {}, out of the states that are said "
                        "to be all or into them",
                        pair_.lock + 1, words(pair_.a.body(), a)));
        return;
      }
      const double middle = 0.5 * (cell.low[at(k)] + cell.high[at(k)]);
      Cell upper = cell;
      Cell lower = cell;
      upper.low[at(k)] = lower.high[at(k)] = middle;
      if (depth < kSharedSwitchDepth) {
        feed(lower);
        feed(upper);
        return;
      }
      open.push_back(upper);
      open.push_back(lower);
    }
  }

 private:
  bool in_free_region() const { return region_ == pair_.a.name().size(); }

  /// May a state of box a be one that the lock switches in? Narrows a to those, and says where they lead.
  bool switches(StateBox& a, StateBox& b) {
    const Body& body = pair_.a.body();
    const Interval d(a.d_lo, a.d_hi);
    const Interval f =
        with_play(inquiry_.robot, body.flexible_between(body.region_start(region_), station_, d));
    follows_insertion_ = false;
    Interval2 bend;
    if (in_free_region()) {
      if (inquiry_.lattice.kind() == Lattice::Kind::points && f.lo > 0.0) {
        const Interval2 wanted = notch_bend();
        for (std::size_t i = 0; i < 2; ++i) {
          a.u[i] = common_part(a.u[i], widened(wanted[i]) / f);
          if (!(a.u[i].lo <= a.u[i].hi)) return false;
        }
        follows_insertion_ = true;
      }
      bend = {a.u[0] * f, a.u[1] * f};
    } else {
      const Interval share = share_of(
          f, with_play(inquiry_.robot, body.flexible_between(station_, body.region_end(region_), d)));
      bend = {share * a.theta[region_][0], share * a.theta[region_][1]};
    }
    if (!on_notch(bend)) return false;
    b = a;
    if (inquiry_.lattice.kind() == Lattice::Kind::points) {
      Cell cell;
      cell.dimensions = 3;
      cell.low = {a.d_lo, a.u[0].lo, a.u[1].lo};
      cell.high = {a.d_hi, a.u[0].hi, a.u[1].hi};
      b = pair_.b.states(cell);
      return true;
    }
    b.theta.insert(b.theta.begin() + static_cast<std::ptrdiff_t>(region_), bend);
    if (!in_free_region())
      for (std::size_t i = 0; i < 2; ++i) b.theta[region_ + 1][i] = a.theta[region_][i] - bend[i];
    // Zero times a length is zero, whatever its bounds are.
    if (inquiry_.pinned >= 0 && pair_.b.per_lock() == 2)
      for (Interval2& theta : b.theta) theta[static_cast<std::size_t>(inquiry_.pinned)] = Interval(0.0);
    return true;
  }

  /// f / (f + rest), which grows with f and falls with the rest.
  static Interval share_of(const Interval& f, const Interval& rest) {
    if (f.hi <= 0.0) return Interval(0.0);
    const Interval low = f.lo > 0.0 ? Interval(f.lo) / (Interval(f.lo) + Interval(rest.hi)) : Interval(0.0);
    const Interval high =
        rest.lo > 0.0 ? Interval(f.hi) / (Interval(f.hi) + Interval(rest.lo)) : Interval(1.0);
    return {std::max(0.0, low.lo), std::min(1.0, high.hi)};
  }

  /// The bend, up to the lock from the engaged one before it, that leaf b's notches hold.
  Interval2 notch_bend() const {
    const Interval2& before = pair_.b.sum_before(region_);
    const Interval2& with = pair_.b.sum_before(region_ + 1);
    return {with[0] - before[0], with[1] - before[1]};
  }

  bool on_notch(const Interval2& bend) const {
    if (inquiry_.lattice.kind() == Lattice::Kind::everything) return true;
    const Interval2 wanted = notch_bend();
    if (inquiry_.lattice.kind() == Lattice::Kind::points)
      return may_be_equal(widened(bend[0]), wanted[0]) && may_be_equal(widened(bend[1]), wanted[1]);
    const Interval2& along = inquiry_.lattice.axes()[0];  // bends differ along it as they please
    const Interval across = along[1] * (bend[0] - wanted[0]) - along[0] * (bend[1] - wanted[1]);
    return widened(across).holds(0.0);
  }

  bool settled(const StateBox& a, const StateBox& b) const {
    if (inquiry_.blocked.limits().curvature_broken_by(pair_.a.body(), a) ||
        inquiry_.blocked.limits().curvature_broken_by(pair_.b.body(), b))
      return true;
    if (both_or_none(a, b)) return true;
    if (inquiry_.blocked.look(pair_.a.body(), a).blocked) return true;
    if (inquiry_.blocked.limit_broken_by(pair_.b.body(), b)) return true;
    return inquiry_.field != nullptr && (inquiry_.field->refused(pair_.a.body(), a, pair_.lock) ||
                                         inquiry_.field->refused(pair_.b.body(), b, pair_.lock));
  }

  bool both_or_none(const StateBox& a, const StateBox& b) const {
    const Cell cell_a = pair_.a.cell(a);
    const Cell cell_b = pair_.b.cell(b);
    const auto says = [](const Leaves::Entry* entry, int level, const Cell& cell) {
      return entry == nullptr ? Cover::Says::out : entry->levels[at(level)].about(cell);
    };
    const auto leads = [&](int from, int to) {
      const auto closed = [](Cover::Says one, Cover::Says other) {
        return one == Cover::Says::out || other == Cover::Says::in;
      };
      return closed(says(pair_.in_a, from, cell_a), says(pair_.in_b, to, cell_b)) &&
             closed(says(pair_.in_b, from, cell_b), says(pair_.in_a, to, cell_a));
    };
    if (!inquiry_.counts_switches) return leads(0, 0);
    for (int level = 0; level + 1 < inquiry_.leaves.levels(); ++level)
      if (!leads(level, level + 1)) return false;
    return true;
  }

  /// The coordinate of the cell to cut; -1 where cutting tells no more.
  int cut_of(const StateBox& a, const Cell& cell) const {
    const auto can_cut = [&](int k) {
      const double middle = 0.5 * (cell.low[at(k)] + cell.high[at(k)]);
      return middle > cell.low[at(k)] && middle < cell.high[at(k)];
    };
    // Where curvature follows from insertion, that is what to cut.
    if (follows_insertion_) return cell.high[0] - cell.low[0] > kFinest_mm && can_cut(0) ? 0 : -1;
    const Widest cut = widest(pair_.a.body(), a, inquiry_.robot.segment.length_mm);
    if (cut.coordinate < 0 || cut.share_mm < kFinest_mm) return -1;
    const int k = leaf_coordinate(pair_.a, cut.coordinate);
    return k >= 0 && can_cut(k) ? k : -1;
  }

  const Inquiry& inquiry_;
  const Pair& pair_;
  std::size_t region_;  // of leaf a, that holds the lock
  Interval station_;
  bool follows_insertion_ = false;
};

/// Every name that leaf `a` may have after engaging `lock`.
void each_engaged(const Inquiry& inquiry, const Leaf& a, int lock,
                  const std::function<void(LeafName)>& take) {
  std::size_t region = 0;
  while (region < a.name().size() && a.name()[region].first < lock) ++region;
  const Cell whole = whole_of(inquiry, a);
  const StateBox box = a.states(whole);
  const Body& body = a.body();
  const Interval station(inquiry.robot.layout.station_mm[static_cast<std::size_t>(lock)]);
  Interval2 bend;
  if (region == a.name().size()) {
    const Interval f(0.0,
                     with_play(inquiry.robot, body.flexible_between(body.region_start(region), station,
                                                                    Interval(inquiry.robot.insertion_max_mm)))
                         .hi);
    const Interval f_all = inquiry.robot.guide ? f : Interval(f.hi);
    bend = {box.u[0] * f_all, box.u[1] * f_all};
  } else {
    bend = {Interval(0.0, 1.0) * box.theta[region][0], Interval(0.0, 1.0) * box.theta[region][1]};
  }
  // For lines, sum_before leaves out what is continuous, which is of no account across them.
  const Interval2& before = a.sum_before(region);
  const Interval2 sum = {widened(before[0] + bend[0]), widened(before[1] + bend[1])};
  inquiry.lattice.each_in(sum, [&](const Notches& notches, const Interval2&) {
    LeafName name = a.name();
    name.insert(name.begin() + static_cast<std::ptrdiff_t>(region), {lock, notches});
    take(std::move(name));
  });
}

std::vector<Pair> pairs_of(const Inquiry& inquiry) {
  std::vector<Pair> pairs;
  const auto add = [&](const LeafName& a, const LeafName& b, int lock) {
    auto leaf_a = Leaf::make(inquiry.robot, inquiry.lattice, a);
    auto leaf_b = Leaf::make(inquiry.robot, inquiry.lattice, b);
    if (leaf_a && leaf_b)
      pairs.push_back(
          {std::move(*leaf_a), inquiry.leaves.find(a), std::move(*leaf_b), inquiry.leaves.find(b), lock});
  };
  for (const Leaves::Entry& entry : inquiry.leaves.all()) {
    const LeafName& name = entry.leaf.name();
    for (int lock = 0; lock < inquiry.robot.lock_count(); ++lock) {
      const auto engaged =
          std::find_if(name.begin(), name.end(), [&](const auto& e) { return e.first == lock; });
      if (engaged == name.end()) {
        each_engaged(inquiry, entry.leaf, lock, [&](const LeafName& other) { add(name, other, lock); });
        continue;
      }
      LeafName other = name;
      other.erase(other.begin() + (engaged - name.begin()));
      if (inquiry.leaves.find(other) == nullptr) add(other, name, lock);
    }
  }
  return pairs;
}

}  // namespace

void check_switches(const Inquiry& inquiry) {
  if (inquiry.counts_switches && inquiry.leaves.levels() == 1) return;
  const std::vector<Pair> pairs = pairs_of(inquiry);
  struct Task {
    const Pair* pair;
    Cell cell;
    int depth;
  };
  std::vector<Task> tasks;
  for (const Pair& pair : pairs) tasks.push_back({&pair, whole_of(inquiry, pair.a), 0});
  // How much is done: a box cut n times is so much of its pair.
  std::atomic<std::int64_t> done{0};
  const double all = static_cast<double>(pairs.size()) * (1 << kSharedSwitchDepth);
  tbb::parallel_for_each(tasks.begin(), tasks.end(), [&](Task& task, tbb::feeder<Task>& feeder) {
    if (inquiry.over()) return;
    bool whole = true;
    SwitchCheck(inquiry, *task.pair).run(task.cell, task.depth, [&](const Cell& half) {
      whole = false;
      feeder.add({task.pair, half, task.depth + 1});
    });
    if (whole)
      inquiry.settings.progress("lock switches",
                                static_cast<double>(done += 1 << (kSharedSwitchDepth - task.depth)) / all);
  });
}

}  // namespace withy::recheck
