// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/cell_slide.h"

#include <algorithm>
#include <cmath>

#include "planner/segment/curvature_limit.h"

namespace withy {

namespace {

// What rounding may cost: sums and products of a few dozen numbers in double precision.
constexpr double kSlideRounding = 1.0 + 1e-12;

/// Largest |Theta| of frozen region r over the box.
double largest_bend(const BendChart& chart, const Leaf& leaf, const Box& box, std::size_t r) {
  const BendRange range = frozen_bends(chart, leaf, box, r);
  return range.low.cwiseAbs().cwiseMax(range.high.cwiseAbs()).norm();
}

}  // namespace

class CellSlide::Builder {
 public:
  Builder(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box)
      : design_(design),
        chart_(chart),
        leaf_(leaf),
        box_(box),
        exposed_from_mm_(first_exposed_station(design, box.high[0])),
        entry_reaches_mm_(first_exposed_station(design, box.low[0])) {}

  std::vector<Piece> pieces() {
    const auto stretches = stretches_of(design_, leaf_.engaged);
    for (std::size_t r = 0; r < stretches.size(); ++r)
      if (stretches[r].to_mm > exposed_from_mm_) add_region(r, stretches[r]);
    double turn = 0.0;
    for (Piece& piece : pieces_) {
      turn += piece.rate_per_mm * (piece.to_mm - piece.from_mm) * kSlideRounding;
      piece.turn_to = turn;
    }
    return std::move(pieces_);
  }

 private:
  void add_region(std::size_t r, const Stretch& stretch);
  void add_stretch(double from_mm, double to_mm, double flexible_rate, double rigid_rate);

  const Design& design_;
  const BendChart& chart_;
  const Leaf& leaf_;
  const Box& box_;
  const double exposed_from_mm_;   // at d1
  const double entry_reaches_mm_;  // the most distal station at the entry plane: at d0
  std::vector<Piece> pieces_;
};

std::optional<CellSlide> CellSlide::of(const Design& design, const BendChart& chart, const Leaf& leaf,
                                       const AllowedBox& cell) {
  const Box& box = cell.box();
  if (box.high[0] > design.length_mm()) return std::nullopt;
  CellSlide slide;
  slide.width_mm_ = box.high[0] - box.low[0];
  slide.pieces_ = Builder(design, chart, leaf, box).pieces();
  if (slide.pieces_.empty() || !std::isfinite(slide.pieces_.back().turn_to)) return std::nullopt;
  return slide;
}

void CellSlide::Builder::add_region(std::size_t r, const Stretch& stretch) {
  const bool frozen = r < leaf_.base.size();
  const double from = std::max(stretch.from_mm, exposed_from_mm_);
  const double limit = design_.segment().curvature_max_per_mm * kCurvatureRounding;
  const double whole = design_.flexible_length(stretch.from_mm, stretch.to_mm);
  const double u = frozen ? std::min(limit, largest_bend(chart_, leaf_, box_, r) / whole)
                          : std::min(limit, curvature_range(box_).second);
  const bool may_be_cut =
      design_.carriage().kind == CarriageKind::guide && stretch.from_mm <= entry_reaches_mm_;
  if (!may_be_cut) {
    add_stretch(from, stretch.to_mm, u, 0.0);
  } else if (frozen) {
    // Tightest where least of it is out; no more than the limit (see the header).
    const double out = exposed_flexible_length(design_, box_.low[0], stretch.from_mm, stretch.to_mm);
    const double kappa =
        out > kNoLength_mm ? std::min(limit, largest_bend(chart_, leaf_, box_, r) / out) : limit;
    add_stretch(from, stretch.to_mm, kappa, kappa);
  } else {
    const double entry_span = entry_reaches_mm_ - exposed_from_mm_;
    const bool always_cut = stretch.from_mm <= exposed_from_mm_;
    const bool flexible_entry =
        always_cut && design_.flexible_length(exposed_from_mm_, entry_reaches_mm_) >= entry_span;
    add_stretch(from, stretch.to_mm, flexible_entry ? 0.0 : u, u);
  }
}

/// Adds [from, to], its rigid spans and what lies between them by their own rates.
void CellSlide::Builder::add_stretch(double from_mm, double to_mm, double flexible_rate, double rigid_rate) {
  double at = from_mm;
  const auto add = [&](double to, double rate) {
    if (to > at) pieces_.push_back({at, to, rate});
    at = std::max(at, to);
  };
  for (const RigidSpan& span : design_.rigid_spans()) {
    if (span.to_mm <= at || span.from_mm >= to_mm) continue;
    add(span.from_mm, flexible_rate);
    add(std::min(span.to_mm, to_mm), rigid_rate);
  }
  add(to_mm, flexible_rate);
}

void CellSlide::fill(const std::vector<double>& stations_mm, double further_mm,
                     std::vector<double>& aside_mm) const {
  aside_mm.clear();
  std::size_t k = 0;
  for (const double station : stations_mm) {
    const double s = station + further_mm;
    while (k + 1 < pieces_.size() && s > pieces_[k].to_mm) ++k;
    const Piece& piece = pieces_[k];
    const double past = piece.turn_to - piece.rate_per_mm * std::max(0.0, piece.to_mm - s);
    aside_mm.push_back(width_mm_ * std::clamp(past, 0.0, piece.turn_to) * kSlideRounding);
  }
}

void CellSlide::about_deepest(const std::vector<double>& stations_mm, std::vector<double>& aside_mm) const {
  fill(stations_mm, width_mm_, aside_mm);
}

void CellSlide::about_shallowest(const std::vector<double>& stations_mm,
                                 std::vector<double>& aside_mm) const {
  fill(stations_mm, 0.0, aside_mm);
}

}  // namespace withy
