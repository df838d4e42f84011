// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/bench_contact.h"

#include <algorithm>
#include <numeric>
#include <optional>

#include "planner/effort/shares.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/swept_body.h"

namespace withy {
namespace {

// Cells in doubt that are no further apart than so many parts are verified as one: each check costs something
// by itself.
constexpr int kPartsBetween = 8;
// A point of the body whose bound is below 0, and by so much below that of the last one asked about (mm), is
// asked about exactly: most benches that touch are told so by a few points.
constexpr double kLessBy_mm = 0.1;
// A cell of a sweep is halved down to about this size (mm) before it is verified: halves are quick, and a
// sweep has hundreds of chords.
constexpr double kLeastCell_mm = kLeverStation_mm / (1 << shares::kSweepHalvings);
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
  /// Straight ones that it is made of.
  int pieces() const { return static_cast<int>(bounds_.size()); }

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
  double from, to;      // fractions of the run
  BodyStretch stretch;  // as planned
};

/// Are all patches verified to keep clear?
bool all_verified(const Run& run, const Bench& bench, const std::vector<Patch>& patches,
                  const ChannelDistance& distance) {
  const MotionVerifier verifier(run.design(), distance, bench.placement_in_channel());
  return std::all_of(patches.begin(), patches.end(), [&](const Patch& patch) {
    return run.verified(verifier, patch.from, patch.to,
                        {patch.stretch.from_mm / bench.scale(), patch.stretch.to_mm / bench.scale()});
  });
}

/// Asks points of the body whether they touch, where the last one asked did not come as near.
class Touching {
 public:
  explicit Touching(const ChannelDistance& distance) : distance_(distance) {}
  bool found() const { return found_; }
  void note(const Eigen::Vector3d& p, double margin_mm, double radius_mm) {
    if (found_ || p.z() <= 0.0 || margin_mm >= least_margin_mm_ - kLessBy_mm) return;
    least_margin_mm_ = margin_mm;
    found_ = distance_.signed_exact(p) < radius_mm - kContactRounding_mm;
  }

 private:
  const ChannelDistance& distance_;
  double least_margin_mm_ = 0.0;  // of the points that were asked about exactly
  bool found_ = false;
};

class CellsOnBench {
 public:
  CellsOnBench(const Bench& bench, const PlannedMotion& motion, int parts, const ChannelDistance& distance)
      : bench_(bench),
        run_(bench, motion),
        placement_(bench.placement_in_channel()),
        scale_(bench.scale()),
        parts_(parts),
        distance_(distance),
        touching_(distance) {}

  bool keep_clear(const std::vector<const MotionCell*>& cells) {
    for (const MotionCell* cell : cells) {
      look_at(*cell);
      if (touching_.found()) return false;
    }
    return all_verified(run_, bench_, patches_, distance_);
  }

 private:
  double fraction(int part) const { return static_cast<double>(part) / parts_; }

  void look_at(const MotionCell& cell) {
    if (cell.part != shaped_part_) {
      shape_.emplace(run_.design(), run_.at(fraction(cell.part) + 0.5 / parts_));
      shaped_part_ = cell.part;
    }
    if (!settled(cell)) add(cell);
  }

  /// (2), the shape being that at the middle of the part.
  bool settled(const MotionCell& cell) {
    const double start = fraction(cell.part);
    const double end = fraction(cell.part + 1);
    const double middle = 0.5 * (start + end);
    const double s0 = cell.from_mm / scale_;
    const double s1 = cell.to_mm / scale_;
    const double r = 0.5 * (s1 - s0) +
                     std::max(run_.travel(start, middle, s1), run_.travel(middle, end, s1)) +
                     kContactRounding_mm;
    const Eigen::Vector3d p = placement_.X_EB * shape_->point_E(0.5 * (s0 + s1));
    if (p.z() <= -r) return true;
    const double margin = distance_.signed_lower(p) - cell.radius_mm / scale_;
    if (margin >= r && distance_.passage_distance(p) > r) return true;
    touching_.note(p, margin, cell.radius_mm / scale_);
    return false;
  }

  void add(const MotionCell& cell) {
    if (patches_.empty() || cell.part > last_part_ + kPartsBetween)
      patches_.push_back({fraction(cell.part), 0.0, {cell.from_mm, cell.to_mm}});
    Patch& patch = patches_.back();
    last_part_ = cell.part;
    patch.to = fraction(cell.part + 1);
    patch.stretch.from_mm = std::min(patch.stretch.from_mm, cell.from_mm);
    patch.stretch.to_mm = std::max(patch.stretch.to_mm, cell.to_mm);
  }

  const Bench& bench_;
  Run run_;
  BodyPlacement placement_;
  double scale_;
  int parts_;
  const ChannelDistance& distance_;
  Touching touching_;
  std::optional<Shape> shape_;
  int shaped_part_ = -1;
  std::vector<Patch> patches_;
  int last_part_ = 0;  // of the last patch
};

/// A sweep on a bench: a tree of boxes over its chords, by where their bends are.
class SweepOnBench {
 public:
  SweepOnBench(const Bench& bench, const PlannedMotion& motion, const ChannelDistance& distance)
      : bench_(bench),
        motion_(motion),
        distance_(distance),
        touching_(distance),
        body_(bench, *motion.sweep),
        chords_(body_.track().size() - 1) {
    std::iota(chords_.begin(), chords_.end(), std::size_t{0});
  }

