// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/verify.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <queue>
#include <unordered_map>
#include <vector>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/proof/lemmas/motion_acceleration.h"
#include "planner/proof/lemmas/moved_distance.h"
#include "planner/segment/curvature_limit.h"
#include "planner/segment/shape.h"

namespace withy {

namespace {

// Boxes are first cut to about this size (mm): at the distances a body keeps from the wall the bound then
// loses under 0.1 mm.
constexpr double kFirstBox_mm = 1.0;
// What a stretch is tried in before, where yes or no is asked: most clear ones have room for boxes of this
// size, with a sixteenth of the corners.
constexpr double kCoarseBox_mm = 4.0;
// With a question of yes or no the answer is no only where a clearance less than this above the required one
// was found: as much work again as the slack above would take for every halving of it squared.
constexpr double kCompareSlack_mm = 0.02;
// A box smaller than this (mm) that still proves nothing is given up on: contact, or a passage's rim.
constexpr double kLeastBox_mm = 1e-3;
// The part of the reported slack that subdivision may use up; the rest is left to rounding.
constexpr double kWorkingSlack_mm = 0.8 * kClearanceSlack_mm;
// Distances are computed in double from coordinates of up to 1e3 mm: this covers the rounding of squares and
// roots.
constexpr double kRounding_mm = 1e-9;

struct Corner {
  Eigen::Vector3d p;
  double distance = 0.0;  // to the wall, unsigned: a lower bound, or exact
  bool exact = false;
};

struct Box {
  double t0, t1, s0, s1;
  double radius;
  double lower;  // of the clearance over the box
  bool operator<(const Box& other) const { return lower > other.lower; }
};

struct KeyHash {
  std::size_t operator()(const std::pair<std::uint64_t, std::uint64_t>& key) const {
    std::uint64_t h = key.first * 0x9E3779B97F4A7C15ull;
    h ^= (h >> 29) ^ (key.second * 0xBF58476D1CE4E5B9ull);
    return h ^ (h >> 32);
  }
};

/// One motion's swept surface, cut into boxes best-first.
class Sweep {
 public:
  Sweep(const Design& design, const ChannelDistance& distance, const BodyPlacement& placement,
        const State& from, const State& to, const BodyStretch& stretch = {})
      : design_(design),
        distance_(distance),
        placement_(placement),
        from_(from),
        to_(to),
        acceleration_(design, from, to),
        stretch_(stretch) {
    dd_ = to.insertion_mm - from.insertion_mm;
    du_ = (to.u_free - from.u_free).norm();
    free_from_ = regions_of(design, from).back().from_mm;
    kappa_ = std::max(largest_curvature(design, from), largest_curvature(design, to));
    deepest_ = std::max(from.insertion_mm, to.insertion_mm);
  }

  /// Is the clearance proved to be at least `required` by boxes no smaller than the first ones, with slack to
  /// spare? run() then says so too, for it says no only where a clearance within that slack was found.
  bool clears_coarsely(double required) {
    const auto t_cuts = motion_cuts(kCoarseBox_mm);
    const auto s_cuts = station_cuts(kCoarseBox_mm);
    for (std::size_t j = 0; j + 1 < s_cuts.size(); ++j) {
      const double radius = design_.body_radius(0.5 * (s_cuts[j] + s_cuts[j + 1]));
      for (std::size_t i = 0; i + 1 < t_cuts.size(); ++i)
        if (!above({t_cuts[i], t_cuts[i + 1], s_cuts[j], s_cuts[j + 1], radius, 0.0},
                   required + kCompareSlack_mm))
          return false;
    }
    return true;
  }

  /// Lowers `lower` and `upper` until they meet within the working slack, or (with a finite `required`) until
  /// the question "at least required?" is answered.
  MotionClearance run(double required) {
    MotionClearance result{kInfinity, kInfinity};
    start();
    while (!queue_.empty()) {
      const Box box = queue_.top();
      const double goal =
          std::min(required, upper_ - (required < kInfinity ? kCompareSlack_mm : kWorkingSlack_mm));
      if (!(box.lower < goal)) break;  // also where what is required is no number
      if (upper_ < required && required < kInfinity) break;
      if (upper_ < std::min(0.0, required)) break;
      queue_.pop();
      refine(box);
    }
    result.lower_mm = queue_.empty() ? settled_ : std::min(settled_, queue_.top().lower);
    result.upper_mm = std::max(upper_, result.lower_mm);
    return result;
  }

