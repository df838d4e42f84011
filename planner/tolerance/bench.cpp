// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/bench.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

#include "geometry/numbers/decompositions.h"
#include "geometry/numbers/numbers.h"
#include "planner/plan/lock_hunt.h"
#include "planner/segment/rotation.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/bend_levers.h"

namespace withy {
namespace {

// With a guide the curvature that a tendon's error adds goes as the inverse of what is out: such a motion is
// run in so many pieces, linear in between. Chords of the inverse lie above it, so that adds a little to the
// error.
constexpr int kGuidePieces = 8;
// Only a motion that never passes the entry plane keeps so far from the wall.
constexpr double kMoreThanAnyLumen_mm = 1e6;

Eigen::Isometry3d turned_about(const Eigen::Vector3d& turn, const Eigen::Vector3d& centre) {
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  X.linear() = rotation_by(turn);
  X.translation() = centre - X.linear() * centre;
  return X;
}

}  // namespace

Eigen::Vector3d middle_of(const Channel& channel) {
  Eigen::AlignedBox3d box;
  for (const auto& vertex : channel.mesh_E.vertices) box.extend(Eigen::Vector3d(vertex));
  return box.center();
}

Eigen::MatrixXd bend_from_pulls(const Design& design) {
  if (!design.tendons()) return Eigen::MatrixXd(2, 0);
  const TendonHardware& tendons = *design.tendons();
  Eigen::MatrixXd pulls(static_cast<Eigen::Index>(tendons.angle_rad.size()), 2);
  for (Eigen::Index k = 0; k < pulls.rows(); ++k) {
    const double angle = tendons.angle_rad[static_cast<std::size_t>(k)];
    pulls.row(k) = tendons.radius_mm * Eigen::RowVector2d(std::cos(angle), std::sin(angle));
  }
  return pseudo_inverse(pulls);
}

namespace {

/// The two sweeps of a hunt that is made, or none.
std::vector<PlannedMotion> sweeps_of(const Design& design, const State& before, int lock, int action) {
  const HuntTrack track = lock_hunt_track(design, before, lock);
  std::vector<PlannedMotion> out;
  for (SweepCorners& corners : lock_hunt_sweeps(design, before, lock)) {
    HuntSweep sweep{lock, std::move(corners)};
    const State& centre = sweep.corners.front();
    const double f = regions_of(design, centre).back().flexible_mm;
    for (const State& corner : sweep.corners) {
      const Eigen::Vector2d bend = f * (corner.u_free - centre.u_free);
      sweep.bend_rad = std::max(sweep.bend_rad, bend.norm());
      if (track.shape == HuntShape::line && !bend.isZero()) sweep.line = bend.normalized();
    }
    out.push_back({centre, centre, action, std::move(sweep)});
  }
  return out;
}

bool passes_entry(const PlannedMotion& sweep, const MotionVerifier& verifier) {
  const std::vector<State>& corners = sweep.sweep->corners;
  for (std::size_t i = 0; i + 1 < corners.size(); ++i)
    if (!verifier.clears(corners[i], corners[i + 1], kMoreThanAnyLumen_mm)) return true;
  return false;
}

/// The sweeps, each once.
void add_sweeps(const Plan& plan, const MotionVerifier& verifier, std::vector<PlannedMotion>& motions) {
  for (std::size_t i = 0; i < plan.actions.size(); ++i) {
    const PlannedAction& action = plan.actions[i];
    if (action.lock < 0 || !action.hunt || !action.hunt->made()) continue;
    const State& before = plan.states[static_cast<std::size_t>(action.from)];
    const bool known =
        std::any_of(plan.actions.begin(), plan.actions.begin() + static_cast<std::ptrdiff_t>(i),
                    [&](const PlannedAction& other) {
                      return other.lock == action.lock && other.hunt &&
                             plan.states[static_cast<std::size_t>(other.from)] == before;
                    });
    if (known) continue;
    for (PlannedMotion& sweep : sweeps_of(verifier.design(), before, action.lock, static_cast<int>(i))) {
      sweep.in_front = !passes_entry(sweep, verifier);
      motions.push_back(std::move(sweep));
    }
  }
}

}  // namespace

std::vector<PlannedMotion> motions_of(const Plan& plan, const MotionVerifier& verifier) {
  std::vector<PlannedMotion> motions;
  for (std::size_t i = 0; i < plan.actions.size(); ++i) {
    const PlannedAction& action = plan.actions[i];
    if (action.lock >= 0) continue;
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    const State& to = plan.states[static_cast<std::size_t>(action.to)];
    const bool known = std::any_of(motions.begin(), motions.end(), [&](const PlannedMotion& m) {
      return (m.from == from && m.to == to) || (m.from == to && m.to == from);
    });
    if (known) continue;
    motions.push_back({from, to, static_cast<int>(i)});
    motions.back().in_front = verifier.clears(from, to, kMoreThanAnyLumen_mm);
  }
  add_sweeps(plan, verifier, motions);
  return motions;
}

Bench::Bench(const Design& design, const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E)
    : Bench(design, errors, channel_centre_E, bend_from_pulls(design)) {}

Bench::Bench(const Design& design, const ErrorDraw& errors, const Eigen::Vector3d& channel_centre_E,
             const Eigen::MatrixXd& bend_per_pull)
    : design_(design),
      errors_(errors),
      insertion_bend_(bend_per_insertion(design, bend_per_pull)),
      set_by_tendons_(set_by_tendons(design)),
      scale_(1.0 + errors.lumen_scale) {
  const Eigen::Isometry3d entry = Eigen::Translation3d(errors.entry_position_mm) *
                                  turned_about(errors.entry_turn, Eigen::Vector3d::Zero());
  const Eigen::Isometry3d channel = Eigen::Translation3d(errors.registration_position_mm) *
                                    turned_about(errors.registration_turn, channel_centre_E);
  X_EB_ = channel.inverse() * entry;
  if (design.tendons()) offset_bend_ = bend_per_pull * errors.pull_offset_mm;
}

namespace {

/// Little of a region out of the guide takes little error: it can't bend past what the segment can, or past
/// what is planned.
Eigen::Vector2d kept_to(const Design& design, double planned_per_mm, const Eigen::Vector2d& u) {
  const double most = std::max(design.segment().curvature_max_per_mm, planned_per_mm);
  return u.norm() > most ? Eigen::Vector2d(u * (most / u.norm())) : u;
}

}  // namespace

State Bench::state(const State& planned) const {
  const auto regions = regions_of(design_, planned);
  State out = planned;
  Eigen::Vector2d total = planned.insertion_mm * insertion_bend_;  // G
  for (const Region& region : regions) total += region.theta;
  Eigen::Vector2d before = Eigen::Vector2d::Zero();
  for (std::size_t i = 0; i + 1 < regions.size(); ++i) {
    const Eigen::Vector2d& error = errors_.bend_at_lock[static_cast<std::size_t>(regions[i].end_lock)];
    out.theta_frozen[i] += error - before;
    before = error;
    if (design_.carriage().kind == CarriageKind::free) continue;
    const double f = regions[i].flexible_mm;
    out.theta_frozen[i] =
        f < kNoLength_mm
            ? planned.theta_frozen[i]
            : Eigen::Vector2d(f * kept_to(design_, regions[i].u.norm(), out.theta_frozen[i] / f));
  }
  const Region& free = regions.back();
  if (!design_.tendons() || free.flexible_mm < kNoLength_mm) return out;
  out.u_free += (set_by_tendons_ * (errors_.pull_gain * total - before) + offset_bend_) / free.flexible_mm;
  if (design_.carriage().kind == CarriageKind::free) return out;
  out.u_free = kept_to(design_, planned.u_free.norm(), out.u_free);
  return out;
}

State Bench::scaled(const State& planned) const {
  State out = state(planned);
  out.insertion_mm /= scale_;
  out.u_free *= scale_;
  return out;
}

Design Bench::design_in_channel() const {
  DesignParts parts;
  parts.segment = design_.segment();
  parts.segment.length_mm /= scale_;
  parts.segment.radius_mm /= scale_;
  parts.segment.tip_rigid_mm /= scale_;
  parts.segment.curvature_max_per_mm *= scale_;
  parts.lock = design_.parts().lock;
  if (parts.lock) {
    parts.lock->body_length_mm /= scale_;
    parts.lock->body_radius_mm /= scale_;
  }
  parts.layout = design_.layout();
  for (double& station : parts.layout.station_mm) station /= scale_;
  parts.carriage = design_.carriage();
  parts.carriage.insertion_max_mm /= scale_;
  parts.R_SE = design_.R_SE();
  auto design = Design::make(std::move(parts));
  assert(design);
  return std::move(*design);
}

BodyPlacement Bench::placement_in_channel() const {
  BodyPlacement placement{X_EB_};
  placement.X_EB.translation() /= scale_;
  return placement;
}

std::vector<State> Bench::run_in_channel(const PlannedMotion& motion) const {
  if (motion.sweep) {
    std::vector<State> states;
    for (const State& corner : motion.sweep->corners) states.push_back(scaled(corner));
    return states;
  }
  const bool guided = design_.carriage().kind == CarriageKind::guide;
  const int pieces = guided && motion.from.insertion_mm != motion.to.insertion_mm ? kGuidePieces : 1;
  std::vector<State> states;
  for (int i = 0; i <= pieces; ++i)
    states.push_back(scaled(interpolate(motion.from, motion.to, static_cast<double>(i) / pieces)));
  return states;
}

std::vector<Eigen::Vector2d> Bench::swept_bends(const HuntSweep& sweep) const {
  std::vector<Eigen::Vector2d> bends;
  bends.reserve(sweep.corners.size());
  if (design_.carriage().kind == CarriageKind::guide) {
    for (const State& corner : sweep.corners) bends.push_back(state(corner).u_free);
    return bends;
  }
  // With the free carriage what state() adds is linear in the bend, all else is the same at every corner.
  const State& first = sweep.corners.front();
  const Eigen::Vector2d u = state(first).u_free;
  const bool moves = design_.tendons() && regions_of(design_, first).back().flexible_mm >= kNoLength_mm;
  const Eigen::Matrix2d gain =
      Eigen::Matrix2d::Identity() + (moves ? errors_.pull_gain : 0.0) * set_by_tendons_;
  for (const State& corner : sweep.corners) bends.push_back(u + gain * (corner.u_free - first.u_free));
  return bends;
}

Contact Bench::contact(const PlannedMotion& motion, const ChannelDistance& distance) const {
  const MotionClearance found = clearance(motion, distance, 0.0);
  if (found.upper_mm < 0.0) return Contact::touches;
  return found.lower_mm < 0.0 ? Contact::close : Contact::clear;
}

MotionClearance Bench::clearance(const PlannedMotion& motion, const ChannelDistance& distance,
                                 double required_mm) const {
  const Design design = design_in_channel();
  const MotionVerifier verifier(design, distance, placement_in_channel());
  const std::vector<State> states = run_in_channel(motion);
  MotionClearance least{kInfinity, kInfinity};
  for (std::size_t i = 0; i + 1 < states.size() && least.upper_mm >= std::min(0.0, required_mm); ++i) {
    const MotionClearance found = verifier.compare(states[i], states[i + 1], required_mm / scale_);
    least.lower_mm = std::min(least.lower_mm, scale_ * found.lower_mm);
    least.upper_mm = std::min(least.upper_mm, scale_ * found.upper_mm);
  }
  return least;
}

Eigen::Isometry3d Bench::tip_in_channel(const State& planned) const {
  return X_EB_ * Shape(design_, state(planned)).tip_E();
}

double Bench::tip_error(const State& planned, const Goal& goal) const {
  return (tip_in_channel(planned).translation() - scale_ * goal.point_E).norm();
}

bool Bench::hits(const State& planned, const Goal& goal) const {
  const Eigen::Isometry3d tip = tip_in_channel(planned);
  return (tip.translation() - scale_ * goal.point_E).norm() <= goal.tolerance_mm &&
         goal.direction_error(tip) <= goal.direction_tolerance_rad;
}

}  // namespace withy
