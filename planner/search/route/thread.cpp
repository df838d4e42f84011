// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/thread.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/search/cells/compass_search.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// Room beyond the required clearance (mm) with which a passage is taken without a look for a wider place.
constexpr double kPassageEnough_mm = 0.5;
// How many times a cell's half-width a passage may be taken beside it.
constexpr double kBeside = 4.0;
// Frozen bends (rad) as near as this are one: no cell is cut finer.
constexpr double kLeastBend_rad = 1e-6;

double clamp_to(const Box& box, int k, double x) {
  return std::clamp(x, box.low[Box::idx(k)], box.high[Box::idx(k)]);
}

/// The box's middle, all else as in `state`.
State middle_of(const Box& box, State state) {
  state.insertion_mm = box.centre(0);
  state.u_free = {box.centre(1), box.centre(2)};
  return state;
}

class Threader {
 public:
  Threader(const Goal& goal, const BendChart& chart, const StepJudge& judge, const BodyMargin& margin,
           const std::vector<ChainCell>& chain, Passage passage, const State& from, const Effort& effort)
      : problem_(judge.problem()),
        goal_(goal),
        chart_(chart),
        judge_(judge),
        margin_(margin),
        chain_(chain),
        passage_(passage),
        state_(from),
        effort_(effort) {
    out_.route.start = from;
  }

  Threading run() {
    for (std::size_t k = 0; k + 1 < chain_.size(); ++k) {
      if (effort_.cut_short()) {
        fail(k);
        return take_out();
      }
      const bool ok = chain_[k].lock < 0 ? pass_within(k) : pass_switch(k);
      if (!ok) {
        fail(k);
        if (chain_[k].lock < 0)
          note_wide_in_stay(k, std::nullopt);
        else if (chain_[k].engages)
          note_wide_in_stay(k + 1, link_between(k, k + 1, true));
        else
          note_wide_in_stay(k, link_between(k + 1, k, true));
        return take_out();  // what follows has no state to start from
      }
    }
    if (!reach_goal(chain_.size() - 1)) fail(chain_.size() - 1);
    return take_out();
  }

 private:
  /// A motion that a quick look did not settle.
  struct Unsure {
    std::size_t cell;
    std::size_t step;
  };

  void fail(std::size_t k) { fail(k, out_.route.steps.size()); }

  /// Cell k gave no allowed motion or switch for this step of the route.
  void fail(std::size_t k, std::size_t step) {
    if (out_.failed.empty()) out_.proved_steps = step;
    if (out_.failed.empty() || out_.failed.back() != static_cast<int>(k))
      out_.failed.push_back(static_cast<int>(k));
  }

  /// Notes the cells that are widest in a frozen bend, among those about cell k with no switch between, where
  /// no bend is in all of them and in what a switch that leads there can freeze.
  void note_wide_in_stay(std::size_t k, const std::optional<SwitchLink>& link) {
    std::size_t first = k;
    while (first > 0 && chain_[first - 1].lock < 0) --first;
    std::size_t last = k;
    while (last + 1 < chain_.size() && chain_[last].lock < 0) ++last;
    for (int c = 3; c < chain_[k].box.dimensions; ++c) {
      const auto i = Box::idx(c);
      double low = link ? link->there.low[i] : -kInfinity;
      double high = link ? link->there.high[i] : kInfinity;
      double widest = 0.0;
      for (std::size_t j = first; j <= last; ++j) {
        low = std::max(low, chain_[j].box.low[i]);
        high = std::min(high, chain_[j].box.high[i]);
        widest = std::max(widest, chain_[j].box.half(c));
      }
      if (low <= high || widest < kLeastBend_rad) continue;
      for (std::size_t j = first; j <= last; ++j)
        if (chain_[j].box.half(c) > 0.5 * widest) out_.wide.push_back({static_cast<int>(j), c});
    }
  }

  /// Moves on within cell k; a motion that is not allowed is noted, the threading goes on to learn of others.
  void move(std::size_t k, State to) {
    if (to == state_) return;
    const auto finding = judge_.look_at(state_, to);
    if (finding == MotionLook::Finding::not_clear) fail(k);
    if (finding == MotionLook::Finding::unsure) unsure_.push_back({k, out_.route.steps.size()});
    out_.route.steps.push_back({-1, false, to});
    state_ = std::move(to);
  }

  /// What a quick look left open is looked at closely when nothing else is in the way.
  Threading take_out() {
    if (!out_.failed.empty()) {
      if (!unsure_.empty()) out_.proved_steps = std::min(out_.proved_steps, unsure_.front().step);
      return std::move(out_);
    }
    for (const Unsure& unsure : unsure_)
      if (effort_.cut_short() ||
          !judge_.verifier().clears(out_.route.state_before(unsure.step), out_.route.steps[unsure.step].to,
                                    problem_.required_clearance_mm))
        fail(unsure.cell, unsure.step);
    return std::move(out_);
  }

