// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/questions.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "planner/segment/latch.h"

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kRadPerDeg = kPi / 180.0;

// Lock bodies, mm.
constexpr double kShortestLock_mm = 0.5;
constexpr double kLongestLock_mm = 25.0;

void draw_segment(Chance& chance, const RandomChannel& channel, Segment& segment) {
  segment.length_mm = channel.body_length_mm * chance.uniform(0.8, 1.2);
  segment.radius_mm = channel.body_radius_mm;
  segment.tip_rigid_mm = chance.one_in(0.35) ? 0.0 : chance.uniform(0.01, 0.2) * segment.length_mm;
  const double most = 0.45 / segment.radius_mm;
  segment.curvature_max_per_mm = std::min(most, chance.uniform(0.6, 3.2) / segment.length_mm);
  // As a rod's: with the fourth power of the radius.
  segment.flexural_rigidity_Nmm2 = 900.0 * std::pow(segment.radius_mm / 1.5, 4);
}

/// Locks one behind the other with gaps at random.
void draw_locks(Chance& chance, int count, DesignParts& parts) {
  const Segment& segment = parts.segment;
  const double room = segment.length_mm - segment.tip_rigid_mm;
  LockHardware lock;
  lock.body_length_mm =
      std::min(chance.scaled(kShortestLock_mm, kLongestLock_mm), chance.uniform(0.3, 0.75) * room / count);
  lock.body_radius_mm = segment.radius_mm * (chance.one_in(0.5) ? 1.0 : chance.uniform(1.0, 1.3));
  // Stations shrink with the body: with its third power the magnets push one another as before.
  const double scale = std::pow(segment.radius_mm / 1.5, 3);
  lock.magnet_Am2 = 0.004 * scale;
  lock.angle_free_rad = 0.0;
  lock.angle_latched_rad = chance.uniform(40.0, 100.0) * kRadPerDeg;
  lock.switch_torque_Nmm = 0.01 * scale;
  lock.hold_torque_Nmm = chance.uniform(0.001, 0.008) * scale;
  lock.hold_moment_Nmm = segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm *
                         (chance.one_in(0.5) ? 1e3 : chance.uniform(0.5, 2.0));
  std::vector<double> gaps;
  double sum = 0.0;
  for (int i = 0; i <= count; ++i) sum += gaps.emplace_back(chance.uniform(0.02, 1.0));
  const double spare = room - count * lock.body_length_mm;
  double from = 0.0;
  for (int i = 0; i < count; ++i) {
    from += gaps[static_cast<std::size_t>(i)] / sum * spare;
    parts.layout.station_mm.push_back(from + 0.5 * lock.body_length_mm);
    parts.layout.clock_rad.push_back(chance.one_in(0.3) ? 0.0 : chance.uniform(-kPi, kPi));
    from += lock.body_length_mm;
  }
  parts.lock = lock;
}

std::vector<double> angles(int count, double first) {
  std::vector<double> out;
  for (int i = 0; i < count; ++i) out.push_back(first + 2.0 * kPi * i / count);
  return out;
}

void draw_latch(Chance& chance, int locks, bool planar, DesignParts& parts) {
  // Continuous frozen bends are two more dimensions for each lock: few of them keep questions small.
  const double friction = planar ? 0.4 : locks == 1 ? 0.12 : 0.02;
  if (chance.one_in(0.03)) return;
  LatchHardware latch;
  latch.backbone_radius_mm = 0.8 * parts.segment.radius_mm;
  const bool notched = !chance.one_in(friction);
  const double step = planar ? chance.uniform(0.1, 0.5) : chance.uniform(locks == 1 ? 0.2 : 0.35, 0.9);
  latch.notch_pitch_mm = notched ? step * latch.backbone_radius_mm : 0.0;
  const int backbones = chance.whole(2, 4);
  latch.backbone_angle_rad =
      backbones == 2 ? std::vector{0.0, 0.5 * kPi} : angles(backbones, chance.one_in(0.5) ? 0.0 : 0.25 * kPi);
  latch.backlash_mm = 0.02 * latch.backbone_radius_mm;
  latch.engage_window_mm = std::min(0.05 * latch.notch_pitch_mm, latch.backlash_mm);
  parts.latch = latch;
}