  bool keep_clear(const std::vector<const MotionCell*>& cells) {
    std::vector<Stretch> stretches;
    for (const MotionCell* cell : cells) stretches.push_back({cell->from_mm, cell->to_mm, cell->radius_mm});
    if (!chords_.empty()) look_at_group(0, chords_.size(), stretches);
    if (touching_.found()) return false;
    return in_doubt_.empty() || all_verified(Run(bench_, motion_), bench_, patches(), distance_);
  }

 private:
  struct Stretch {
    double from_mm, to_mm;  // as planned
    double radius_mm;
  };
  /// What is found of a box, and the bend with the least margin that was met.
  struct Look {
    SweptBody::Rise rise;
    bool on_track;
    std::vector<Stretch> left = {};
    std::optional<std::array<BentBody, 4>> bodies = std::nullopt;  // at the corners, when asked for
    double station_mm = -kInfinity;                                // that was asked for last
    SweptBody::Height height = {};
    double least_margin_mm = kInfinity;
    Eigen::Vector2d worst = Eigen::Vector2d::Zero();
  };

  const Eigen::Vector2d& end(std::size_t chord, std::size_t k) const { return body_.track()[chord + k]; }

  /// The part of the box in which the stretch may get past the entry plane.
  std::optional<BendBox> past_entry(const Stretch& stretch, Look& now) const {
    const SweptBody::Height first =
        now.station_mm == stretch.from_mm ? now.height : body_.height(now.rise, stretch.from_mm);
    now.height = body_.height(now.rise, stretch.to_mm);
    now.station_mm = stretch.to_mm;
    return body_.past_entry(now.rise, stretch.from_mm, first, stretch.to_mm, now.height);
  }

  std::array<BentBody, 4> bodies(const BendBox& box) const {
    std::array<BentBody, 4> out;
    for (std::size_t k = 0; k < box.corners(); ++k) out[k] = body_.bent(box.corner(k));
    return out;
  }

  /// The stretch in a part of the box.
  SweptCell cell(const Stretch& stretch, const BendBox& part, Look& now) const {
    const BendBox& box = now.rise.box;
    if (part.half != box.half) return body_.cell(part, bodies(part), stretch.from_mm, stretch.to_mm);
    if (!now.bodies) now.bodies = bodies(box);
    return body_.cell(box, *now.bodies, stretch.from_mm, stretch.to_mm);
  }

  BendBox box_of(std::size_t first, std::size_t last) const {
    Eigen::AlignedBox2d box;
    for (std::size_t i = first; i < last; ++i) box.extend(end(chords_[i], 0)).extend(end(chords_[i], 1));
    const Eigen::Vector2d half = 0.5 * box.sizes();
    return {box.center(), {Eigen::Vector2d(half.x(), 0.0), Eigen::Vector2d(0.0, half.y())}};
  }

  /// The chords from `first` up to `last` in their order in the tree.
  void look_at_group(std::size_t first, std::size_t last, const std::vector<Stretch>& stretches) {
    if (last - first == 1) {
      look_at_chord(chords_[first], 0.0, 1.0, stretches);
      return;
    }
    Look now{body_.rise(box_of(first, last)), false};
    const BendBox& box = now.rise.box;
    for (const Stretch& stretch : stretches) settle(stretch, now);
    if (now.left.empty()) return;
    const Eigen::Index axis = box.half[0].x() >= box.half[1].y() ? 0 : 1;
    const std::size_t middle = (first + last) / 2;
    const auto at = [&](std::size_t i) { return chords_.begin() + static_cast<std::ptrdiff_t>(i); };
    std::nth_element(at(first), at(middle), at(last), [&](std::size_t a, std::size_t b) {
      return end(a, 0)[axis] + end(a, 1)[axis] < end(b, 0)[axis] + end(b, 1)[axis];
    });
    // The half where it is worst goes first: a bench that touches is soon told.
    const bool upper_first = now.worst[axis] > box.middle[axis];
    for (const bool upper : {upper_first, !upper_first}) {
      if (touching_.found()) return;
      look_at_group(upper ? middle : first, upper ? last : middle, now.left);
    }
  }

  void look_at_chord(std::size_t chord, double from, double to, const std::vector<Stretch>& stretches) {
    const Eigen::Vector2d way = end(chord, 1) - end(chord, 0);
    Look now{body_.rise(BendBox::line(end(chord, 0) + from * way, end(chord, 0) + to * way)), true};
    chord_ = chord;
    for (const Stretch& stretch : stretches) settle(stretch, now);
    if (now.left.empty()) return;
    const double middle = 0.5 * (from + to);
    const bool upper_first = (now.worst - now.rise.box.middle).dot(way) > 0.0;
    for (const bool upper : {upper_first, !upper_first}) {
      if (touching_.found()) return;
      look_at_chord(chord, upper ? middle : from, upper ? to : middle, now.left);
    }
  }

