// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/route/way_threader.h"

#include "planner/search/route/cell_search.h"
#include "planner/search/route/nearest_state.h"

namespace withy {

WayThreader::WayThreader(CellStore& store, const KnownStates& known, const StepJudge& judge)
    : store_(store),
      known_(known),
      judge_(judge),
      margin_([&store](const State& state) { return store.probe().body_margin(state); }) {}

ThreadedWay WayThreader::thread(const Goal& goal, const std::vector<CellRef>& way, const CellLabels& labels,
                                const Effort& effort) const {
  const std::vector<ChainCell> chain = chain_of(way, labels);
  const int from = entrance_of(store_, way.front());
  const std::size_t steps_known = known_.way_to(from).size();
  Threading within = thread_from(from, goal, chain, Passage::within, effort);
  if (within.failed.empty()) return {FoundRoute{std::move(within.route), from, steps_known}, {}};
  Threading beside = thread_from(from, goal, chain, Passage::beside, effort);
  if (beside.failed.empty()) return {FoundRoute{std::move(beside.route), from, steps_known}, {}};
  return {std::nullopt, std::move(within)};
}

std::optional<Route> WayThreader::straight(const Goal& goal, const Effort& effort) const {
  const CellRef whole{store_.start_leaf(), 0};
  const ChainCell cell{&store_.leaf(whole), store_.box(whole), false, -1, false};
  Threading threading =
      thread_chain(goal, store_.chart(), judge_, margin_, {cell}, Passage::within, known_.state(0), effort);
  if (!threading.failed.empty()) return std::nullopt;
  return std::move(threading.route);
}

std::vector<ChainCell> WayThreader::chain_of(const std::vector<CellRef>& way,
                                             const CellLabels& labels) const {
  std::vector<ChainCell> chain;
  for (const CellRef& ref : way) {
    const CellLabel& label = labels.of(ref);
    chain.push_back({&store_.leaf(ref), store_.box(ref), store_.status(ref) == CellStatus::free, label.lock,
                     label.engages});
  }
  // Nothing follows the last one.
  chain.back().lock = -1;
  chain.back().engages = false;
  return chain;
}

/// The route of the threading starts with the way to the known state.
Threading WayThreader::thread_from(int known, const Goal& goal, const std::vector<ChainCell>& chain,
                                   Passage passage, const Effort& effort) const {
  Threading threading =
      thread_chain(goal, store_.chart(), judge_, margin_, chain, passage, known_.state(known), effort);
  const std::vector<RouteStep> way = known_.way_to(known);
  threading.proved_steps += way.size();
  threading.route.steps.insert(threading.route.steps.begin(), way.begin(), way.end());
  threading.route.start = known_.state(0);
  return threading;
}

std::optional<Approach> WayThreader::approach_nearer_than(double best_mm, const Goal& goal,
                                                          const Threading& failed) const {
  NearestState nearest(judge_.problem().design, goal, known_.state(0));
  for (std::size_t i = 1; i <= failed.proved_steps; ++i) nearest.visit(failed.route.state_before(i));
  if (!(nearest.distance_mm() < best_mm)) return std::nullopt;
  std::string objection;
  if (const std::size_t next = failed.proved_steps;
      next < failed.route.steps.size() && failed.route.steps[next].lock < 0)
    objection = judge_.objection(failed.route.state_before(next), failed.route.steps[next].to);
  if (objection.empty()) objection = "no allowed lock switch leads on from there";
  return Approach{nearest.distance_mm(), {nearest.state()}, std::move(objection)};
}

}  // namespace withy
