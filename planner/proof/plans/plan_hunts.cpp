// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/plan_hunts.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "planner/proof/plans/plan_switches.h"

namespace withy::recheck {
namespace {

// A track of more corners is no sweep of a bench.
constexpr int kMostCorners = 100000;
constexpr double kRounding = 1e-9;
// Directions that differ by less (sine of the angle) lie in one line.
constexpr double kSameLine = 1e-9;
constexpr double kNoLength_mm = 1e-9;

/// The line that all directions lie along; nothing where they don't.
std::optional<Eigen::Vector2d> line_of(const std::vector<double>& angle_rad) {
  if (angle_rad.empty()) return std::nullopt;
  for (const double angle : angle_rad)
    if (std::abs(std::sin(angle - angle_rad.front())) > kSameLine) return std::nullopt;
  return Eigen::Vector2d(std::cos(angle_rad.front()), std::sin(angle_rad.front()));
}

/// Along which a line is swept: where tendons bend the segment in one plane only, or backbones tell of one
/// only.
std::optional<Eigen::Vector2d> swept_line(const Robot& robot) {
  if (robot.tendons)
    if (const auto line = line_of(robot.tendons->angle_rad)) return line;
  return line_of(robot.latch->backbone_angle_rad);
}

Finding spiral_covers(const FileHunt& hunt, double window_mm) {
  if (hunt.turns < 2 || hunt.corners_per_turn < 3 || hunt.turns > kMostCorners / hunt.corners_per_turn)
    return refuted("its hunt has no turns, or too many corners");
  const int N = hunt.turns - 1;
  const double apart = hunt.radius_mm / N;
  const double delta = 2.0 * std::numbers::pi / hunt.corners_per_turn;
  const double off =
      delta * delta / 8.0 * std::hypot(hunt.radius_mm, 2.0 * hunt.radius_mm / (2.0 * std::numbers::pi * N));
  if (std::abs(hunt.spacing_mm - apart) > kRounding)
    return refuted("its hunt's turns are not as far apart as said");
  if (apart > std::numbers::sqrt2 * window_mm * (1.0 + kRounding) || 0.5 * apart + off > window_mm)
    return refuted("its hunt passes by notches: its turns are too far apart, or its corners");
  return std::nullopt;
}

/// Corners of the track, slides in mm.
std::vector<Eigen::Vector2d> track_of(const FileHunt& hunt, const std::optional<Eigen::Vector2d>& line) {
  const double h = hunt.radius_mm;
  if (line) return {Eigen::Vector2d::Zero(), h * *line, -h * *line, Eigen::Vector2d::Zero()};
  std::vector<Eigen::Vector2d> corners;
  const int all = hunt.corners_per_turn * hunt.turns;
  for (int i = 0; i <= all; ++i) {
    const double phi = 2.0 * std::numbers::pi * i / hunt.corners_per_turn;
    const double r = std::min(h, h * phi / (2.0 * std::numbers::pi * (hunt.turns - 1)));
    corners.emplace_back(r * std::cos(phi), r * std::sin(phi));
  }
  corners.emplace_back(Eigen::Vector2d::Zero());
  return corners;
}

/// The motions from corner to corner, `by` (1/mm per mm of slide) about a state.
std::vector<Step> swept(const std::vector<Eigen::Vector2d>& corners, const StateBox& centre, double by,
                        const std::shared_ptr<const Body>& body) {
  std::vector<Step> steps;
  StateBox last = centre;
  for (const Eigen::Vector2d& w : corners) {
    StateBox next = centre;
    next.u = {Interval(centre.u[0].middle() + by * w.x()), Interval(centre.u[1].middle() + by * w.y())};
    steps.push_back({last, next, body});
    last = std::move(next);
  }
  return steps;
}

Finding field_holds(const PlanInHand& hand, const FileAction& action, const std::vector<Step>& sweeps) {
  if (!hand.scene.parts.field) return std::nullopt;
  for (const Step& step : sweeps) {
    const Interval reserve = reserve_in(hand, action, *step.body, step.to);
    if (reserve.lo < 1.0 - kReserveShare)
      return refuted(fmt::format("its field keeps a reserve of {:.4g} only over the hunt", reserve.lo));
  }
  return std::nullopt;
}

Finding hunt_is_called_for(const PlanInHand& hand, const FileAction& action, bool& called_for) {
  const Body& body = *hand.bodies[action.from];
  const StateBox& open = hand.boxes[action.from];
  const bool free = region_of(body.engaged(), action.lock) == open.theta.size();
  const Interval station(hand.robot.layout.station_mm[static_cast<std::size_t>(action.lock)]);
  const double before =
      body.flexible_between(body.region_start(open.theta.size()), station, Interval(open.d_lo)).middle();
  const bool hunts =
      hand.robot.latch && hand.robot.latch->hunt_mm > 0.0 && hand.lattice.kind() != Lattice::Kind::everything;
  called_for = hunts && free && before > kNoLength_mm;
  const bool made = action.hunt && action.hunt->made;
  if (made && !called_for) return refuted("it hunts where no bend moves the slides");
  if (called_for && (!action.hunt || action.hunt->shape == "none"))
    return refuted("it engages without the hunt that the latch asks for");
  if (called_for && !made && hand.plan.reserve != 0.0)
    return refuted("a hunt is not made, and the plan does not say that its reserve is 0");
  called_for = called_for && made;
  return std::nullopt;
}

}  // namespace

Finding hunt_holds(const PlanInHand& hand, const FileAction& action, std::vector<Step>& sweeps) {
  bool made = false;
  if (auto found = hunt_is_called_for(hand, action, made); found || !made) return found;
  const FileHunt& hunt = *action.hunt;
  const LatchHardware& latch = *hand.robot.latch;
  if (std::abs(hunt.radius_mm - latch.hunt_mm) > kRounding)
    return refuted("its hunt's radius is not the latch's");
  const auto line = swept_line(hand.robot);
  if (hunt.shape != (line ? "line" : "spiral"))
    return refuted("its hunt has another shape than the latch asks for");
  if (!line)
    if (auto found = spiral_covers(hunt, latch.engage_window_mm)) return found;
  const Body& body = *hand.bodies[action.from];
  const StateBox& open = hand.boxes[action.from];
  const std::size_t free = open.theta.size();
  const Interval d(open.d_lo);
  const Interval station(hand.robot.layout.station_mm[static_cast<std::size_t>(action.lock)]);
  const double f = body.flexible(free, d).middle();
  const double f_p = body.flexible_between(body.region_start(free), station, d).middle();
  if (!(f - f_p > kNoLength_mm)) return refuted("its hunt leaves the tendons nothing to bend");
  const auto corners = track_of(hunt, line);
  const double r_b = latch.backbone_radius_mm;
  std::vector<Step> all = swept(corners, open, 1.0 / (r_b * f_p), hand.bodies[action.from]);
  if (auto found = field_holds(hand, action, all)) return found;
  const std::vector<Step> latched =
      swept(corners, hand.boxes[action.to], f / (r_b * f_p * (f - f_p)), hand.bodies[action.to]);
  if (auto found = field_holds(hand, action, latched)) return found;
  all.insert(all.end(), latched.begin(), latched.end());
  for (const Step& step : all)
    if (auto found = limits_hold(step, hand.limits)) {
      found->why = "its hunt: " + found->why;
      return found;
    }
  sweeps.insert(sweeps.end(), all.begin(), all.end());
  return std::nullopt;
}

}  // namespace withy::recheck
