// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/questions.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "geometry/numbers/numbers.h"
#include "planner/segment/latch.h"
#include "tools/bench/consistency/designs.h"

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;

/// How far the tip is past the entry plane.
double tip_depth(const withy_plain::Robot& robot, const withy_plain::State& state) {
  return withy_plain::Body(robot, state).point_E(robot.scene.length_mm).z();
}

/// A state that the plain implementation allows, reaching in, when chance brings one.
std::optional<withy_plain::State> allowed_state(Chance& chance, const withy_plain::Robot& robot,
                                                const withy_plain::Solid& solid) {
  constexpr int kTries = 250;
  withy_plain::Walker walker(robot, solid, static_cast<unsigned>(chance.seed()));
  for (int i = 0; i < kTries; ++i) {
    const auto state = walker.random_state();
    if (!state || state->insertion_mm < 0.2 * robot.scene.insertion_max_mm) continue;
    if (tip_depth(robot, *state) > 0.0 && walker.allowed(*state)) return state;
  }
  return std::nullopt;
}

/// The deepest of a few that were moved out of the wall: such states may be islands, from which no way leads.
std::optional<withy_plain::State> moved_state(Chance& chance, withy_plain::Robot robot,
                                              const withy_plain::Solid& solid) {
  constexpr int kTries = 4;
  robot.scene.target_tolerance_mm = 1e6;  // anywhere will do
  withy_plain::Walker walker(robot, solid, static_cast<unsigned>(chance.seed()));
  std::optional<withy_plain::State> deepest;
  for (int i = 0; i < kTries; ++i) {
    const auto near = walker.random_state();
    const auto state = near && tip_depth(robot, *near) > 0.0 ? walker.state_at_target(*near) : std::nullopt;
    if (state && tip_depth(robot, *state) > (deepest ? tip_depth(robot, *deepest) : 0.0)) deepest = state;
  }
  return deepest;
}

/// The bend that a tube makes between two stations, as a bending angle vector in its frame at the first.
Eigen::Vector2d bend_of(const TubePath& path, double from_mm, double to_mm) {
  const Eigen::Vector3d t = path.pose(from_mm).linear().transpose() * path.pose(to_mm).linear().col(2);
  const double across = t.head<2>().norm();
  if (across == 0.0) return Eigen::Vector2d::Zero();
  return std::atan2(across, t.z()) / across * t.head<2>();
}

/// The latchable bend nearest to one.
Eigen::Vector2d latchable_near(const std::optional<LatchHardware>& latch, const Eigen::Vector2d& wish) {
  if (!latch || latch->notch_pitch_mm <= 0.0) return wish;
  const double about_rad = 2.0 * latch->notch_pitch_mm / latch->backbone_radius_mm;
  const auto bends = lattice_points(*latch, wish, about_rad);
  if (bends.empty()) return Eigen::Vector2d::Zero();
  return *std::min_element(bends.begin(), bends.end(), [&](const auto& a, const auto& b) {
    return (a - wish).norm() < (b - wish).norm();
  });
}

/// A state along the tube, bent as the tube is as far as the notches allow.
withy_plain::State state_along(Chance& chance, const withy_plain::Robot& robot, const TubePath& path,
                               const std::optional<LatchHardware>& latch) {
  withy_plain::State state;
  state.insertion_mm = chance.uniform(0.6, 1.0) * std::min(robot.scene.insertion_max_mm, path.length_mm());
  const double behind = robot.scene.length_mm - state.insertion_mm;
  double from = 0.0;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int lock = 0; lock <= robot.locks(); ++lock) {
    const bool last = lock == robot.locks();
    if (!last) state.locked.push_back(chance.one_in(0.8));
    if (!last && !state.locked.back()) continue;
    const double to = last ? robot.scene.length_mm : robot.layout.station_mm[static_cast<std::size_t>(lock)];
    const double f = withy_plain::flexible_length(robot, state.insertion_mm, from, to);
    Eigen::Vector2d bend = bend_of(path, from - behind, to - behind);
    bend *= std::min(1.0, 0.99 * f * robot.scene.curvature_max_per_mm / std::max(bend.norm(), 1e-12));
    if (!last) bend = latchable_near(latch, sum + bend) - sum;
    const bool bends = f > 1e-6;
    state.regions.push_back({from, to, bends ? Eigen::Vector2d(bend / f) : Eigen::Vector2d::Zero()});
    if (bends) sum += bend;
    from = to;
  }
  return state;
}