  bool pass_within(std::size_t k) {
    const Box shared = intersection(chain_[k].box, chain_[k + 1].box);
    const auto now = coordinates_of(chart_, state_);
    for (int c = 3; c < shared.dimensions; ++c)
      if (!shared.contains(c, now[Box::idx(c)])) return false;
    State to = state_;
    to.insertion_mm = clamp_to(shared, 0, now[0]);
    to.u_free =
        clamp_to_curvature_disk(problem_.design, {clamp_to(shared, 1, now[1]), clamp_to(shared, 2, now[2])});
    // Free cells allow the nearest passage; in a mixed one it matters where it is taken.
    if (!chain_[k].free || !chain_[k + 1].free)
      to = widest(passage_ == Passage::within ? shared : beside(shared, chain_[k].box), to);
    const bool outside = !shared.contains(1, to.u_free.x()) || !shared.contains(2, to.u_free.y());
    if (passage_ == Passage::within && outside) return false;
    move(k, to);
    return true;
  }

  /// What the cells share at its middle insertion, with curvatures as far about as the cell is wide.
  Box beside(const Box& shared, const Box& cell) const {
    Box box = shared;
    box.low[0] = box.high[0] = shared.centre(0);
    for (int c = 1; c < 3; ++c) {
      const auto i = Box::idx(c);
      box.low[i] -= kBeside * cell.half(c);
      box.high[i] += kBeside * cell.half(c);
    }
    return box;
  }

  /// The state in the box with most room, sought from the better of `near` and the middle.
  State widest(const Box& box, const State& near) const {
    State middle = middle_of(box, near);
    middle.u_free = clamp_to_curvature_disk(problem_.design, middle.u_free);
    const bool from_near = margin_(near) >= margin_(middle);
    return widened(box, from_near ? near : middle, [](const State&) { return true; });
  }

  /// Compass search from `best`, in the box and where `allowed`, until there is plenty of room.
  template <class Allowed>
  State widened(const Box& box, State best, const Allowed& allowed) const {
    const double plenty = problem_.required_clearance_mm + kPassageEnough_mm;
    return compass_search(
        std::move(best), -plenty, {{box.half(0), box.half(1), box.half(2)}, shares::kPassageRounds},
        [&](const State& state) { return -margin_(state); },
        [&](State next, int c) {
          double& x = c == 0 ? next.insertion_mm : next.u_free[c - 1];
          x = clamp_to(box, c, x);
          next.u_free = clamp_to_curvature_disk(problem_.design, next.u_free);
          return next;
        },
        allowed);
  }

  bool pass_switch(std::size_t k) {
    const auto before = state_before_switch(k);
    if (!before) return false;
    const ChainCell& cell = chain_[k];
    State after = cell.engages ? after_lock(problem_.design, *before, cell.lock)
                               : after_unlock(problem_.design, *before, cell.lock);
    if (chart_.coordinates() == 0) after.theta_frozen = chain_[k + 1].leaf->base;  // exactly on the notches
    if (!judge_.switch_allowed(*before, cell.lock, after)) return false;
    move(k, *before);
    out_.route.steps.push_back({cell.lock, cell.engages, after});
    state_ = std::move(after);
    return true;
  }

  /// A state of cell k, with the frozen bends as they are now, in which the switch to cell k + 1 can be made.
  std::optional<State> state_before_switch(std::size_t k) const {
    const auto forth = link_between(k, k + 1, chain_[k].engages);
    const auto back = link_between(k + 1, k, !chain_[k].engages);
    if (!forth || !back) return std::nullopt;
    const Box& here = forth->here;
    const Box& there = back->here;
    State state = state_;
    const double low = std::max(here.low[0], there.low[0]);
    const double high = std::min(here.high[0], there.high[0]);
    if (low > high) return std::nullopt;
    state.insertion_mm = std::clamp(state_.insertion_mm, low, high);
    if (!set_curvature(state, k, here, there)) return std::nullopt;
    return state;
  }

  /// How the lock that stands between two cells of the chain may lead from one to the other.
  std::optional<SwitchLink> link_between(std::size_t at, std::size_t to, bool engages) const {
    const LeafKey key = chain_[to].leaf->key();
    std::optional<SwitchLink> found;
    const auto look = [&](const SwitchLink& link) {
      if (link.lock == chain_[std::min(at, to)].lock && link.engages == engages && link.other.key() == key)
        found = link;
      return !found && !effort_.cut_short();
    };
    for_each_link(problem_.design, chart_, *chain_[at].leaf, chain_[at].box, effort_, look);
    return found;
  }