void draw_tendons(Chance& chance, bool planar, DesignParts& parts) {
  if (!planar && !chance.one_in(0.3)) return;
  const Segment& segment = parts.segment;
  TendonHardware tendons;
  tendons.radius_mm = 0.8 * segment.radius_mm;
  tendons.angle_rad = planar ? std::vector{0.0, kPi} : angles(chance.whole(3, 4), chance.uniform(0.0, 1.0));
  tendons.disk_spacing_mm = chance.one_in(0.3) ? segment.length_mm * chance.uniform(0.05, 0.2) : 0.0;
  tendons.motors = chance.one_in(0.25) ? Motors::stand : Motors::ride;
  const double bend = segment.curvature_max_per_mm * segment.length_mm;
  tendons.stroke_max_mm = tendons.radius_mm * bend * chance.uniform(0.4, 1.5);
  if (tendons.motors == Motors::stand)
    tendons.stroke_max_mm += segment.length_mm * (chance.one_in(0.3) ? chance.uniform(0.3, 1.0) : 10.0);
  const double moment = segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm;
  tendons.tension_min_N = 0.02 * moment / tendons.radius_mm;
  tendons.tension_max_N = chance.uniform(0.6, 4.0) * moment / tendons.radius_mm;
  tendons.friction_coefficient = chance.uniform(0.0, 0.15);
  parts.tendons = tendons;
}

void draw_field(Chance& chance, DesignParts& parts) {
  if (parts.layout.count() == 0 || !chance.one_in(0.35)) return;
  FieldHardware field;
  field.strength_max_mT = chance.uniform(2.6, 12.0);
  field.coil_mT_per_A = {1.8, 1.5, 2.1};
  parts.field = field;
}

DesignParts random_design(Chance& chance, const RandomChannel& channel) {
  DesignParts parts;
  draw_segment(chance, channel, parts.segment);
  const double which = chance.uniform(0.0, 1.0);
  const int locks = which < 0.3 ? 0 : which < 0.75 ? 1 : 2;
  const bool planar = chance.one_in(0.2);
  if (locks > 0) {
    draw_locks(chance, locks, parts);
    draw_latch(chance, locks, planar, parts);
  }
  draw_tendons(chance, planar, parts);
  draw_field(chance, parts);
  parts.carriage.kind = chance.one_in(0.5) ? CarriageKind::free : CarriageKind::guide;
  return parts;
}

/// Far beyond what any target needs, or so that some are only just in reach.
double random_limit(Chance& chance, const RandomChannel& channel, const Segment& segment) {
  const double deepest = channel.tubes.front().path.length_mm();
  if (chance.one_in(0.3)) return segment.length_mm + 2.0 * deepest;
  return chance.uniform(0.5, 1.15) * std::max(deepest, segment.length_mm);
}

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
  constexpr int kTries = 3;
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

