// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/proved_hardware.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/plan/lock_hunt.h"
#include "planner/tolerance/bend_levers.h"

namespace withy {
namespace {

// What of a window a spiral's rim leaves beside its chords.
constexpr double kBeyondRim = 0.94;
// What of a window is left where a point lies midway between a spiral's turns.
constexpr double kBetweenTurns = 0.24;
// Into how many steps a chord of a hunt is cut.
constexpr int kChordSteps = 6;
// How often a box of bends about a guide's state is halved where it does not settle the limits: its corners
// lie beyond what a region can bend.
constexpr int kBendHalvings = 8;
// Covers the rounding of a bend that is held to its limit.
constexpr double kBendRounding = 1.0 + 1e-12;

/// Part of its region's exposed flexible length that is before a lock; 0 where there is none.
double share_before(const Design& design, const State& state, int lock) {
  const auto regions = regions_of(design, state);
  const Region& region = regions[region_index(state.engaged, lock)];
  if (region.flexible_mm < kNoLength_mm) return 0.0;
  return exposed_flexible_length(design, state.insertion_mm, region.from_mm, design.station_mm(lock)) /
         region.flexible_mm;
}

bool in_free_region(const State& state, int lock) {
  return region_index(state.engaged, lock) == state.engaged.count();
}

/// How much of a slide is across the line that a hunt sweeps.
double across_line(const HuntTrack& track, const Eigen::Vector2d& slide_mm) {
  const auto end = std::max_element(track.slide_mm.begin(), track.slide_mm.end(),
                                    [](const auto& a, const auto& b) { return a.norm() < b.norm(); });
  const Eigen::Vector2d line = end->normalized();
  return (slide_mm - line.dot(slide_mm) * line).norm();
}

/// Most that the coils' field at a place changes for each mm.
double gradient_mT_per_mm(const Design& design, const Eigen::Vector3d& p_E, double within_mm,
                          const Currents& current_A) {
  const auto& coils = design.field()->coils;
  const Eigen::Vector3d p_S = design.R_SE() * p_E + design.p_SE();
  double sum = 0.0;
  for (std::size_t c = 0; c < coils.size(); ++c)
    sum += std::abs(current_A[static_cast<Eigen::Index>(c)]) *
           coil_gradient_bound(coils[c], std::max(0.0, distance_to_wire_mm(coils[c], p_S) - within_mm));
  return sum;
}

/// What the bases of a lock's demands may grow by.
double base_growth_mT(const Design& design, const LockPoses& poses, int lock, double turn_rad, double off_mm,
                      double strength) {
  double growth = design.field()->ambient_S.norm() * chord(turn_rad);
  for (int other = 0; other < design.lock_count(); ++other) {
    if (other == lock) continue;
    const double r =
        (poses.p_E[static_cast<std::size_t>(lock)] - poses.p_E[static_cast<std::size_t>(other)]).norm();
    const double left = r - 2.0 * off_mm;
    if (left <= 0.0) return kInfinity;
    const double C = 2.0 * kDipole * design.lock().magnet_Am2 / (r * r * r);
    growth += C * (strength + 2.0 * chord(turn_rad) + 6.0 * off_mm / left * std::pow(r / left, 3));
  }
  return growth;
}

/// What the field of a switch may do.
std::string words_of(const PlannedSwitch& planned, const FieldFault& fault) {
  if (fault.too_strong)
    return fmt::format("the field of action {} may pass its limit at lock {}", planned.action + 1,
                       fault.lock + 1);
  if (fault.lock == planned.lock)
    return fmt::format("the field may not switch lock {} at action {}", fault.lock + 1, planned.action + 1);
  return fmt::format("the field that switches lock {} at action {} may move lock {} too", planned.lock + 1,
                     planned.action + 1, fault.lock + 1);
}

/// The largest step of curvature from corner to corner, times the bent length: how far a pose between two
/// corners is turned from the nearer one, at most.
double half_chord_rad(const Design& design, const SweepCorners& corners) {
  double most = 0.0;
  for (std::size_t i = 0; i + 1 < corners.size(); ++i)
    most = std::max(most, (corners[i + 1].u_free - corners[i].u_free).norm());
  return 0.5 * most * regions_of(design, corners.front()).back().flexible_mm;
}

}  // namespace

ProvedHardware::ProvedHardware(const Hardware& hardware, const Plan& plan, const ElasticSlides& slides)
    : hardware_(hardware),
      design_(hardware.design()),
      bend_per_offset_(bend_per_offset(hardware.design())),
      set_by_tendons_(set_by_tendons(hardware.design())),
      insertion_bend_(bend_per_insertion(hardware.design())),
      switches_(switches_in(hardware.design(), plan, slides)),
      states_(states_in(plan)),
      rims_(swept_rims(hardware.design(), plan)) {
  for (const PlannedSwitch& planned : switches_)
    sweeps_.push_back(planned.hunt.slide_mm.empty()
                          ? std::vector<SweepCorners>()
                          : lock_hunt_sweeps(design_, planned.before, planned.lock));
  const auto known = [&](const State& a, const State& b) {
    return std::any_of(motions_.begin(), motions_.end(), [&](const auto& m) {
      return (m.first == a && m.second == b) || (m.first == b && m.second == a);
    });
  };
  for (const PlannedAction& action : plan.actions) {
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    const State& to = plan.states[static_cast<std::size_t>(action.to)];
    if (action.lock < 0 && !known(from, to)) motions_.emplace_back(from, to);
  }
}

ProvedHardware::Bends ProvedHardware::bends(const State& state, const ErrorSizes& sizes,
                                            double deepest_mm) const {
  Bends out;
  if (state.engaged.any()) out.lock_rad = most_lock_bend(design_, sizes);
  if (!design_.tendons()) return out;
  Eigen::Vector2d total = Eigen::Vector2d::Zero();
  for (const Region& region : regions_of(design_, state)) total += region.theta;
  // What is out of a guide need not grow with the insertion.
  const double gained = design_.carriage().kind == CarriageKind::guide
                            ? total.norm() + std::max(state.insertion_mm, deepest_mm) * insertion_bend_.norm()
                            : (total + state.insertion_mm * insertion_bend_).norm();
  out.free_rad = sizes[ErrorKind::pull_gain] * gained + sizes[ErrorKind::pull_offset] * bend_per_offset_;
  return out;
}

/// omega without alpha.
double ProvedHardware::turn_up_to(const State& state, int lock, const Bends& bends) const {
  const auto regions_before = static_cast<double>(region_index(state.engaged, lock));
  const double frozen = std::max(0.0, 2.0 * regions_before - 1.0) * bends.lock_rad;
  const double share = share_before(design_, state, lock);
  if (!in_free_region(state, lock)) return frozen + 2.0 * share * bends.lock_rad;
  return frozen + share * (bends.lock_rad + bends.free_rad);
}

bool ProvedHardware::engages(const PlannedSwitch& planned, const ErrorSizes& sizes) const {
  const auto& latch = design_.latch();
  if (!planned.engages || !latch || latch->notch_pitch_mm <= 0.0) return true;
  const Bends off = bends(planned.before, sizes);
  const double share = in_free_region(planned.before, planned.lock)
                           ? share_before(design_, planned.before, planned.lock)
                           : 0.0;
  // Across the plane of tendons that lie in one the free region takes nothing back.
  const double left = set_by_tendons_.isIdentity() ? 1.0 - share : 1.0;
  const double across = latch->backbone_radius_mm * left * off.lock_rad;
  const double by_errors = across + latch->backbone_radius_mm * share * off.free_rad;
  const ElasticSlide& elastic = planned.elastic;
  const double w = by_errors + elastic.bend_mm.norm();
  const double rest = elastic.most_rest_mm();
  const double h = planned.hunt.radius_mm;
  const double window = latch->engage_window_mm;
  if (!(w + rest + h + window < 0.5 * latch->notch_pitch_mm)) return false;
  switch (planned.hunt.shape) {
    case HuntShape::none:
      return by_errors + elastic.most_mm(*latch) <= window;
    case HuntShape::line:
      return w <= h && across + across_line(planned.hunt, elastic.bend_mm) + rest <= window;
    case HuntShape::spiral:
      return rest <= kBetweenTurns * window && w <= h + kBeyondRim * window - rest;
  }
  return false;
}

std::optional<FieldFault> ProvedHardware::failing_in_pose(const PlannedSwitch& planned, const State& pose,
                                                          double more_turn_rad,
                                                          const ErrorSizes& sizes) const {
  const LockPoses poses = lock_poses_E(design_, pose);
  const LockSet switching = only(planned.lock);
  const Bends off = bends(pose, sizes);
  const double gain = sizes[ErrorKind::coil_gain];
  const double strength = sizes[ErrorKind::magnet_strength];
  if (gain >= 1.0 || strength >= 1.0) return FieldFault{planned.lock};
  const LockHardware& lock = design_.lock();
  for (const TorqueDemand& demand : torque_demands(design_, poses, planned.before.engaged, switching)) {
    const auto i = static_cast<std::size_t>(demand.lock);
    const Eigen::Vector3d& p_E = poses.p_E[i];
    const double turn = turn_up_to(pose, demand.lock, off) + sizes[ErrorKind::entry_angle] + more_turn_rad;
    const double shift = turn * design_.station_mm(demand.lock) + sizes[ErrorKind::entry_position] +
                         chord(sizes[ErrorKind::entry_angle]) * p_E.norm();
    const Eigen::Vector3d B_E = coil_gains_E(design_, p_E) * planned.current_A;
    const double slope = gradient_mT_per_mm(design_, p_E, shift, planned.current_A);
    if (!((B_E.norm() + slope * shift) * (1.0 + gain) <= design_.field()->strength_max_mT))
      return FieldFault{demand.lock, true};
    const double least = demand.normal_E.dot(B_E) - B_E.norm() * chord(turn) - slope * shift;
    const double made = least * (least >= 0.0 ? 1.0 - gain : 1.0 + gain);
    const double asked = demand.drives ? lock.switch_torque_Nmm / (lock.magnet_Am2 * (1.0 - strength))
                                       : -lock.hold_torque_Nmm / (lock.magnet_Am2 * (1.0 + strength));
    const double base = demand.base_mT + base_growth_mT(design_, poses, demand.lock, turn, shift, strength);
    if (!(made >= asked + base)) return FieldFault{demand.lock};
  }
  return std::nullopt;
}

std::optional<FieldFault> ProvedHardware::failing_as_planned(const PlannedSwitch& planned,
                                                             const ErrorSizes& sizes) const {
  if (planned.current_A.size() == 0 || !design_.field()) return std::nullopt;
  return failing_in_pose(planned, planned.before, 0.0, sizes);
}

std::optional<FieldFault> ProvedHardware::failing_in_hunt(const PlannedSwitch& planned,
                                                          const ErrorSizes& sizes) const {
  if (planned.current_A.size() == 0 || !design_.field()) return std::nullopt;
  const auto index = static_cast<std::size_t>(&planned - switches_.data());
  for (const SweepCorners& corners : sweeps_[index]) {
    const double between = half_chord_rad(design_, corners) / kChordSteps;
    for (std::size_t i = 0; i + 1 < corners.size(); ++i)
      for (int k = 0; k < kChordSteps; ++k)
        if (const auto fault = failing_in_pose(
                planned, interpolate(corners[i], corners[i + 1], (k + 0.5) / kChordSteps), between, sizes))
          return fault;
  }
  return std::nullopt;
}

/// All states of the box whose free curvature is at most so much.
bool ProvedHardware::keeps_limits(StateBox box, double most_per_mm, int halvings) const {
  const Eigen::Vector2d nearest = box.u_lo.cwiseMax(0.0) + box.u_hi.cwiseMin(0.0);
  if (nearest.norm() > most_per_mm * kBendRounding) return true;
  box.u_lo = box.u_lo.cwiseMax(-most_per_mm * kBendRounding);
  box.u_hi = box.u_hi.cwiseMin(most_per_mm * kBendRounding);
  if (hardware_.states_over(box) == BoxVerdict::all) return true;
  if (halvings == 0) return false;
  const Eigen::Vector2d sides = box.u_hi - box.u_lo;
  const Eigen::Index axis = sides.x() >= sides.y() ? 0 : 1;
  StateBox lower = box;
  lower.u_hi[axis] = box.u_lo[axis] = 0.5 * (box.u_lo[axis] + box.u_hi[axis]);
  return keeps_limits(lower, most_per_mm, halvings - 1) && keeps_limits(box, most_per_mm, halvings - 1);
}

bool ProvedHardware::keeps_limits(const State& from, const State& to, const ErrorSizes& sizes,
                                  int halvings) const {
  StateBox box = StateBox::around(from);
  const auto [shallow, deep] = std::minmax(from.insertion_mm, to.insertion_mm);
  box.insertion_lo_mm = shallow;
  box.insertion_hi_mm = deep;
  const bool guided = design_.carriage().kind == CarriageKind::guide;
  double wider = 0.0;
  for (const State* end : {&from, &to}) {
    const Bends off = bends(*end, sizes, deep);
    const double f = regions_of(design_, *end).back().flexible_mm;
    for (std::size_t r = 0; r < from.theta_frozen.size(); ++r) {
      const Eigen::Vector2d e = Eigen::Vector2d::Constant((r == 0 ? 1.0 : 2.0) * off.lock_rad);
      box.theta_lo[r] = from.theta_frozen[r] - e;
      box.theta_hi[r] = from.theta_frozen[r] + e;
    }
    const double to_sides = design_.segment().curvature_max_per_mm + end->u_free.norm();
    double by = f > kNoLength_mm ? (off.lock_rad + off.free_rad) / f : 0.0;
    if (guided)
      by = f > kNoLength_mm ? std::min(by, to_sides) : (off.lock_rad + off.free_rad > 0.0 ? to_sides : 0.0);
    wider = std::max(wider, design_.tendons() ? by : 0.0);
  }
  // The tendons' errors, and what the free region takes back of the locks', lie in the tendons' plane.
  const Eigen::Vector2d sides =
      design_.tendons() ? Eigen::Vector2d(wider * set_by_tendons_.rowwise().norm()) : Eigen::Vector2d::Zero();
  box.u_lo = from.u_free.cwiseMin(to.u_free) - sides;
  box.u_hi = from.u_free.cwiseMax(to.u_free) + sides;
  const double most =
      guided ? std::max({design_.segment().curvature_max_per_mm, from.u_free.norm(), to.u_free.norm()})
             : kInfinity;
  if (keeps_limits(box, most, guided ? kBendHalvings : 0)) return true;
  if (halvings == 0 || from == to) return false;
  const State middle = interpolate(from, to, 0.5);
  return keeps_limits(from, middle, sizes, halvings - 1) && keeps_limits(middle, to, sizes, halvings - 1);
}

std::optional<std::string> ProvedHardware::not_engaging(const ErrorSizes& sizes) const {
  for (const PlannedSwitch& planned : switches_)
    if (!engages(planned, sizes))
      return fmt::format("lock {} may not engage at action {}", planned.lock + 1, planned.action + 1);
  return std::nullopt;
}

std::optional<std::string> ProvedHardware::not_switching(const ErrorSizes& sizes) const {
  const auto as_planned = not_switching_as_planned(sizes);
  if (as_planned) return as_planned;
  for (const PlannedSwitch& planned : switches_)
    if (const auto fault = failing_in_hunt(planned, sizes))
      return words_of(planned, *fault) + " during its hunt";
  return std::nullopt;
}

std::optional<std::string> ProvedHardware::not_switching_as_planned(const ErrorSizes& sizes) const {
  for (const PlannedSwitch& planned : switches_)
    if (const auto fault = failing_as_planned(planned, sizes)) return words_of(planned, *fault);
  return std::nullopt;
}

std::optional<std::string> ProvedHardware::not_within_limits(const ErrorSizes& sizes) const {
  const auto moved = motions_not_within_limits(sizes);
  return moved ? moved : sweeps_not_within_limits(sizes);
}

std::optional<std::string> ProvedHardware::sweeps_not_within_limits(const ErrorSizes& sizes) const {
  for (std::size_t k = 0; k < switches_.size(); ++k)
    for (const SweepCorners& corners : sweeps_[k])
      for (std::size_t i = 0; i + 1 < corners.size(); ++i)
        if (!keeps_limits(corners[i], corners[i + 1], sizes, shares::kLimitHalvings))
          return fmt::format("the hunt at lock {} may pass a limit of tendons or locks",
                             switches_[k].lock + 1);
  return std::nullopt;
}

std::optional<std::string> ProvedHardware::motions_not_within_limits(const ErrorSizes& sizes) const {
  for (const auto& [from, to] : motions_)
    if (!keeps_limits(from, to, sizes, shares::kLimitHalvings))
      return std::string("a tendon's stroke or tension or a lock's load may pass its limit");
  return std::nullopt;
}

}  // namespace withy
