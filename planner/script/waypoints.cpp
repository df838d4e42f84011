// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/waypoints.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <iterator>

#include "planner/motion/action.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/script/script.h"
#include "planner/script/tendon_inverse.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

// What the samples may show: half the tolerance of (1) and (2), less what rounding to the script's steps
// adds.
constexpr double kSampledDeviation_mm = 0.5 * kScriptDeviation_mm - kScriptStep;

// Parting stops here: cuts first, then halves. A motion needs some ten levels; a guard against one that can't
// be followed.
constexpr int kDeepestParting = 60;

std::vector<double> kink_stations(const Design& design, const State& state) {
  std::vector<double> stations;
  for (const RigidSpan& span : design.rigid_spans())
    stations.insert(stations.end(), {span.from_mm, span.to_mm});
  for (const Region& region : regions_of(design, state)) stations.push_back(region.from_mm);
  if (design.tendons())
    for (const double disk : disk_stations(design.length_mm(), design.tendons()->disk_spacing_mm))
      stations.push_back(disk);
  return stations;
}

std::vector<double> cuts_inside(const std::vector<double>& cuts, double t0, double t1) {
  std::vector<double> inside;
  std::copy_if(cuts.begin(), cuts.end(), std::back_inserter(inside),
               [&](double t) { return t > t0 && t < t1; });
  return inside;
}

/// A motion as the plan has it, against what the unit makes of it.
class Motion {
 public:
  Motion(const Design& design, const State& from, const State& to)
      : design_(design), from_(from), to_(to), cuts_(smooth_cuts(design, from, to)) {}

  const std::vector<double>& cuts() const { return cuts_; }

  /// Does one linear move of the axes from t0 to t1 stay within the tolerance?
  bool unit_follows(double t0, double t1) const {
    const Eigen::VectorXd pull_0 = pulls(interpolate(from_, to_, t0));
    const Eigen::VectorXd pull_1 = pulls(interpolate(from_, to_, t1));
    const std::vector<double> samples = samples_between(cuts_, t0, t1);
    return std::all_of(samples.begin(), samples.end(), [&](double t) {
      const State planned = interpolate(from_, to_, t);
      const Eigen::VectorXd made = pull_0 + (t - t0) / (t1 - t0) * (pull_1 - pull_0);
      return (made - pulls(planned)).cwiseAbs().maxCoeff() <= kSampledDeviation_mm &&
             body_deviation(planned, made) <= kSampledDeviation_mm;
    });
  }

 private:
  Eigen::VectorXd pulls(const State& state) const {
    return tendon_pulls(design_, regions_of(design_, state), state.insertion_mm);
  }

  double body_deviation(const State& planned, const Eigen::VectorXd& made) const {
    const FreeBend bend = free_bend_from_pulls(design_, planned, made);
    const MotionBounds bounds = motion_bounds(design_, StateRange::of(planned));
    return (bend.u - planned.u_free).norm() * bounds.curvature_lever_mm2(design_.length_mm());
  }

  const Design& design_;
  const State& from_;
  const State& to_;
  std::vector<double> cuts_;
};

void part_until_followed(const Motion& motion, double t0, double t1, int depth, std::vector<double>& out) {
  if (depth == 0 || motion.unit_follows(t0, t1)) {
    out.push_back(t1);
    return;
  }
  const double middle = parting_point(motion.cuts(), t0, t1);
  part_until_followed(motion, t0, middle, depth - 1, out);
  part_until_followed(motion, middle, t1, depth - 1, out);
}

}  // namespace

std::vector<double> smooth_cuts(const Design& design, const State& from, const State& to) {
  std::vector<double> cuts = {0.0, 1.0};
  const double travel = to.insertion_mm - from.insertion_mm;
  if (design.carriage().kind == CarriageKind::guide && travel != 0.0) {
    for (const double station : kink_stations(design, from)) {
      const double t = (design.length_mm() - station - from.insertion_mm) / travel;
      if (t > 0.0 && t < 1.0) cuts.push_back(t);
    }
  }
  std::sort(cuts.begin(), cuts.end());
  // Two kinks within the script's step are one.
  const auto same = [&](double a, double b) { return (b - a) * std::abs(travel) < kScriptStep; };
  std::vector<double> out;
  for (const double cut : cuts)
    if (out.empty() || cut == 1.0 || !same(out.back(), cut)) out.push_back(cut);
  if (out.size() > 2 && same(out[out.size() - 2], 1.0)) out.erase(out.end() - 2);
  return out;
}

std::vector<double> samples_between(const std::vector<double>& cuts, double t0, double t1) {
  std::vector<double> ends = cuts_inside(cuts, t0, t1);
  std::vector<double> samples = ends;
  ends.push_back(t1);
  double start = t0;
  for (const double end : ends) {
    for (const double part : {0.25, 0.5, 0.75}) samples.push_back(start + part * (end - start));
    start = end;
  }
  return samples;
}

double parting_point(const std::vector<double>& cuts, double t0, double t1) {
  const double half = 0.5 * (t0 + t1);
  const std::vector<double> inside = cuts_inside(cuts, t0, t1);
  const auto nearer = [&](double a, double b) { return std::abs(a - half) < std::abs(b - half); };
  const auto nearest = std::min_element(inside.begin(), inside.end(), nearer);
  return nearest == inside.end() ? half : *nearest;
}

std::vector<double> waypoint_fractions(const Design& design, const State& from, const State& to) {
  assert(from.engaged == to.engaged && design.tendons());
  std::vector<double> out;
  part_until_followed(Motion(design, from, to), 0.0, 1.0, kDeepestParting, out);
  return out;
}

}  // namespace withy
