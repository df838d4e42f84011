// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_clearance.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <queue>
#include <set>

namespace withy_plain {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kFirstCell_mm = 0.5;   // no clearance that matters hides between first samples this close
constexpr double kTolerance_mm = 5e-3;  // cells stop here: a tenth of the slack a plan may leave
constexpr double kPolish_mm = 1e-7;     // steps about the least sample stop here
constexpr int kTipLooks = 64;           // along a motion
constexpr double kPastEntry_mm = 1e-9;  // a tip that rests on the entry plane is there but for rounding
constexpr double kSpread = 1.05;  // cells this small are nearly flat: this covers what corners and sides miss

// A point whose sign is known: points nearer to it than any face have the same.
struct Probe {
  Eigen::Vector3d p = Eigen::Vector3d::Constant(kInfinity);
  double surface_mm = 0;
  bool inside = false;
};

struct Cell {
  double t0, t1, s0, s1;
  double lower;  // no point of the cell has a lesser clearance
  double reach_mm;
  bool split_motion;
  Probe probe;
  bool operator<(const Cell& other) const { return lower > other.lower; }  // worst on top
};

class Sampler {
 public:
  Sampler(const Robot& robot, const Wall& wall, const State& from, const State& to)
      : robot_(robot), wall_(wall), from_(from), to_(to) {}

  Sampled run(int most_samples) {
    first_cells();
    // Cells are judged at their middles: of a body whose tip alone comes past the entry plane none may be.
    const bool rests = &from_ == &to_;
    for (int i = 0; i <= (rests ? 0 : kTipLooks); ++i) {
      const double t = static_cast<double>(i) / kTipLooks;
      if (body(t).point_E(robot_.scene.length_mm).z() > kPastEntry_mm) try_at(t, robot_.scene.length_mm);
    }
    while (!queue_.empty()) {
      const Cell cell = queue_.top();
      if (cell.lower >= best_.minimum_mm - kTolerance_mm || best_.samples >= most_samples) break;
      queue_.pop();
      halve(cell);
    }
    if (std::isfinite(best_.minimum_mm)) polish(most_samples / 5);
    if (!queue_.empty()) best_.bound_mm = std::max(0.0, best_.minimum_mm - queue_.top().lower);
    return best_;
  }

 private:
  Body body(double t) const { return Body(robot_, between(robot_, from_, to_, t)); }

  // Stations at which the radius or the centreline's law changes, shaft included.
  std::vector<double> station_cuts() const {
    const double L = robot_.scene.length_mm;
    const double shaft = std::max(from_.insertion_mm, to_.insertion_mm) - L;
    std::set<double> cuts = {0.0, L};
    if (shaft > 0) cuts.insert(-shaft);
    for (const auto& [a, b] : rigid_spans(robot_)) cuts.insert({a, b});
    return {cuts.begin(), cuts.end()};
  }

  void first_cells() {
    const auto cuts = station_cuts();
    first_station_ = cuts.front();
    std::vector<double> stations = {cuts.front()};
    for (std::size_t k = 1; k < cuts.size(); ++k) {
      const int steps =
          std::max(1, static_cast<int>(std::ceil((cuts[k] - cuts[k - 1]) / (2 * kFirstCell_mm))));
      for (int i = 1; i <= steps; ++i) stations.push_back(cuts[k - 1] + (cuts[k] - cuts[k - 1]) * i / steps);
    }
    const int steps = motion_steps();
    for (std::size_t k = 1; k < stations.size(); ++k) {
      Probe probe;
      for (int i = 0; i < steps; ++i) {
        probe = add(static_cast<double>(i) / steps, static_cast<double>(i + 1) / steps, stations[k - 1],
                    stations[k], probe);
      }
    }
  }

  // Enough that the fastest of a few points goes less than a cell in each step.
  int motion_steps() const {
    double way = 0;
    Body before = body(0);
    for (int i = 1; i <= 64; ++i) {
      const Body now = body(i / 64.0);
      double most = 0;
      for (double part = 0; part <= 1; part += 0.125) {
        const double s = part * robot_.scene.length_mm;
        most = std::max(most, (now.point_E(s) - before.point_E(s)).norm());
      }
      way += most;
      before = now;
    }
    return std::max(1, static_cast<int>(std::ceil(way / (2 * kFirstCell_mm))));
  }

