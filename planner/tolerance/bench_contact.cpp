// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/bench_contact.h"

#include <algorithm>
#include <optional>

#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// Cells in doubt that are no further apart than so many parts are verified as one: each check costs something
// by itself.
constexpr int kPartsBetween = 8;
// Covers the rounding of a point of the body and of its distance, at lengths of up to 1e3 mm.
constexpr double kContactRounding_mm = 1e-9;

/// A motion as the bench runs it.
class Run {
 public:
  Run(const Bench& bench, const PlannedMotion& motion)
      : design_(bench.design_in_channel()), states_(bench.run_in_channel(motion)) {
    for (std::size_t i = 0; i + 1 < states_.size(); ++i)
      bounds_.push_back(motion_bounds(design_, StateRange::of_motion(states_[i], states_[i + 1])));
  }

  const Design& design() const { return design_; }

  State at(double fraction) const {
    const std::size_t i = piece(fraction);
    return interpolate(states_[i], states_[i + 1], fraction * pieces() - static_cast<double>(i));
  }

  /// Most that the point at station s moves between two fractions, ascending.
  double travel(double from, double to, double s) const {
    double sum = 0.0;
    for (std::size_t i = piece(from); i < bounds_.size() && static_cast<double>(i) < to * pieces(); ++i) {
      const double a = std::max(0.0, from * pieces() - static_cast<double>(i));
      const double b = std::min(1.0, to * pieces() - static_cast<double>(i));
      const State& start = states_[i];
      const State& end = states_[i + 1];
      sum += (b - a) * (bounds_[i].insertion_lever(s) * std::abs(end.insertion_mm - start.insertion_mm) +
                        bounds_[i].curvature_lever_mm2(s) * (end.u_free - start.u_free).norm());
    }
    return sum;
  }

  /// Is the stretch verified to keep clear from one fraction to the other?
  bool verified(const MotionVerifier& verifier, double from, double to, const BodyStretch& stretch) const {
    for (std::size_t i = piece(from); i < bounds_.size() && static_cast<double>(i) < to * pieces(); ++i) {
      const double a = std::max(from, static_cast<double>(i) / pieces());
      const double b = std::min(to, static_cast<double>(i + 1) / pieces());
      if (verifier.compare(in_piece(i, a), in_piece(i, b), 0.0, stretch).lower_mm < 0.0) return false;
    }
    return true;
  }

 private:
  double pieces() const { return static_cast<double>(bounds_.size()); }
  std::size_t piece(double fraction) const {
    return std::min(static_cast<std::size_t>(std::max(0.0, fraction) * pieces()), bounds_.size() - 1);
  }
  State in_piece(std::size_t i, double fraction) const {
    return interpolate(states_[i], states_[i + 1],
                       std::clamp(fraction * pieces() - static_cast<double>(i), 0.0, 1.0));
  }

  Design design_;
  std::vector<State> states_;
  std::vector<MotionBounds> bounds_;
};

/// Neighbouring cells that are verified together.
struct Patch {
  int first_part, last_part;
  BodyStretch stretch;  // as planned
};

class CellsOnBench {
 public:
  CellsOnBench(const Bench& bench, const PlannedMotion& motion, int parts, const ChannelDistance& distance)
      : run_(bench, motion),
        placement_(bench.placement_in_channel()),
        scale_(bench.scale()),
        parts_(parts),
        distance_(distance) {}

  bool keep_clear(const std::vector<const MotionCell*>& cells) {
    for (const MotionCell* cell : cells)
      if (!settled(*cell)) add(*cell);
    const MotionVerifier verifier(run_.design(), distance_, placement_);
    return std::all_of(patches_.begin(), patches_.end(), [&](const Patch& patch) {
      return run_.verified(verifier, fraction(patch.first_part), fraction(patch.last_part + 1),
                           {patch.stretch.from_mm / scale_, patch.stretch.to_mm / scale_});
    });
  }

 private:
  double fraction(int part) const { return static_cast<double>(part) / parts_; }

  /// (2)
  bool settled(const MotionCell& cell) {
    const double start = fraction(cell.part);
    const double end = fraction(cell.part + 1);
    const double middle = 0.5 * (start + end);
    if (cell.part != shaped_part_) {
      shape_.emplace(run_.design(), run_.at(middle));
      shaped_part_ = cell.part;
    }
    const double s0 = cell.from_mm / scale_;
    const double s1 = cell.to_mm / scale_;
    const double r = 0.5 * (s1 - s0) +
                     std::max(run_.travel(start, middle, s1), run_.travel(middle, end, s1)) +
                     kContactRounding_mm;
    const Eigen::Vector3d p = placement_.X_EB * shape_->point_E(0.5 * (s0 + s1));
    if (p.z() <= -r) return true;
    return distance_.passage_distance(p) > r && distance_.signed_lower(p) >= cell.radius_mm / scale_ + r;
  }

  void add(const MotionCell& cell) {
    if (patches_.empty() || cell.part > patches_.back().last_part + kPartsBetween)
      patches_.push_back({cell.part, cell.part, {cell.from_mm, cell.to_mm}});
    Patch& patch = patches_.back();
    patch.last_part = cell.part;
    patch.stretch.from_mm = std::min(patch.stretch.from_mm, cell.from_mm);
    patch.stretch.to_mm = std::max(patch.stretch.to_mm, cell.to_mm);
  }

  Run run_;
  BodyPlacement placement_;
  double scale_;
  int parts_;
  const ChannelDistance& distance_;
  std::optional<Shape> shape_;
  int shaped_part_ = -1;
  std::vector<Patch> patches_;
};

}  // namespace

bool cells_keep_clear(const Bench& bench, const PlannedMotion& motion, int parts,
                      const std::vector<const MotionCell*>& cells, const ChannelDistance& distance) {
  return cells.empty() || CellsOnBench(bench, motion, parts, distance).keep_clear(cells);
}

}  // namespace withy
