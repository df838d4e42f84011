// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/field_gate.h"

namespace withy {

bool FieldGate::may_switch(int leaf, const SwitchLink& link, int other) {
  const SearchProblem& problem = store_.problem();
  if (!problem.heeded.field || !store_.probe().hardware().checks_field()) return true;
  // With the free carriage and notched locks every lock has the same pose against the others, and in a
  // uniform field, whatever the insertion.
  const bool one_pose = problem.design.field()->coils.empty() &&
                        problem.design.carriage().kind == CarriageKind::free &&
                        store_.chart().coordinates() == 0 && (link.here.high[1] - link.here.low[1]) < 1e-9 &&
                        (link.here.high[2] - link.here.low[2]) < 1e-9;
  if (!one_pose) return ask(leaf, link);
  const auto key = std::tuple(leaf, other, link.lock);
  if (const auto known = known_.find(key); known != known_.end()) return known->second;
  return known_[key] = ask(leaf, link);
}

bool FieldGate::ask(int leaf, const SwitchLink& link) const {
  const CellProbe& probe = store_.probe();
  const Hardware& hardware = probe.hardware();
  return hardware.switch_over(probe.state_box(link.other, link.there), link.lock) != BoxVerdict::none &&
         hardware.switch_over(probe.state_box(store_.leaf(leaf), link.here), link.lock) != BoxVerdict::none;
}

}  // namespace withy