 private:
  void start() {
    const auto t_cuts = motion_cuts(kFirstBox_mm);
    const auto s_cuts = station_cuts(kFirstBox_mm);
    for (std::size_t j = 0; j + 1 < s_cuts.size(); ++j) {
      const double radius = design_.body_radius(0.5 * (s_cuts[j] + s_cuts[j + 1]));
      for (std::size_t i = 0; i + 1 < t_cuts.size(); ++i)
        push({t_cuts[i], t_cuts[i + 1], s_cuts[j], s_cuts[j + 1], radius, 0.0});
    }
  }

  /// Fractions of the motion at which to cut: where the entry plane passes a region's or a rigid span's end,
  /// and evenly between.
  std::vector<double> motion_cuts(double box_mm) const {
    std::vector<double> cuts = {0.0, 1.0};
    if (dd_ != 0.0 && design_.carriage().kind == CarriageKind::guide) {
      const auto cut_at_station = [&](double s) {
        const double t = (design_.length_mm() - s - from_.insertion_mm) / dd_;
        if (t > 0.0 && t < 1.0) cuts.push_back(t);
      };
      cut_at_station(0.0);
      for (const Region& region : regions_of(design_, from_)) cut_at_station(region.to_mm);
      for (const RigidSpan& span : design_.rigid_spans()) {
        cut_at_station(span.from_mm);
        cut_at_station(span.to_mm);
      }
      std::sort(cuts.begin(), cuts.end());
    }
    const double l = design_.length_mm() - free_from_;
    return spread(cuts, std::abs(dd_) * (1.0 + kappa_ * design_.length_mm()) + 0.5 * du_ * l * l, box_mm);
  }

  /// Stations at which to cut: the body's end, radius changes, and evenly between; only what can pass the
  /// entry plane at all, and only of the stretch.
  std::vector<double> station_cuts(double box_mm) const {
    const double length = std::min(design_.length_mm(), stretch_.to_mm);
    std::vector<double> cuts = {length};
    // No point is further past the entry plane than its arc length from the base plus the base's own depth,
    // and what the placement adds.
    const double first = std::max(design_.length_mm() - deepest_ - placement_rise(), stretch_.from_mm);
    cuts.push_back(std::min(first, length));
    for (const RigidSpan& span : design_.rigid_spans())
      for (const double s : {span.from_mm, span.to_mm})
        if (s > first && s < length) cuts.push_back(s);
    if (first < 0.0 && length > 0.0) cuts.push_back(0.0);
    std::sort(cuts.begin(), cuts.end());
    cuts.erase(std::unique(cuts.begin(), cuts.end()), cuts.end());
    std::vector<double> out;
    for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
      const double span = cuts[i + 1] - cuts[i];
      const int parts = std::max(1, static_cast<int>(std::ceil(span / box_mm)));
      for (int k = 0; k < parts; ++k) out.push_back(cuts[i] + span * k / parts);
    }
    out.push_back(cuts.back());
    return out;
  }

  /// Bound of how much nearer to counting as past the entry plane the placement brings any point: a point is
  /// no further from the origin than the base is and the segment is long.
  double placement_rise() const {
    const double length = design_.length_mm();
    const double base = std::max(std::abs(from_.insertion_mm - length), std::abs(to_.insertion_mm - length));
    const double turn = (placement_.X_EB.linear() - Eigen::Matrix3d::Identity()).norm();
    return placement_.behind_mm + placement_.X_EB.translation().norm() + turn * (base + length);
  }

  static std::vector<double> spread(const std::vector<double>& cuts, double travel_mm, double box_mm) {
    std::vector<double> out;
    for (std::size_t i = 0; i + 1 < cuts.size(); ++i) {
      const double span = cuts[i + 1] - cuts[i];
      const int parts =
          std::clamp(static_cast<int>(std::ceil(span * travel_mm / box_mm)), 1, shares::kFirstBoxes);
      for (int k = 0; k < parts; ++k) out.push_back(cuts[i] + span * k / parts);
    }
    out.push_back(cuts.back());
    return out;
  }

  const Shape& shape_at(double t) {
    const auto key = std::bit_cast<std::uint64_t>(t);
    auto found = shapes_.find(key);
    if (found == shapes_.end())
      found = shapes_.emplace(key, Shape(design_, interpolate(from_, to_, t))).first;
    return found->second;
  }