/// An allowed one of them: where the body can't come out again, its tip is a target on an island.
std::optional<withy_plain::State> lying_state(Chance& chance, withy_plain::Robot robot,
                                              const withy_plain::Solid& solid, const TubePath& path,
                                              const std::optional<LatchHardware>& latch) {
  constexpr int kTries = 8;
  robot.scene.target_tolerance_mm = 1e6;  // anywhere will do
  withy_plain::Walker walker(robot, solid, static_cast<unsigned>(chance.seed()));
  for (int i = 0; i < kTries; ++i)
    if (const auto found = walker.state_at_target(state_along(chance, robot, path, latch))) return found;
  return std::nullopt;
}

withy_plain::Robot plain_robot(const std::filesystem::path& scene_file) {
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(scene_file.string());
  if (!robot.scene.layouts.empty()) robot.layout = robot.scene.layouts.begin()->second;
  return robot;
}

/// A way from the start towards some place of the lumen, as far as it got.
std::vector<withy_plain::State> walked_way(Chance& chance, withy_plain::Robot robot,
                                           const withy_plain::Solid& solid, const RandomChannel& channel) {
  constexpr long kLooks = 700;
  robot.scene.target_S = random_place(chance, channel, static_cast<Place>(chance.whole(0, 2)));
  robot.scene.target_direction_S.reset();
  withy_plain::Walker walker(robot, solid, static_cast<unsigned>(chance.seed()));
  return walker.way_in(kLooks);
}

Eigen::Vector3d random_direction(Chance& chance) {
  return chance.pose(0.0).linear().col(2);
}

/// The place of the tip in an allowed state, in S.
Eigen::Isometry3d tip_S(const withy_plain::Robot& robot, const withy_plain::State& state) {
  return robot.scene.X_SE * withy_plain::Body(robot, state).pose_E(robot.scene.length_mm);
}

/// The wall leaves these states little more than is required from now on: whether a way leads there, or on
/// from there, is then a close question.
void require_what_is_kept(Chance& chance, const withy_plain::Robot& robot, const withy_plain::Solid& solid,
                          const std::vector<withy_plain::State>& states, Draft& draft) {
  const withy_plain::Walker walker(robot, solid, 0);
  double spare = walker.spare_mm(states.back());
  for (const auto& state : states) {
    if (!(spare > 0.0)) return;
    spare = std::min(spare, walker.spare_mm(state));
  }
  if (spare > 0.0 && spare < 10.0 * robot.scene.radius_mm)
    draft.required_clearance_mm += chance.uniform(0.7, 0.99) * spare;
}

void limit_insertion(Chance& chance, double needed_mm, DesignParts& parts) {
  double& most = parts.carriage.insertion_max_mm;
  // As often as not the insertion it takes is all there is.
  if (chance.one_in(0.5)) most = std::min(most, needed_mm * (1.0 + chance.scaled(1e-3, 0.1)));
}

/// The tip of an allowed state as the target; false where none was found.
bool aim_at_a_state(Chance& chance, const RandomChannel& channel, const withy_plain::Robot& robot,
                    const withy_plain::Solid& solid, Question& question) {
  Draft& draft = question.draft;
  const double which = chance.uniform(0.0, 1.0);
  const bool lies = which >= 0.4;
  question.known = which < 0.2 ? moved_state(chance, robot, solid)
                   : !lies     ? allowed_state(chance, robot, solid)
                           : lying_state(chance, robot, solid, channel.tubes.front().path, draft.parts.latch);
  if (!question.known) return false;
  const Eigen::Isometry3d tip = tip_S(robot, *question.known);
  draft.target.point_S = tip.translation();
  // Nothing but that state, or one much like it, is to be at the target of a body that lies along the tube.
  if (lies) draft.target.tolerance_mm *= chance.uniform(0.1, 0.5);
  if (chance.one_in(lies ? 0.7 : 0.35)) {
    draft.target.direction_S = tip.linear().col(2);
    draft.target.direction_tolerance_rad = chance.uniform(3.0, 25.0) * kRadiansPerDegree;
  }
  limit_insertion(chance, question.known->insertion_mm, draft.parts);
  if (lies || chance.one_in(0.5)) require_what_is_kept(chance, robot, solid, {*question.known}, draft);
  question.aim = Aim::allowed_state;
  return true;
}