/// The tip of an allowed state as the target, or just off it; false where none was found.
bool aim_at_a_state(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
                    const std::string& mesh, Question& question) {
  Draft& draft = question.draft;
  const std::filesystem::path file = folder / "aim.toml";
  write_scene(draft, mesh, file);
  const withy_plain::Robot robot = plain_robot(file);
  const auto solid = withy_plain::make_solid({draft.mesh_S.vertices, draft.mesh_S.triangles}, robot.scene);
  const TubePath& path = channel.tubes.front().path;
  const double which = chance.uniform(0.0, 1.0);
  question.known = which < 0.25  ? moved_state(chance, robot, solid)
                   : which < 0.5 ? allowed_state(chance, robot, solid)
                                 : lying_state(chance, robot, solid, path, draft.parts.latch);
  if (!question.known) return false;
  const Eigen::Isometry3d tip =
      robot.scene.X_SE * withy_plain::Body(robot, *question.known).pose_E(robot.scene.length_mm);
  draft.target.point_S = tip.translation();
  if (chance.one_in(0.35)) {
    draft.target.direction_S = tip.linear().col(2);
    draft.target.direction_tolerance_rad = chance.uniform(3.0, 25.0) * kRadPerDeg;
  }
  // As often as not the insertion it takes is all there is.
  double& most = draft.parts.carriage.insertion_max_mm;
  if (chance.one_in(0.5))
    most = std::min(most, question.known->insertion_mm * (1.0 + chance.scaled(1e-3, 0.1)));
  return true;
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

void describe(const RandomChannel& channel, bool far_limit, Question& question) {
  const DesignParts& parts = question.draft.parts;
  const int locks = parts.layout.count();
  auto& regime = question.regime;
  regime = {{"channel", name_of(channel.kind)},
            {"outlets", channel.outlets == Outlets::open ? "open"
                        : channel.open_far_ends          ? "holes, closed"
                                                         : "none"},
            {"entry rim", name_of(channel.rim)},
            {"body radius", bucket(parts.segment.radius_mm, {0.5, 1.0}, " mm")},
            {"carriage", parts.carriage.kind == CarriageKind::free ? "free" : "guide"},
            {"insertion limit", far_limit ? "far beyond" : "tight"},
            {"rigid tip", parts.segment.tip_rigid_mm > 0.0 ? "yes" : "no"},
            {"locks", std::to_string(locks)},
            {"target", question.known ? "at an allowed state" : "anywhere"}};
  if (locks > 0) {
    const bool notched = parts.latch && parts.latch->notch_pitch_mm > 0.0;
    regime.emplace_back("latch", !parts.latch ? "not given" : notched ? "notched" : "friction");
    regime.emplace_back("lock length", bucket(parts.lock->body_length_mm, {2.0, 5.0, 10.0}, " mm"));
    regime.emplace_back("lock radius",
                        parts.lock->body_radius_mm > parts.segment.radius_mm ? "thick" : "the body's");
    regime.emplace_back("field", parts.field ? "yes" : "no");
  }
  regime.emplace_back("tendons", !parts.tendons                         ? "not given"
                                 : parts.tendons->disk_spacing_mm > 0.0 ? "through disks"
                                                                        : "continuous");
}

}  // namespace

Eigen::Vector3d random_place(Chance& chance, const RandomChannel& channel) {
  const auto which = static_cast<std::size_t>(chance.whole(0, static_cast<int>(channel.tubes.size()) - 1));
  const TubeTree::Tube& tube = channel.tubes[which];
  const double length = tube.path.length_mm();
  const bool at_end = chance.one_in(0.3);  // where an open outlet may be
  const double station =
      at_end ? length - chance.uniform(0.0, 2.5) * channel.body_radius_mm : chance.uniform(0.1, 1.0) * length;
  const double off = tube.radius.at(station) * 0.8 * chance.uniform(0.0, 1.0);
  const double angle = chance.uniform(-kPi, kPi);
  return tube.path.pose(station) * Eigen::Vector3d(off * std::cos(angle), off * std::sin(angle), 0.0);
}

Question random_question(Chance& chance, const RandomChannel& channel, const std::filesystem::path& folder,
                         const std::string& mesh) {
  Question question;
  Draft& draft = question.draft;
  draft.mesh_S = channel.mesh_S;
  draft.outlets = channel.outlets;
  draft.entry = channel.entry;
  draft.required_clearance_mm = channel.required_clearance_mm;
  do {
    draft.parts = random_design(chance, channel);
    draft.parts.carriage.insertion_max_mm = random_limit(chance, channel, draft.parts.segment);
  } while (!design_faults(draft.parts).empty());
  const Segment& segment = draft.parts.segment;
  draft.target.tolerance_mm = segment.radius_mm * chance.scaled(0.1, 1.0);
  draft.target.point_S = random_place(chance, channel);
  if (chance.one_in(0.6)) aim_at_a_state(chance, channel, folder, mesh, question);
  for (int i = chance.whole(1, 2); i > 0; --i)
    question.companions_E.push_back(draft.entry.X_SE.inverse() * random_place(chance, channel));
  const bool far_limit =
      draft.parts.carriage.insertion_max_mm > segment.length_mm + channel.tubes.front().path.length_mm();
  describe(channel, far_limit, question);
  return question;
}

}  // namespace withy::consistency