  /// The free curvature that the switch needs at this insertion.
  bool set_curvature(State& state, std::size_t k, const Box& here, const Box& there) const {
    const int lock = chain_[k].lock;
    const LockSet& engaged = chain_[k].engages ? chain_[k + 1].leaf->engaged : chain_[k].leaf->engaged;
    const auto stretches = stretches_of(problem_.design, engaged);
    const std::size_t r = region_index(engaged, lock);
    const bool parts_free_region = r + 2 == stretches.size();
    if (!parts_free_region) return true;  // frozen bends decide alone
    const double f = exposed_flexible_length(problem_.design, state.insertion_mm, stretches[r].from_mm,
                                             stretches[r].to_mm);
    if (f <= kNoLength_mm) {
      state.u_free
          .setZero();  // a lock inside the guide: straight, so that both readings of the contract allow it
      return chain_[k].box.contains(1, 0.0) && chain_[k].box.contains(2, 0.0);
    }
    Eigen::Vector2d theta;
    if (!chain_[k].engages) {
      theta = state.theta_frozen[r];
    } else if (chart_.coordinates() == 0) {
      theta = chain_[k + 1].leaf->base[r];
    } else {
      theta = bend_to_freeze(k, r, f, here, there);
    }
    state.u_free = theta / f;
    // A whole-cell tolerance for rounding: the curvature may sit on the cell's face.
    const double grain = 1e-12;
    for (int c = 0; c < 2; ++c) {
      const auto i = Box::idx(c + 1);
      if (state.u_free[c] < std::max(chain_[k].box.low[i], chain_[k + 1].box.low[i]) - grain) return false;
      if (state.u_free[c] > std::min(chain_[k].box.high[i], chain_[k + 1].box.high[i]) + grain) return false;
    }
    return true;
  }

  /// A continuous bend that every cell of the coming stay allows, near what the free region has now.
  Eigen::Vector2d bend_to_freeze(std::size_t k, std::size_t r, double f, const Box& here,
                                 const Box& there) const {
    const int n = chart_.coordinates();
    Box stay = chain_[k + 1].box;
    for (std::size_t j = k + 2; j < chain_.size() && chain_[j - 1].lock < 0; ++j)
      for (int c = 3; c < stay.dimensions; ++c) {
        stay.low[Box::idx(c)] = std::max(stay.low[Box::idx(c)], chain_[j].box.low[Box::idx(c)]);
        stay.high[Box::idx(c)] = std::min(stay.high[Box::idx(c)], chain_[j].box.high[Box::idx(c)]);
      }
    Eigen::Vector2d u;
    for (int c = 0; c < 2; ++c) {
      const auto i = Box::idx(c + 1);
      const double low = std::max({here.low[i], there.low[i], chain_[k].box.low[i]});
      const double high = std::min({here.high[i], there.high[i], chain_[k].box.high[i]});
      u[c] = low <= high ? 0.5 * (low + high) : 0.5 * (chain_[k].box.low[i] + chain_[k].box.high[i]);
    }
    Eigen::Vector2d theta = chain_[k + 1].leaf->base[r];
    for (int c = 0; c < n; ++c) {
      const auto i = 3 + r * static_cast<std::size_t>(n) + Box::idx(c);
      double t = chart_.axes().col(c).dot(u * f);
      if (stay.low[i] <= stay.high[i]) t = std::clamp(t, stay.low[i], stay.high[i]);
      theta += t * chart_.axes().col(c);
    }
    return theta;
  }

  /// To a goal state within the last cell, from where the route stands or else from the cell's middle.
  bool reach_goal(std::size_t k) {
    const Box& box = chain_[k].box;
    for (const State& from : {state_, middle_of(box, state_)})
      if (const auto goal =
              descend_to_goal(problem_.design, goal_, from, goal_descent_in(problem_.design, box))) {
        const auto holds = [&](const State& s) { return goal_miss(problem_.design, goal_, s) <= 0.0; };
        const bool within = passage_ == Passage::within;
        move(k, chain_[k].free ? *goal : widened(within ? box : beside(box, box), *goal, holds));
        return true;
      }
    return false;
  }

  const SearchProblem& problem_;
  const Goal& goal_;
  const BendChart& chart_;
  const StepJudge& judge_;
  const BodyMargin& margin_;
  const std::vector<ChainCell>& chain_;
  Passage passage_;
  State state_;
  const Effort& effort_;
  std::vector<Unsure> unsure_;
  Threading out_;
};

}  // namespace

GoalDescent goal_descent_in(const Design& design, const Box& box) {
  GoalDescent descent;
  descent.insertion_step_mm = box.half(0);
  descent.curvature_step_per_mm = std::max(box.half(1), box.half(2));
  descent.within = [&](const State& state) {
    State in = state;
    in.insertion_mm = clamp_to(box, 0, in.insertion_mm);
    in.u_free =
        clamp_to_curvature_disk(design, {clamp_to(box, 1, in.u_free.x()), clamp_to(box, 2, in.u_free.y())});
    return in;
  };
  return descent;
}

Threading thread_chain(const Goal& goal, const BendChart& chart, const StepJudge& judge,
                       const BodyMargin& margin, const std::vector<ChainCell>& chain, Passage passage,
                       const State& from, const Effort& effort) {
  return Threader(goal, chart, judge, margin, chain, passage, from, effort).run();
}

}  // namespace withy
