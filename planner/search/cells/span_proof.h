// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 28 (spans of insertion). A proof that no way leads to a target, from a few boxes as wide as their
// leaves.
//
//   Statement. Cut each leaf along insertion alone. Slices in which no state is legal part the rest of the
//   leaf into spans. Let N be spans such that every legal goal state lies in one of them, and that every
//   switch out of a span of N leads to a span of N, or joins no two legal states, or is one that the field
//   refuses there or back. If no span of N holds the start, no plan reaches the target.
//   Premises: what the search's own proofs rest on (blocked cells: lemmas 1, 2, 10 to 14, 18 to 20; goals:
//   lemma 6; leaves: lemma 16; switches: lemma 17, both of whose readings of the contract hold here).
//   Derivation. A motion changes insertion continuously and stays in its leaf, so it passes no slice without
//   legal states, and stays in its span. A switch from outside N into a span of N, undone, would lead out of
//   it; its states are legal and the field does it there and back, for a plan returns by the way it came. So
//   a plan that ends in N was in N all along.
//   Rounding: neighbouring slices share their rims as doubles, so that nothing lies between them; all else is
//   counted by the lemmas named.
//
// What makes it quick: insertion moves the frozen part of the body whatever the free part does, so a slice
// with no place for the frozen part takes one look. And the switches between two leaves lie on a curve
// (insertion tells the free bend that the lock leaves), which takes looks along one dimension, not three.
// What is not proved so may be true all the same: of a span no more is known than its ends.
#pragma once

#include <cstdint>
#include <map>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/search/cells/cell_store.h"
#include "planner/search/cells/field_gate.h"

namespace withy {

/// Tries one goal of one problem, both of which must outlive it.
class SpanProof {
 public:
  SpanProof(const SearchProblem& problem, const Goal& goal);

  /// Proved: no plan reaches the goal. Only where frozen bends are notches (LatticeKind::points) or there are
  /// no locks, and the start has none engaged. Within the effort's work, as work() counts it. To be called
  /// once.
  bool run(const Effort& effort);

  std::int64_t looks() const { return store_.probe().checks() + looks_; }
  /// As RouteSearch::work.
  std::int64_t work() const;

  /// The cells that it knows, cut along insertion alone. Once proved, those of N are buried (CellStore::bury)
  /// and every legal goal state lies in one.
  const CellStore& cells() const { return store_; }

 private:
  /// Cells of one leaf that follow one another along insertion, none of them proved blocked.
  struct Span {
    std::vector<CellRef> cells;
    double low_mm = 0.0;
    double high_mm = 0.0;
    bool met = false;  ///< in N
  };
  struct SpanRef {
    int leaf = -1;
    std::size_t span = 0;
  };

  bool over();
  bool is_blocked(const Leaf& leaf, const Box& box);
  bool may_hold_legal_goal(const Leaf& leaf, const Box& box);
  bool meet_goals(const Leaf& leaf);
  std::vector<Span>& spans_of(int leaf);
  void slice(const CellRef& ref, std::vector<Span>& spans);
  Box box_of(const SpanRef& ref);
  bool meet(const SpanRef& ref);
  bool follow_switches(const SpanRef& ref);
  bool follow(const Leaf& leaf, const SwitchLink& link);
  void bury_met();

  const SearchProblem& problem_;
  const Goal& goal_;
  CellStore store_;
  FieldGate gate_;
  std::map<int, std::vector<Span>> spans_;  // of the leaves that were sliced
  std::vector<SpanRef> open_;               // met, their switches not yet followed
  std::int64_t looks_ = 0;                  // for goals, and at links
  Effort effort_;
};

}  // namespace withy