  /// Leaves what is not settled to smaller boxes, or in doubt. A cell that is longer along the body than
  /// across it is halved there.
  void settle(const Stretch& stretch, Look& now) {
    if (touching_.found()) return;
    const auto past = past_entry(stretch, now);
    if (!past) return;
    const SweptCell cell = this->cell(stretch, *past, now);
    if (clear(cell, *past, stretch.radius_mm / bench_.scale(), now) || touching_.found()) return;
    if (now.on_track && cell.longest_edge_mm() <= kLeastCell_mm) {
      in_doubt_.push_back({chord_, {stretch.from_mm, stretch.to_mm}});
    } else if (cell.edge_s_mm > std::max({cell.edge_u_mm[0], cell.edge_u_mm[1], kLeastCell_mm})) {
      const double middle = 0.5 * (stretch.from_mm + stretch.to_mm);
      settle({stretch.from_mm, middle, stretch.radius_mm}, now);
      settle({middle, stretch.to_mm, stretch.radius_mm}, now);
    } else {
      now.left.push_back(stretch);
    }
  }

  /// Is it proved that the cell keeps clear?
  bool clear(const SweptCell& cell, const BendBox& box, double radius_mm, Look& now) {
    if (cell.top_mm() + kContactRounding_mm <= 0.0) return true;
    const bool straddles = cell.lowest_mm - cell.bulge_mm <= 0.0;
    if (straddles && clear_about_middle(cell, radius_mm)) return true;
    double least = kInfinity;
    double away = 0.0;  // of the highest corner
    for (std::size_t k = 0; k < cell.corners(); ++k) {
      const Eigen::Vector3d& p = cell.corner[k];
      const double from_wall = distance_.signed_lower(p) - std::max(0.0, -p.z());
      least = std::min(least, from_wall);
      if (k == cell.highest) away = from_wall;
      if (p.z() > 0.0 && from_wall - radius_mm < now.least_margin_mm) {
        now.least_margin_mm = from_wall - radius_mm;
        now.worst = box.corner(k % cell.per_end);
      }
      if (now.on_track) touching_.note(p, from_wall - radius_mm, radius_mm);
    }
    if (least < radius_mm || cell.from_set(least) < radius_mm + kContactRounding_mm) return false;
    // Past the entry plane all of it hangs together and meets no wall; else all is within one ball that meets
    // none (motion_cells.h).
    return (!straddles || away > cell.across_mm()) &&
           distance_.passage_distance(cell.corner[cell.highest]) > cell.across_mm();
  }

  /// Lemma 7, about the middle of the corners.
  bool clear_about_middle(const SweptCell& cell, double radius_mm) const {
    Eigen::Vector3d middle = Eigen::Vector3d::Zero();
    for (std::size_t k = 0; k < cell.corners(); ++k) middle += cell.corner[k];
    middle /= static_cast<double>(cell.corners());
    double r = 0.0;
    for (std::size_t k = 0; k < cell.corners(); ++k) r = std::max(r, (cell.corner[k] - middle).norm());
    r += cell.bulge_mm + kContactRounding_mm;
    return distance_.signed_lower(middle) - radius_mm >= r && distance_.passage_distance(middle) > r;
  }

  /// What is in doubt, chord by chord.
  std::vector<Patch> patches() {
    std::sort(in_doubt_.begin(), in_doubt_.end(),
              [](const InDoubt& a, const InDoubt& b) { return a.chord < b.chord; });
    const double chords = static_cast<double>(chords_.size());
    std::vector<Patch> out;
    for (std::size_t i = 0; i < in_doubt_.size(); ++i) {
      const auto& [chord, stretch] = in_doubt_[i];
      if (i == 0 || in_doubt_[i - 1].chord != chord)
        out.push_back(
            {static_cast<double>(chord) / chords, static_cast<double>(chord + 1) / chords, stretch});
      out.back().stretch.from_mm = std::min(out.back().stretch.from_mm, stretch.from_mm);
      out.back().stretch.to_mm = std::max(out.back().stretch.to_mm, stretch.to_mm);
    }
    return out;
  }

  struct InDoubt {
    std::size_t chord;
    BodyStretch stretch;  // as planned
  };

  const Bench& bench_;
  const PlannedMotion& motion_;
  const ChannelDistance& distance_;
  Touching touching_;
  SweptBody body_;
  std::vector<std::size_t> chords_;
  std::size_t chord_ = 0;  // that is looked at
  std::vector<InDoubt> in_doubt_;
};

}  // namespace

bool cells_keep_clear(const Bench& bench, const PlannedMotion& motion, int parts,
                      const std::vector<const MotionCell*>& cells, const ChannelDistance& distance) {
  if (cells.empty()) return true;
  return motion.sweep ? SweepOnBench(bench, motion, distance).keep_clear(cells)
                      : CellsOnBench(bench, motion, parts, distance).keep_clear(cells);
}

}  // namespace withy
