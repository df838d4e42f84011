// SPDX-License-Identifier: GPL-3.0-or-later
// What the wall makes of all states in a cell at once: the body clear in all, in none, or not yet known.
//
// Throughout, c is the required clearance, a cell is an AllowedBox of leaf coordinates, and m(s) is how far
// an allowed state of it may have the point at station s from where a body laid out for the cell has it
// (lemma 5 for the body at the centre).
//
// Lemma 10 (free cell). Where the margin of the body laid out, less m(s) at every station and less what may
// be lost between stations (lemma 9), is at least c, every allowed state of the cell is clear by c.
// Lemma 11 (blocked cell). No state of the cell is clear by c where some station that is past the entry plane
// wherever it moves
//   (a) has D < R + c wherever it moves (lemma 7, by the field),
//   (b) the same by an exact distance near by, where the field knows no depth (lemma 12), or
//   (c) finds no place within m(s) with room for R + c (lemma 13).
// Lemma 14 (sliding cell). Where insertion moves the body along itself rather than aside (lemma 4), the body
// at the cell's deepest insertion stands for all when free is to be proved, that at its shallowest when
// blocked is, with
//     m(s) = what insertion moves it aside + curvature_lever(s) |h_u| + sum over frozen regions ...
// and the radius at a station the largest (for blocked the smallest) of the stations that come to its place.
//   Premises: the types say them. A LaidLargest counts radii that no station exceeds that comes to a place of
//   the cell, so it may be asked whether all is free, and nothing else; a LaidSmallest the other way round;
//   the body at the centre has its own radii and may be asked both. m(s) bounds how far an *allowed* state of
//   the cell is from the body laid out, which need not be allowed itself (lemma 3): so `free` says that the
//   allowed states are clear, `blocked` that none of them is.
//   Derivation: lemmas 3 to 5 move the body laid out to any other; lemma 7 moves the distance with it.
//   Rounding: m(s) is rounded up to a float, points and look-ups are counted by lemma 8. A station's radius
//   is kept as the nearest float, up to half a unit in the last place above the true one: a proof of blocked
//   counts with the float below (surely_needed), and a proof of free with slack that holds the difference.
//
// Stations that can't come past the entry plane don't matter. Without a field (for comparison) distances are
// exact and one point at a time: cell_body_exact.h.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "planner/proof/lemmas/body_clearance.h"
#include "planner/proof/lemmas/cell_body_exact.h"
#include "planner/proof/lemmas/cell_reach.h"
#include "planner/proof/lemmas/cell_slide.h"
#include "planner/proof/lemmas/outside_bound.h"
#include "planner/proof/lemmas/room_bound.h"

namespace withy {

/// What a look at a cell told.
struct CellLook {
  CellStatus status = CellStatus::mixed;
  /// Insertion moves the body along itself rather than aside: the cell may well be long that way.
  bool slides = false;
  /// Mixed, and less insertion would tell more than less bend.
  bool cut_insertion = false;
};

/// Answers for one question, whose parts must outlive it. Keeps scratch: one per thread.
class CellBody {
 public:
  CellBody(const WallQuestion& asked, const BendChart& chart);

  /// Of the cell's allowed states; the curvature limit itself is not looked at.
  CellLook check(const Leaf& leaf, const AllowedBox& cell);

  /// How far a millimetre of insertion moves any point of the cell aside, at most; 1 or more where the body
  /// does not slide.
  double aside_per_mm(const Leaf& leaf, const AllowedBox& cell) const;

  /// Least margin of the body's stations in one state (mm), by the field where there is one.
  double margin(const State& state);

 private:
  /// The body with stations at one spacing, for cells that move its tip by at least `from_slack_mm`.
  struct Grain {
    double from_slack_mm;
    BodyCheck body;
  };
  /// Working room. No method leaves anything in it for another: what is passed on is passed by name.
  struct Scratch {
    std::vector<BodyPoints> points;  // of each grain
    std::vector<double> aside_mm;    // by station
    std::vector<float> radii_mm;     // by station
    std::vector<int> suspects;       // stations
  };
  /// A body that stands for a cell, laid out: its points and margins.
  struct Laid {
    const BodyCheck& body;
    const BodyPoints& points;
    const std::vector<float>& radii_mm;
    BodyCheck::Margins margins;
  };
  /// No station that comes to a place of the cell is thicker than this one there.
  struct LaidLargest {
    Laid laid;
  };
  /// None is thinner.
  struct LaidSmallest {
    Laid laid;
  };
  /// The body at the cell's centre: each station keeps to its own place.
  struct LaidCentre {
    Laid laid;
    LaidLargest largest() const { return {laid}; }
    LaidSmallest smallest() const { return {laid}; }
  };
  enum class About : unsigned char { deepest, shallowest };

  std::size_t grain_for(double slack_mm) const;
  LaidCentre lay(const CellReach& reach, const State& centre);
  LaidLargest lay_deepest(const CellReach& bends, const CellSlide& slide, const State& deepest);
  LaidSmallest lay_shallowest(const CellReach& bends, const CellSlide& slide, const State& shallowest);
  Laid lay_sliding(const CellReach& bends, const CellSlide& slide, About about, const State& state);
  void count_radii(const BodySampler& sampler, double width_mm, About about, BodyPoints& points,
                   std::vector<float>& radii_mm) const;
  CellLook check_sliding(const CellReach& reach, const CellSlide& slide, const Box& box, const State& centre);
  CellStatus judge(const LaidCentre& laid);
  bool is_free(const LaidLargest& largest) const;
  bool is_blocked(const LaidSmallest& smallest);
  bool sticks_out(const LaidSmallest& smallest);
  bool has_no_room(const LaidSmallest& smallest);

  const WallQuestion asked_;
  const BendChart& chart_;
  std::vector<Grain> grains_;  // coarse to fine; none without a field
  std::optional<OutsideBound> outside_;
  std::optional<RoomBound> room_;
  std::optional<CellBodyExact> exact_;  // without a field
  Scratch scratch_;
};

}  // namespace withy
