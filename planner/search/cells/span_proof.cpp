// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/span_proof.h"

#include "geometry/numbers/numbers.h"
#include "planner/proof/lemmas/links.h"

namespace withy {

namespace {

// Slices are no thinner than this part of the insertion's range: where no slice of a millimetre or so keeps
// the frozen part out, finer ones hardly part a leaf, and a whole leaf should take a few hundred looks.
constexpr double kThinnestSlice = 1.0 / 128.0;
// Goal cells are cut until the tip moves by no more than this (mm): far below the clearances that benches
// have. Measured on double-bend: a few hundred looks more than for a millimetre.
constexpr double kFinestGoal_mm = 0.05;
// The wall is asked about goal cells from here on down (mm of the tip's motion): larger ones are hardly ever
// blocked as wholes.
constexpr double kLookAtGoal_mm = 6.0;
// Switches are told apart to this along insertion (mm): far below what a bench is built to.
constexpr double kFinestSwitch_mm = 0.01;

Box lower_half(Box box, int k) {
  box.high[Box::idx(k)] = box.centre(k);
  return box;
}

Box upper_half(Box box, int k) {
  box.low[Box::idx(k)] = box.centre(k);
  return box;
}

/// To rounding: one leaf may go by two names (lemma 16).
bool same_bends(const Leaf& a, const Leaf& b) {
  if (a.engaged != b.engaged) return false;
  for (std::size_t r = 0; r < a.base.size(); ++r)
    if ((a.base[r] - b.base[r]).cwiseAbs().maxCoeff() > 2.0 * kNotchGrain) return false;
  return true;
}

}  // namespace

SpanProof::SpanProof(const SearchProblem& problem)
    : problem_(problem), store_(problem, kFinestSwitch_mm), gate_(store_) {}

bool SpanProof::applies() const {
  return problem_.start.engaged.none() &&
         (problem_.design.lock_count() == 0 || store_.chart().kind() == LatticeKind::points);
}

void SpanProof::begin(const Goal& goal) {
  goal_ = goal;
  looks_before_ = looks();
  finest_goal_mm_ = kInfinity;
  by_planes_ = false;
  begin_anew();
}

/// With N of the same goal.
void SpanProof::begin_anew() {
  failed_ = !applies();
  goal_level_ = 0;
  goal_leaf_ = 0;
  open_.clear();
  for (auto& [leaf, spans] : spans_)
    for (Span& span : spans) span.met = false;
}

/// Once it is, it stays so until the next run().
bool SpanProof::over() {
  if (!over_ && ++asked_ % shares::kAskInterval == 0) over_ = effort_.spent(work());
  return over_;
}

SpanProof::Outcome SpanProof::run(const Effort& effort) {
  effort_ = effort;
  over_ = effort_.spent(work());
  Outcome outcome = prove();
  if (outcome == Outcome::no_proof && applies() && !by_planes_) {
    by_planes_ = true;
    begin_anew();
    outcome = prove();
  }
  return outcome;
}

SpanProof::Outcome SpanProof::prove() {
  if (failed_ || over_ || !meet_all_goals()) return ended();
  while (!open_.empty()) {
    const SpanRef ref = open_.back();
    open_.pop_back();
    if (follow_switches(ref)) continue;
    open_.push_back(ref);
    return ended();
  }
  bury_met();
  return Outcome::proved;
}

bool SpanProof::is_blocked(const Leaf& leaf, const Box& box) {
  return store_.probe().check(leaf, box).status == CellStatus::blocked;
}

/// As far as cells tell that are cut by the tip's motion. Where the effort is over, it may.
bool SpanProof::may_hold_legal_goal(const Leaf& leaf, const Box& box) {
  ++looks_;
  if (over()) return true;
  if (!store_.probe().may_hold_goal(goal_, leaf, box)) return false;
  const CellTravel tip = store_.probe().travel(leaf, box);
  finest_goal_mm_ = std::min(finest_goal_mm_, tip.total);
  if (tip.total <= kLookAtGoal_mm && is_blocked(leaf, box)) return false;
  return tip.total <= kFinestGoal_mm || may_hold_legal_goal(leaf, lower_half(box, tip.widest)) ||
         may_hold_legal_goal(leaf, upper_half(box, tip.widest));
}

/// Goes on where it stopped; false where the proof is off, or the effort over.
bool SpanProof::meet_all_goals() {
  for (; goal_level_ <= problem_.design.lock_count(); ++goal_level_, goal_leaf_ = 0) {
    std::int64_t leaf_at = 0;
    const auto meet_next = [&](const Leaf& leaf) {
      if (leaf_at++ < goal_leaf_) return true;
      if (!meet_goals(leaf)) return false;
      ++goal_leaf_;
      return true;
    };
    if (!for_each_leaf(problem_.design, store_.chart(), goal_level_, effort_, meet_next)) return false;
  }
  return true;
}

/// Meets the leaf's spans that may hold the goal; false where the proof is off, or the effort over.
bool SpanProof::meet_goals(const Leaf& leaf) {
  if (!may_hold_legal_goal(leaf, whole_leaf(problem_.design, store_.chart(), leaf))) return !over_;
  const int index = store_.index_of(leaf);
  const std::vector<Span>* spans = over_ ? nullptr : spans_of(index);
  if (spans == nullptr) return false;
  for (std::size_t i = 0; i < spans->size(); ++i) {
    const Span& span = (*spans)[i];
    if (span.met || span.dead || !may_hold_legal_goal(leaf, box_of(index, span))) continue;
    if (over_ || !meet({index, i})) return false;
  }
  return !over_;
}

/// Cuts the leaf where it was not cut before; null where the effort is over before that is done.
std::vector<SpanProof::Span>* SpanProof::spans_of(int leaf) {
  const auto [found, fresh] = spans_.try_emplace(leaf);
  if (fresh && !slice({leaf, 0}, found->second)) {
    spans_.erase(found);
    return nullptr;
  }
  return !by_planes_ || part(leaf, found->second) ? &found->second : nullptr;
}

/// Parts the leaf's spans by planes, once; goes on where it stopped. False where the effort is over before
/// that is done. What is dead is left as it is.
bool SpanProof::part(int leaf, std::vector<Span>& spans) {
  if (parted_.contains(leaf)) return true;
  Parting& parting = partings_[leaf];
  for (; parting.next < spans.size(); ++parting.next) {
    const Span& span = spans[parting.next];
    if (span.dead || span.cells.size() < 2) {
      parting.spans.push_back(span);
      continue;
    }
    if (!parting.planes) parting.planes = planes_of(leaf, span);
    const std::int64_t before = parting.planes->looks();
    const std::int64_t checked = store_.probe().checks();
    const bool done = parting.planes->find(store_.probe(), [&] { return over(); });
    looks_ += parting.planes->looks() - before - (store_.probe().checks() - checked);
    if (!done) return false;
    cut_at(span, parting.planes->parting(), store_, parting.spans);
    parting.planes.reset();
  }
  spans = std::move(parting.spans);
  partings_.erase(leaf);
  parted_.insert(leaf);
  return true;
}

/// Those between its cells.
LeafPlanes SpanProof::planes_of(int leaf, const Span& span) const {
  std::vector<double> insertions_mm;
  for (std::size_t i = 1; i < span.cells.size(); ++i)
    insertions_mm.push_back(store_.box(span.cells[i]).low[0]);
  return {store_.leaf(leaf), store_.tree(leaf).box(0), insertions_mm};
}

void SpanProof::cut_at(const Span& span, const std::vector<bool>& parting, const CellStore& store,
                       std::vector<Span>& out) {
  for (std::size_t i = 0; i < span.cells.size(); ++i) {
    const Box box = store.box(span.cells[i]);
    if (i == 0 || parting[i - 1]) out.push_back({{}, box.low[0], box.low[0], span.met, span.dead});
    out.back().cells.push_back(span.cells[i]);
    out.back().high_mm = box.high[0];
  }
}

/// Hands down a cell's insertions in order; adds what is not blocked of it to the spans. False where the
/// effort is over.
bool SpanProof::slice(const CellRef& ref, std::vector<Span>& spans) {
  if (over()) return false;
  const CellStatus status = store_.look(ref);
  if (status == CellStatus::blocked) return true;
  const Box box = store_.box(ref);
  const double thinnest = kThinnestSlice * problem_.design.carriage().insertion_max_mm;
  if (status != CellStatus::free && 2.0 * box.half(0) > thinnest) {
    if (!store_.is_split(ref)) store_.split(ref, 0);
    const auto parts = store_.parts(ref);
    return slice(parts[0], spans) && slice(parts[1], spans);
  }
  if (spans.empty() || spans.back().high_mm < box.low[0])
    spans.push_back({{}, box.low[0], box.low[0], false, false});
  spans.back().cells.push_back(ref);
  spans.back().high_mm = box.high[0];
  return true;
}

Box SpanProof::box_of(int leaf, const Span& span) const {
  Box box = store_.tree(leaf).box(0);
  box.low[0] = span.low_mm;
  box.high[0] = span.high_mm;
  return box;
}

/// Takes a span into N; false where it holds the start.
bool SpanProof::meet(const SpanRef& ref) {
  Span& span = spans_.at(ref.leaf)[ref.span];
  if (span.met || span.dead) return true;
  span.met = true;
  for (const CellRef& cell : span.cells) failed_ = failed_ || store_.holds_start(cell);
  if (failed_) return false;
  open_.push_back(ref);
  return true;
}

/// Meets what the span's switches lead to; false where the proof is off, or the effort over.
bool SpanProof::follow_switches(const SpanRef& ref) {
  const Leaf leaf = store_.leaf(ref.leaf);
  const Box box = box_of(ref.leaf, spans_.at(ref.leaf)[ref.span]);
  return for_each_link(problem_.design, store_.chart(), leaf, box, effort_,
                       [&](const SwitchLink& link) { return follow(leaf, link); });
}

/// The same of one link, cut along insertion as long as that tells more.
bool SpanProof::follow(const Leaf& leaf, const SwitchLink& link) {
  ++looks_;
  if (over()) return false;
  if (link.here.low[0] > link.here.high[0]) return true;
  const int other = store_.index_of(link.other);
  if (store_.status({other, 0}) == CellStatus::blocked) return true;
  if (!gate_.may_switch(store_.index_of(leaf), link, other)) return true;
  if (is_blocked(leaf, link.here) || is_blocked(link.other, link.there)) return true;
  if (2.0 * link.here.half(0) > kFinestSwitch_mm) return follow_halves(leaf, link);
  const std::vector<Span>* spans = spans_of(other);
  if (spans == nullptr) return false;
  for (std::size_t i = 0; i < spans->size(); ++i) {
    const Span& span = (*spans)[i];
    const bool meets = span.low_mm <= link.there.high[0] && link.there.low[0] <= span.high_mm;
    if (meets && !meet({other, i})) return false;
  }
  return true;
}

bool SpanProof::follow_halves(const Leaf& leaf, const SwitchLink& link) {
  const auto same_switch = [&](const SwitchLink& part) {
    return part.lock != link.lock || !same_bends(part.other, link.other) || follow(leaf, part);
  };
  for (const Box& half : {lower_half(link.here, 0), upper_half(link.here, 0)})
    if (!for_each_link(problem_.design, store_.chart(), leaf, half, effort_, same_switch)) return false;
  return true;
}

void SpanProof::bury_met() {
  for (auto& [leaf, spans] : spans_)
    for (Span& span : spans) {
      if (!span.met) continue;
      span.dead = true;
      for (const CellRef& cell : span.cells) store_.bury(cell);
    }
}

}  // namespace withy
