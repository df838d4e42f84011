// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/field_gate.h"

namespace withy {

bool FieldGate::may_switch(int leaf, const SwitchLink& link, int other) {
  const SearchProblem& problem = store_.problem();
  if (!problem.heeded.field || !store_.probe().hardware().checks_field()) return true;
  const auto [released, engaged] = link.engages ? std::pair(leaf, other) : std::pair(other, leaf);
  if (!as_good_as_whole(store_.leaf(engaged), link.lock)) return ask(store_.leaf(leaf), link);
  const auto key = std::tuple(released, engaged, link.lock);
  const auto [known, fresh] = known_.try_emplace(key, false);
  if (fresh) known->second = ask_whole(store_.leaf(engaged), link.lock);
  return known->second;
}

/// Does asking about less than the whole leaf tell no more? With the free carriage, notched bends and a
/// uniform field insertion does not matter to the field, and where the lock is the last one engaged its notch
/// says how the free region bends when it switches. (A question of effort: the whole's answer is right in any
/// case.)
bool FieldGate::as_good_as_whole(const Leaf& engaged, int lock) const {
  const Design& design = store_.problem().design;
  return design.field()->coils.empty() && design.carriage().kind == CarriageKind::free &&
         store_.chart().coordinates() == 0 && (engaged.engaged >> static_cast<std::size_t>(lock + 1)).none();
}

/// About all switches that release the lock, which are those that engage it.
bool FieldGate::ask_whole(const Leaf& engaged, int lock) const {
  const SearchProblem& problem = store_.problem();
  bool may = false;
  for_each_release(problem.design, store_.chart(), engaged,
                   whole_leaf(problem.design, store_.chart(), engaged), lock, [&](const SwitchLink& link) {
                     may = ask(engaged, link);
                     return !may;
                   });
  return may;
}

bool FieldGate::ask(const Leaf& leaf, const SwitchLink& link) const {
  const CellProbe& probe = store_.probe();
  const Hardware& hardware = probe.hardware();
  return hardware.switch_over(probe.state_box(link.other, link.there), link.lock) != BoxVerdict::none &&
         hardware.switch_over(probe.state_box(leaf, link.here), link.lock) != BoxVerdict::none;
}

}  // namespace withy