  Corner& corner(double t, double s) {
    const std::pair key{std::bit_cast<std::uint64_t>(t), std::bit_cast<std::uint64_t>(s)};
    auto found = corners_.find(key);
    if (found == corners_.end()) {
      Corner made;
      made.p = placement_.X_EB * shape_at(t).point_E(s);
      made.distance = -1.0;
      found = corners_.emplace(key, made).first;
    }
    return found->second;
  }

  void measure(Corner& c, double radius, bool exactly) {
    if (c.exact) {
      note_upper(c, radius);
      return;
    }
    if (exactly || distance_.lower_is_exact()) {
      c.distance = distance_.exact().distance(c.p);
      c.exact = true;
      note_upper(c, radius);
    } else if (c.distance < 0.0) {
      c.distance = std::max(0.0, distance_.lower_distance(c.p));
    }
  }

  /// Does a point of this height over the entry plane count as past it?
  bool counts(double z) const { return z > -placement_.behind_mm; }

  /// A corner past the entry plane is a state's own station: its clearance bounds the minimum from above.
  void note_upper(const Corner& c, double radius) {
    if (!counts(c.p.z()) || c.distance - radius >= upper_) return;
    const Eigen::Vector3d past(c.p.x(), c.p.y(), std::max(c.p.z(), 0.0));
    upper_ = distance_.exact().inside(past) ? c.distance - radius : std::min(upper_, -c.distance - radius);
  }

  /// How far the box's points may be off the chord along the motion.
  double bulge_along_motion(const Box& box) const {
    const double dt = box.t1 - box.t0;
    return dt > 0.0 ? dt * dt * acceleration_.bound(box.t0, box.t1, box.s1) / 8.0 : 0.0;
  }

  struct Bound {
    double lower;
    bool exact;
    double size;  // longest edge and bulge, mm
    double edge_s, edge_t;
  };

  /// A box by its corners.
  struct Span {
    Corner* c[4];
    double bulge, edge_s, edge_t;
    const Corner* highest;
    /// (3) before R, of corners that are at least `least` from the wall.
    double free(double least) const {
      const double square = least * least - 0.25 * (edge_s * edge_s + edge_t * edge_t);  // (2)
      return std::sqrt(std::max(0.0, square)) - bulge;
    }
  };

  Span span_of(const Box& box) {
    Span out{
        {&corner(box.t0, box.s0), &corner(box.t0, box.s1), &corner(box.t1, box.s0), &corner(box.t1, box.s1)},
        0.0,
        0.0,
        0.0,
        nullptr};
    const auto& c = out.c;
    const double ds = box.s1 - box.s0;
    out.bulge = bulge_along_motion(box) + ds * ds * kappa_ / 8.0;  // (1)
    out.edge_s = std::max((c[0]->p - c[1]->p).norm(), (c[2]->p - c[3]->p).norm());
    out.edge_t = std::max((c[0]->p - c[2]->p).norm(), (c[1]->p - c[3]->p).norm());
    out.highest = c[0];
    for (const Corner* k : c)
      if (k->p.z() > out.highest->p.z()) out.highest = k;
    return out;
  }

  /// Is the box, or each of its halves down to the size of first ones, proved to keep `enough`?
  bool above(const Box& box, double enough) {
    const Span span = span_of(box);
    if (!counts(span.highest->p.z() + span.bulge)) return true;
    double least = kInfinity;
    for (Corner* k : span.c) {
      measure(*k, box.radius, false);
      least = std::min(least, k->distance);
    }
    const double free = span.free(least);
    if (free > 0.0 && free - box.radius - kRounding_mm >= enough && side_is_inside(span)) return true;
    if (std::max(span.edge_s, span.edge_t) <= kFirstBox_mm) return false;
    const auto [first, second] = halves(box, span.edge_t > span.edge_s);
    return above(first, enough) && above(second, enough);
  }

  /// The same as sign_is_inside of a box that no wall meets, but no exact distance is asked for. Where all of
  /// the box is past the entry plane it hangs together there, so all of it is on the side that one corner is.
  bool side_is_inside(const Span& span) {
    const Eigen::Vector3d& p = span.highest->p;
    const double reach = span.edge_s + span.edge_t + span.bulge + kCompareSlack_mm;
    double lowest = p.z();
    for (const Corner* k : span.c) lowest = std::min(lowest, k->p.z());
    const double away = distance_.signed_lower(p);
    return (lowest - span.bulge > 0.0 ? away > 0.0 : p.z() >= 0.0 && away > reach) &&
           OneSide::of(distance_, {p, reach});
  }