/// A target near where a walk from the start got to: within the tolerance of it, so that the walk is a proof,
/// or just outside; false where the walk got nowhere.
bool aim_at_a_walk(Chance& chance, const RandomChannel& channel, const withy_plain::Robot& robot,
                   const withy_plain::Solid& solid, Question& question) {
  constexpr double kSurely = 0.95;  // of the tolerance
  Draft& draft = question.draft;
  std::vector<withy_plain::State> way = walked_way(chance, robot, solid, channel);
  if (way.empty() || !(tip_depth(robot, way.back()) > 0.0)) return false;
  const double off = chance.uniform(0.0, 1.6) * draft.target.tolerance_mm;
  const Eigen::Isometry3d tip = tip_S(robot, way.back());
  const Eigen::Vector3d ahead = chance.one_in(0.5) ? tip.linear().col(2) : random_direction(chance);
  draft.target.point_S = tip.translation() + off * ahead;
  double needed_mm = 0.0;
  for (const auto& state : way) needed_mm = std::max(needed_mm, state.insertion_mm);
  limit_insertion(chance, needed_mm, draft.parts);
  const bool proves = off <= kSurely * draft.target.tolerance_mm;
  question.aim = proves ? Aim::walked_state : Aim::beyond_a_walk;
  if (!proves) return true;
  if (chance.one_in(0.5)) require_what_is_kept(chance, robot, solid, way, draft);
  question.known = way.back();
  question.known_way = std::move(way);
  return true;
}

/// Where the target is: at a place, at an allowed state, or where a walk leads.
void aim(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
         const std::string& mesh, Question& question) {
  Draft& draft = question.draft;
  const auto place = static_cast<Place>(chance.whole(0, 2));
  draft.target.point_S = random_place(chance, channel, place);
  question.aim = place == Place::anywhere ? Aim::anywhere : place == Place::far_end ? Aim::far_end : Aim::rim;
  const double which = chance.uniform(0.0, 1.0);
  if (which > 0.75) return;
  const std::filesystem::path file = folder / "aim.toml";
  write_scene(draft, mesh, file);
  const withy_plain::Robot robot = plain_robot(file);
  const auto solid = withy_plain::make_solid({draft.mesh_S.vertices, draft.mesh_S.triangles}, robot.scene);
  if (which < 0.4)
    aim_at_a_state(chance, channel, robot, solid, question);
  else
    aim_at_a_walk(chance, channel, robot, solid, question);
  if (question.known_way.empty()) return;
  // Another state of the way is as surely reached.
  const auto i = static_cast<std::size_t>(chance.whole(0, static_cast<int>(question.known_way.size()) - 1));
  if (draft.target.direction_S) return;
  question.companions_E.push_back(
      withy_plain::Body(robot, question.known_way[i]).point_E(robot.scene.length_mm));
  question.companion_is_reached = true;
}

std::string bucket(double value, std::initializer_list<double> limits, const char* unit) {
  double low = 0.0;
  for (const double limit : limits) {
    if (value < limit)
      return std::to_string(low).substr(0, 4) + " to " + std::to_string(limit).substr(0, 4) + unit;
    low = limit;
  }
  return "from " + std::to_string(low).substr(0, 4) + unit;
}