  Probe add(double t0, double t1, double s0, double s1, const Probe& near) {
    const double tm = (t0 + t1) / 2, sm = (s0 + s1) / 2;
    const Body bodies[] = {body(t0), body(tm), body(t1)};
    const double stations[] = {s0, sm, s1};
    const Eigen::Vector3d middle = bodies[1].point_E(sm);
    Cell cell{t0, t1, s0, s1, 0, 0, false, near};
    double highest = middle.z();
    for (const Body& b : bodies) {
      for (const double s : stations) {
        const Eigen::Vector3d p = b.point_E(s);
        cell.reach_mm = std::max(cell.reach_mm, kSpread * (p - middle).norm());
        highest = std::max(highest, p.z());
      }
    }
    cell.split_motion = (bodies[0].point_E(sm) - bodies[2].point_E(sm)).norm() > (s1 - s0);
    if (highest + (kSpread - 1) * cell.reach_mm <= 0) return near;  // all of it outside the channel
    judge(cell, tm, sm, middle);
    queue_.push(cell);
    return cell.probe;
  }

  void judge(Cell& cell, double t, double s, const Eigen::Vector3d& middle) {
    ++best_.samples;
    // Points of the cell that count have z > 0, and none of those is farther from the middle's foot on that
    // half space than from the middle itself.
    Eigen::Vector3d p = middle;
    p.z() = std::max(p.z(), kPastEntry_mm);
    const double R = radius(robot_, s);
    const Probe near = cell.probe;
    if ((p - near.p).norm() >= near.surface_mm) cell.probe = {p, wall_.surface_distance(p), wall_.inside(p)};
    const double size = wall_.distance(p);
    const double clearance = (cell.probe.inside ? size : -size) - R;
    cell.lower = clearance - cell.reach_mm;
    // Beyond an open outlet D turns negative at once.
    if (wall_.outlet_distance(p) <= cell.reach_mm) cell.lower = -(size + cell.reach_mm) - R;
    if (middle.z() > 0 && clearance < best_.minimum_mm) {
      best_.minimum_mm = clearance;
      best_.fraction = t;
      best_.station_mm = s;
    }
  }

  void halve(const Cell& c) {
    if (c.reach_mm < kTolerance_mm / 4)
      return;  // at the entry plane or an outlet, where the bound can't close
    const double tm = (c.t0 + c.t1) / 2, sm = (c.s0 + c.s1) / 2;
    if (c.split_motion) {
      add(c.t0, tm, c.s0, c.s1, c.probe);
      add(tm, c.t1, c.s0, c.s1, c.probe);
    } else {
      add(c.t0, c.t1, c.s0, sm, c.probe);
      add(c.t0, c.t1, sm, c.s1, c.probe);
    }
  }

  // Steps downhill about the least sample, so that a motion's sharp minimum is found to rounding. Where a
  // body goes along itself the minimum is the floor of a valley, which steps along t and s follow slowly.
  void polish(int most_rounds) {
    double dt = 0.01, ds = 0.25;
    for (int round = 0; ds > kPolish_mm && round < most_rounds; ++round) {
      const double before = best_.minimum_mm, t = best_.fraction, s = best_.station_mm;
      for (const double sign : {-1.0, 1.0}) {
        try_at(std::clamp(t + sign * dt, 0.0, 1.0), s);
        try_at(t, std::clamp(s + sign * ds, first_station_, robot_.scene.length_mm));
      }
      if (best_.minimum_mm >= before) dt /= 2, ds /= 2;
    }
  }

  void try_at(double t, double s) {
    const Eigen::Vector3d p = body(t).point_E(s);
    if (p.z() <= 0) return;
    const double clearance = wall_.signed_distance(p) - radius(robot_, s);
    if (clearance < best_.minimum_mm) best_ = {clearance, 0, t, s, best_.samples};
  }

  double first_station_ = 0;
  const Robot& robot_;
  const Wall& wall_;
  const State& from_;
  const State& to_;
  std::priority_queue<Cell> queue_;
  Sampled best_{kInfinity, 0};
};

}  // namespace

Sampled least_clearance(const Robot& robot, const Wall& wall, const State& from, const State& to,
                        int most_samples) {
  return Sampler(robot, wall, from, to).run(most_samples);
}

}  // namespace withy_plain
