// SPDX-License-Identifier: GPL-3.0-or-later
// May the switching field make a lock switch that links two leaves?
#pragma once

#include <map>
#include <tuple>

#include "planner/proof/lemmas/links.h"
#include "planner/search/cells/cell_store.h"

namespace withy {

/// Answers for the leaves of one store, which must outlive it, by lemma 20 over the boxes of lemma 17. Where
/// a link can't be told from all others of its lock between the same leaves, they are asked about as one, out
/// of the whole leaf, and what comes of it is remembered.
class FieldGate {
 public:
  explicit FieldGate(const CellStore& store) : store_(store) {}

  /// May the field make the switch that leads from `link.there` (of leaf `other`) to `link.here` (of `leaf`)
  /// somewhere, and undo it? A plan comes back by the way it went, so what can't be undone is no part of any.
  bool may_switch(int leaf, const SwitchLink& link, int other);

 private:
  bool as_good_as_whole(const Leaf& engaged, int lock) const;
  bool ask_whole(const Leaf& engaged, int lock) const;
  bool ask(const Leaf& leaf, const SwitchLink& link) const;

  const CellStore& store_;
  std::map<std::tuple<int, int, int>, bool> known_;  // by leaf with the lock released, the other, lock
};

}  // namespace withy