void describe(const RandomChannel& channel, LocksLie lie, bool far_limit, Question& question) {
  const DesignParts& parts = question.draft.parts;
  const int locks = parts.layout.count();
  auto& regime = question.regime;
  regime = {
      {"channel", name_of(channel.kind)},
      {"outlets", channel.outlets == Outlets::open ? "open"
                  : channel.open_far_ends          ? "holes, closed"
                                                   : "none"},
      {"entry rim", name_of(channel.rim)},
      {"body radius", bucket(parts.segment.radius_mm, {0.5, 1.0}, " mm")},
      {"carriage", parts.carriage.kind == CarriageKind::free ? "free" : "guide"},
      {"insertion limit", far_limit ? "far beyond" : "tight"},
      {"rigid tip", parts.segment.tip_rigid_mm > 0.0 ? "yes" : "no"},
      {"locks", std::to_string(locks)},
      {"target", name_of(question.aim)},
      {"base", far_limit || parts.carriage.insertion_max_mm > 1.2 * parts.segment.length_mm ? "may be far in"
                                                                                            : "stays out"}};
  if (locks > 0) {
    const bool notched = parts.latch && parts.latch->notch_pitch_mm > 0.0;
    regime.emplace_back("latch", !parts.latch ? "not given" : notched ? "notched" : "friction");
    regime.emplace_back("lock length", bucket(parts.lock->body_length_mm, {2.0, 5.0, 10.0}, " mm"));
    regime.emplace_back("lock radius",
                        parts.lock->body_radius_mm > parts.segment.radius_mm ? "thick" : "the body's");
    regime.emplace_back("lock bodies", name_of(lie));
    regime.emplace_back("field", parts.field ? "yes" : "no");
  }
  regime.emplace_back("tendons", !parts.tendons                         ? "not given"
                                 : parts.tendons->disk_spacing_mm > 0.0 ? "through disks"
                                                                        : "continuous");
}

}  // namespace

Eigen::Vector3d random_place(Chance& chance, const RandomChannel& channel, Place place) {
  const auto which = static_cast<std::size_t>(chance.whole(0, static_cast<int>(channel.tubes.size()) - 1));
  const TubeTree::Tube& tube = channel.tubes[place == Place::rim ? 0 : which];
  const double length = tube.path.length_mm();
  double station = chance.uniform(0.1, 1.0) * length;
  if (place == Place::far_end) station = length - chance.uniform(0.0, 2.0) * channel.body_radius_mm;
  if (place == Place::rim)
    station = channel.entry.X_SE.translation().z() + chance.uniform(0.0, 2.5) * channel.body_radius_mm;
  // Mostly where a body has room, or a little beyond.
  const double lumen = tube.radius.at(station);
  const double room = std::max(0.0, lumen - channel.body_radius_mm - channel.required_clearance_mm);
  const double off = chance.one_in(0.8) ? std::min(0.9 * lumen, room * chance.uniform(0.0, 1.2))
                                        : lumen * chance.uniform(0.0, 0.9);
  const double angle = chance.uniform(-kPi, kPi);
  return tube.path.pose(station) * Eigen::Vector3d(off * std::cos(angle), off * std::sin(angle), 0.0);
}

Eigen::Vector3d place_past_an_end(Chance& chance, const RandomChannel& channel) {
  const auto which = static_cast<std::size_t>(chance.whole(0, static_cast<int>(channel.tubes.size()) - 1));
  const TubeTree::Tube& tube = channel.tubes[which];
  const double length = tube.path.length_mm();
  const double off = tube.radius.at(length) * chance.uniform(0.0, 0.9);
  const double angle = chance.uniform(-kPi, kPi);
  return tube.path.pose(length) * Eigen::Vector3d(off * std::cos(angle), off * std::sin(angle),
                                                  chance.uniform(0.0, 1.0) * channel.body_radius_mm);
}

const char* name_of(Aim aim) {
  constexpr const char* kNames[] = {"anywhere",         "at a far end",
                                    "at the entry rim", "at an allowed state",
                                    "at a walk's end",  "just past a walk's end"};
  return kNames[static_cast<int>(aim)];
}

Question random_question(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
                         const std::string& mesh) {
  Question question;
  Draft& draft = question.draft;
  draft.mesh_S = channel.mesh_S;
  draft.outlets = channel.outlets;
  draft.entry = channel.entry;
  draft.required_clearance_mm = channel.required_clearance_mm;
  RandomDesign design = random_design(chance, channel);
  draft.parts = std::move(design.parts);
  const Segment& segment = draft.parts.segment;
  draft.target.tolerance_mm = segment.radius_mm * chance.scaled(0.1, 1.0);
  aim(chance, channel, folder, mesh, question);
  for (int i = chance.whole(1, 2); i > 0; --i)
    question.companions_E.push_back(
        draft.entry.X_SE.inverse() *
        (chance.one_in(0.3) ? place_past_an_end(chance, channel)
                            : random_place(chance, channel, static_cast<Place>(chance.whole(0, 2)))));
  const bool far_limit =
      draft.parts.carriage.insertion_max_mm > segment.length_mm + channel.tubes.front().path.length_mm();
  describe(channel, design.lie, far_limit, question);
  return question;
}

}  // namespace withy::consistency
