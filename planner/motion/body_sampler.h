// SPDX-License-Identifier: GPL-3.0-or-later
// A body as a fixed row of stations, and where they are in a state: the fast twin of planner/segment/shape.h.
//
// Stations stand at even spacing on each flexible and each rigid stretch, ends included; one that parts two
// stretches carries the larger of their radii. What depends on the design alone is laid out once; a state
// costs one frame for each stretch (double precision) and then eight points at a time (single precision,
// planner/motion/body_arcs.h). Both carriages. No allocation once a BodyPoints is made.
//
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include <Eigen/Core>

#include "geometry/distance/rounding.h"
#include "planner/motion/body_arcs.h"
#include "planner/segment/design.h"
#include "planner/segment/state.h"

namespace withy {

/// A slack is computed in single precision from a handful of products and sums of numbers of one sign: each
/// loses at most kFloatUnit of the whole, and 16 of them cover these and one more of each kind.
inline constexpr double kSlackRounding = 1.0 + 16.0 * kFloatUnit;

/// A point differs from Shape's by at most this part of (L + d_max): eight roundings of 2^-24 at most, of the
/// station's offset, the series, the two products and the sums, none larger than the body's reach.
inline constexpr double kPointRounding = 5e-7;

/// One thread's working room: points, allowances and distances of one body. Made by BodySampler::make_points.
struct BodyPoints {
  std::vector<float> x, y, z;
  std::vector<float> slack;  ///< how far each point may be from where it is said to be, mm
  std::vector<float> lower;  ///< the field's lower bound of D at each point
};

class BodySampler {
 public:
  /// Stations at most `spacing_mm` apart. The design must outlive this. `loops`: this machine's, or, to hold
  /// one build against the other, a given one.
  BodySampler(const Design& design, double spacing_mm, const BodyLoops& loops = body_loops());

  /// Stations, base to tip. Arrays go on to padded_count() with copies of the tip.
  int count() const { return count_; }
  int padded_count() const { return static_cast<int>(radius_.size()); }
  double station_mm(int j) const { return station_[static_cast<std::size_t>(j)]; }
  const std::vector<double>& stations_mm() const { return station_; }
  const std::vector<float>& radii_mm() const { return radius_; }
  double least_radius_mm() const { return least_radius_; }
  /// Longest stretch of the body between neighbouring stations.
  double largest_gap_mm() const { return largest_gap_; }

  BodyPoints make_points() const;

  /// Stations' points in E. They differ from Shape's by at most point_error_mm().
  void place(const State& state, BodyPoints& points) const;
  double point_error_mm() const { return point_error_; }

  /// Fills points.slack with no less than the allowance for each station, and the points' own error on top.
  void allow(const BodyAllowance& allowance, BodyPoints& points) const;

  /// Points of the stations from planner/segment/shape.h, double precision.
  std::vector<Eigen::Vector3d> reference_points(const State& state) const;

  const Design& design() const { return *design_; }

 private:
  // A stretch of the body between two rigid spans, or a rigid span.
  struct Stretch {
    double from_mm, to_mm;
    int locks_before;  // locks proximal of it
    bool rigid;
    double radius_mm;
    std::int32_t first, last;  // stations
  };
  struct Bends {
    std::array<Eigen::Vector2d, kMaxLocks + 1> u;  // of each region
    std::array<int, kMaxLocks + 1> region;         // by locks_before
  };

  void lay_stations(double spacing_mm);
  void add_stretch(double from_mm, double to_mm, int locks_before, bool rigid, double spacing_mm);
  Bends bends_of(const State& state, double exposed_from_mm) const;
  std::int32_t place_hidden(double exposed_mm, BodyPoints& points) const;
  void place_by_shape(const State& state, BodyPoints& points) const;

  const Design* design_;
  std::vector<Stretch> stretch_;
  std::vector<double> station_;
  std::vector<float> radius_;
  std::vector<float> station_single_;
  std::vector<float> offset_;  // station less the middle of its stretch
  int count_ = 0;
  double least_radius_ = 0.0;
  double largest_gap_ = 0.0;
  double point_error_ = 0.0;
  const BodyLoops* loops_;
};

}  // namespace withy