  Bound bound(const Box& box, bool exactly) {
    const Span span = span_of(box);
    const auto& [c, bulge, edge_s, edge_t, highest] = span;
    Bound b{kInfinity, true, std::max({edge_s, edge_t, bulge}), edge_s, edge_t};
    if (!counts(highest->p.z() + bulge)) return b;
    double least = kInfinity;
    for (Corner* k : c) {
      measure(*k, box.radius, exactly);
      least = std::min(least, k->distance);
      b.exact = b.exact && k->exact;
    }
    const double free = span.free(least);
    // Any wall point is at a distance of at least 0: with nothing proved the body may be anywhere.
    b.lower = free > 0.0 && sign_is_inside(*highest, edge_s + edge_t + bulge)
                  ? free - box.radius - kRounding_mm
                  : -kInfinity;
    return b;
  }

  /// Is everything within `reach` of this corner and past the entry plane inside the lumen? Notes a corner
  /// that is not.
  bool sign_is_inside(const Corner& c, double reach) {
    Eigen::Vector3d p = c.p;
    p.z() = std::max(p.z(), 0.0);
    if (const DistanceField* field = distance_.field(); field != nullptr && field->lower(p) > reach)
      return OneSide::of(distance_, {p, reach}).has_value();
    const double d = distance_.exact().distance(p);
    if (!distance_.exact().inside(p)) {
      if (counts(c.p.z())) upper_ = std::min(upper_, -d);
      return false;
    }
    return d > reach && OneSide::of(distance_, {p, reach});
  }

  void push(Box box) {
    box.lower = bound(box, false).lower;
    if (box.lower < kInfinity) queue_.push(box);
  }

  void refine(const Box& box) {
    const Bound b = bound(box, true);
    if (b.lower > box.lower + 1e-6 && b.lower > box.lower + 0.25 * kWorkingSlack_mm) {
      Box again = box;
      again.lower = b.lower;
      queue_.push(again);
      return;
    }
    if (b.size < kLeastBox_mm) {
      settled_ = std::min(settled_, b.lower);
      if (b.lower == -kInfinity) upper_ = -kInfinity;
      return;
    }
    // Halve the longer side; a box that is a point along the motion is only cut along the body.
    const auto [first, second] = halves(box, std::max(b.edge_t, bulge_along_motion(box)) > b.edge_s);
    push(first);
    push(second);
  }

  static std::pair<Box, Box> halves(const Box& box, bool along_motion) {
    std::pair<Box, Box> out{box, box};
    if (along_motion)
      out.first.t1 = out.second.t0 = 0.5 * (box.t0 + box.t1);
    else
      out.first.s1 = out.second.s0 = 0.5 * (box.s0 + box.s1);
    return out;
  }

  const Design& design_;
  const ChannelDistance& distance_;
  const BodyPlacement& placement_;
  const State& from_;
  const State& to_;
  MotionAcceleration acceleration_;
  BodyStretch stretch_;
  double dd_ = 0.0;
  double du_ = 0.0;
  double free_from_ = 0.0;
  double kappa_ = 0.0;
  double deepest_ = 0.0;
  double upper_ = kInfinity;
  double settled_ = kInfinity;
  std::priority_queue<Box> queue_;
  std::unordered_map<std::uint64_t, Shape> shapes_;
  std::unordered_map<std::pair<std::uint64_t, std::uint64_t>, Corner, KeyHash> corners_;
};

}  // namespace

MotionClearance MotionVerifier::clearance(const State& from, const State& to,
                                          const BodyStretch& stretch) const {
  return Sweep(design_, distance_, placement_, from, to, stretch).run(kInfinity);
}

MotionClearance MotionVerifier::compare(const State& from, const State& to, double required_mm,
                                        const BodyStretch& stretch) const {
  // Many a stretch is asked about on one bench after another.
  const bool part = stretch.to_mm - stretch.from_mm < kInfinity;
  if (part && required_mm < kInfinity && placement_.behind_mm == 0.0 &&
      Sweep(design_, distance_, placement_, from, to, stretch).clears_coarsely(required_mm))
    return {required_mm, kInfinity};
  return Sweep(design_, distance_, placement_, from, to, stretch).run(required_mm);
}

}  // namespace withy
