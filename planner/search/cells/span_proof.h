// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 28 (spans of insertion). A proof that no way leads to a target, from a few boxes as wide as their
// leaves.
//
//   Statement. Cut each leaf along insertion alone. Slices in which no state is legal, planes of one
//   insertion among them, part the rest of the leaf into spans. Let N be spans such that every legal goal
//   state lies in one of them, and that every switch out of a span of N leads to a span of N, or joins no two
//   legal states, or is one that the field refuses there or back. If no span of N holds the start, no plan
//   reaches the target. Premises: what the search's own proofs rest on (blocked cells: lemmas 1, 2, 10 to 14,
//   18 to 20; goals: lemma 6; leaves: lemma 16; switches: lemma 17, both of whose readings of the contract
//   hold here). Derivation. A motion changes insertion continuously and stays in its leaf, so it passes no
//   slice without legal states, and stays in its span. A switch from outside N into a span of N, undone,
//   would lead out of it; its states are legal and the field does it there and back, for a plan returns by
//   the way it came. So a plan that ends in N was in N all along. The union of two such N is one again: what
//   was proved of one goal serves for the next. Rounding: neighbouring slices share their rims as doubles, so
//   that nothing lies between them; all else is counted by the lemmas named.
//
// What makes it quick: insertion moves the frozen part of the body whatever the free part does, so a slice
// with no place for the frozen part takes one look. And the switches between two leaves lie on a curve
// (insertion tells the free bend that the lock leaves), which takes looks along one dimension, not three.
// Where the frozen part enters last, its slices have legal states or take too many looks. So where N holds
// the start, all is tried again with spans that are parted by planes as well (leaf_planes.h): between two
// slices a plane is proved without legal states by its parts, bend by bend, which takes looks along two
// dimensions. What is not proved so may be true all the same: of a span no more is known than its ends.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/search/cells/cell_store.h"
#include "planner/search/cells/field_gate.h"
#include "planner/search/cells/leaf_planes.h"

namespace withy {

/// Tries the goals of one problem, which must outlive it, one after the other. Slices and spans don't depend
/// on the goal and are kept; so is what was proved: spans of an earlier N are dead, whatever the goal is.
class SpanProof {
 public:
  enum class Outcome : unsigned char {
    proved,    ///< no plan reaches the goal
    no_proof,  ///< N holds the start, or there are no such proofs of this problem: more effort is in vain
    stopped    ///< the effort is spent: run() goes on, but begins anew with the leaf or span it was at
  };

  explicit SpanProof(const SearchProblem& problem);

  /// Can it prove anything? Only where frozen bends are notches (LatticeKind::points) or there are no locks,
  /// and the start has none engaged.
  bool applies() const;

  /// Another goal; the problem's own is not asked for.
  void begin(const Goal& goal);
  /// Within the effort's work, as work() counts it, what earlier goals took included. Precondition: begin().
  Outcome run(const Effort& effort);

  std::int64_t looks() const { return store_.probe().checks() + looks_; }
  /// As RouteSearch::work.
  std::int64_t work() const { return shares::kSpanLookWork * looks(); }
  /// Since begin().
  std::int64_t looks_at_goal() const { return looks() - looks_before_; }
  std::int64_t work_at_goal() const { return shares::kSpanLookWork * looks_at_goal(); }

  /// How far the tip moves (mm) in the finest box that was asked about the goal; infinite without any.
  double finest_goal_mm() const { return finest_goal_mm_; }

  /// The cells that it knows, cut along insertion alone. Those of every proved N are buried
  /// (CellStore::bury); every legal state of a goal that was proved lies in one.
  const CellStore& cells() const { return store_; }

 private:
  /// Cells of one leaf that follow one another along insertion, none of them proved blocked.
  struct Span {
    std::vector<CellRef> cells;
    double low_mm = 0.0;
    double high_mm = 0.0;
    bool met = false;   ///< in N
    bool dead = false;  ///< in the N of an earlier proof
  };
  struct SpanRef {
    int leaf = -1;
    std::size_t span = 0;
  };

  /// A leaf that is being parted by planes: what that has given so far.
  struct Parting {
    std::vector<Span> spans;
    std::size_t next = 0;              // of the leaf's spans
    std::optional<LeafPlanes> planes;  // of that one
  };

  bool over();
  Outcome prove();
  void begin_anew();
  Outcome ended() const { return failed_ ? Outcome::no_proof : Outcome::stopped; }
  bool is_blocked(const Leaf& leaf, const Box& box);
  bool may_hold_legal_goal(const Leaf& leaf, const Box& box);
  bool meet_all_goals();
  bool meet_goals(const Leaf& leaf);
  std::vector<Span>* spans_of(int leaf);
  bool slice(const CellRef& ref, std::vector<Span>& spans);
  bool part(int leaf, std::vector<Span>& spans);
  LeafPlanes planes_of(int leaf, const Span& span) const;
  static void cut_at(const Span& span, const std::vector<bool>& parting, const CellStore& store,
                     std::vector<Span>& out);
  Box box_of(int leaf, const Span& span) const;
  bool meet(const SpanRef& ref);
  bool follow_switches(const SpanRef& ref);
  bool follow(const Leaf& leaf, const SwitchLink& link);
  bool follow_halves(const Leaf& leaf, const SwitchLink& link);
  void bury_met();

  const SearchProblem& problem_;
  CellStore store_;
  FieldGate gate_;
  std::map<int, std::vector<Span>> spans_;  // of the leaves that were sliced
  std::map<int, Parting> partings_;         // begun
  std::set<int> parted_;                    // leaves whose spans have been parted by planes
  std::int64_t looks_ = 0;                  // for goals, and at links
  std::int64_t asked_ = 0;
  Effort effort_;
  bool over_ = false;

  // Of the last goal.
  Goal goal_;
  std::int64_t looks_before_ = 0;
  double finest_goal_mm_ = 0.0;
  bool by_planes_ = false;      // the second try, with spans parted by planes
  bool failed_ = false;         // N holds the start
  int goal_level_ = 0;          // leaves with fewer engaged locks have been asked about the goal
  std::int64_t goal_leaf_ = 0;  // so have so many with as many
  std::vector<SpanRef> open_;   // met, their switches not yet followed
};

}  // namespace withy
