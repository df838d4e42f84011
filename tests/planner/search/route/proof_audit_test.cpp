// SPDX-License-Identifier: GPL-3.0-or-later
// An outsider's try to break a proof: states that reach the target by sampled motions and switches lie in the
// cells that the proof lists, and the start does not.
//
// Without locks: a tube along an arc from the entry plane on. A body on the free carriage that is bent like
// the arc and wholly in lies along the tube's middle: at the target, with room. Drawn back it keeps its
// shape, slides sideways into the wall and never comes out: an island of allowed states round the target.
// Bodies are placed by Shape and held to the exact wall distance (CGAL) at stations 1 mm apart, with nothing
// of the cells' bounds.
//
// With locks: random walks by the plain implementation (tests/support/plain_walks.h), whose every sample has
// to lie in a cell. That the audit would notice a missing cell is tried by passing over cells that were
// visited.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <map>
#include <optional>
#include <random>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include "planner/search/ask/scene_problem.h"
#include "planner/search/route/route_search.h"
#include "planner/segment/shape.h"
#include "tests/planner/search/route/questions.h"
#include "tests/support/plain_proof.h"
#include "tests/support/plain_walks.h"

using namespace withy;
using namespace withy::questions;

namespace {

constexpr double kBend = 0.02;
constexpr double kTubeRadius = 3.0;

struct Cell {
  double ux[2], uy[2], d[2];
  bool holds(const State& s) const {
    return s.u_free.x() >= ux[0] && s.u_free.x() <= ux[1] && s.u_free.y() >= uy[0] && s.u_free.y() <= uy[1] &&
           s.insertion_mm >= d[0] && s.insertion_mm <= d[1];
  }
};

std::vector<Cell> cells_of(const RouteSearch& search) {
  std::stringstream proof;
  search.write_reached_cells(proof);
  std::vector<Cell> cells;
  for (std::string line; std::getline(proof, line);) {
    Cell c{};
    const int read = std::sscanf(line.c_str(),
                                 R"({"engaged":[],"theta_rad":[],"curvature_low_per_mm":[%lf,%lf],)"
                                 R"("curvature_high_per_mm":[%lf,%lf],"insertion_mm":[%lf,%lf])",
                                 &c.ux[0], &c.uy[0], &c.ux[1], &c.uy[1], &c.d[0], &c.d[1]);
    CAPTURE(line);
    REQUIRE(read == 6);
    cells.push_back(c);
  }
  return cells;
}

bool allowed(const SearchProblem& asked, const State& state) {
  if (!within_limits(asked.design, state)) return false;
  const Shape shape(asked.design, state);
  for (double s = kLength; s >= 0.0; s -= 1.0) {
    const Eigen::Vector3d p = shape.point_E(s);
    if (p.z() > 0.0 && asked.distance->exact().signed_distance(p) < kRadius + kRequired) return false;
  }
  return true;
}

// ---- with locks

/// The robot of a question about a tube, as the outsider has it.
withy_plain::Robot robot_of(const SearchProblem& asked, const Tube& channel) {
  const DesignParts& parts = asked.design.parts();
  withy_plain::Robot robot;
  withy_plain::Scene& scene = robot.scene;
  scene.opening_radius_mm = channel.opening_radius_mm;
  scene.target_S = asked.goal.point_E;
  scene.target_tolerance_mm = asked.goal.tolerance_mm;
  scene.target_direction_S = asked.goal.direction_E;
  scene.target_direction_tolerance_rad = asked.goal.direction_tolerance_rad;
  scene.required_clearance_mm = asked.required_clearance_mm;
  scene.length_mm = parts.segment.length_mm;
  scene.radius_mm = parts.segment.radius_mm;
  scene.tip_rigid_mm = parts.segment.tip_rigid_mm;
  scene.curvature_max_per_mm = parts.segment.curvature_max_per_mm;
  scene.rigidity_Nmm2 = parts.segment.flexural_rigidity_Nmm2;
  scene.guide = parts.carriage.kind == CarriageKind::guide;
  scene.insertion_max_mm = parts.carriage.insertion_max_mm;
  const LockHardware& lock = *parts.lock;
  scene.lock = withy_plain::Lock{lock.body_length_mm,  lock.body_radius_mm,    lock.magnet_Am2,
                                 lock.angle_free_rad,  lock.angle_latched_rad, lock.switch_torque_Nmm,
                                 lock.hold_torque_Nmm, lock.hold_moment_Nmm};
  const LatchHardware& latch = *parts.latch;
  scene.latch = withy_plain::Latch{latch.notch_pitch_mm, latch.backbone_radius_mm, latch.engage_window_mm,
                                   latch.backlash_mm, latch.backbone_angle_rad};
  if (parts.tendons) {
    const TendonHardware& t = *parts.tendons;
    scene.tendons = withy_plain::Tendons{t.radius_mm,     t.disk_spacing_mm,       t.stroke_max_mm,
                                         t.tension_min_N, t.tension_max_N,         t.friction_coefficient,
                                         t.angle_rad,     t.motors == Motors::ride};
  }
  robot.layout = {parts.layout.station_mm, parts.layout.clock_rad};
  return robot;
}

withy_plain::Solid solid_of(const Tube& channel, const withy_plain::Robot& robot) {
  return withy_plain::make_solid({channel.mesh_S.vertices, channel.mesh_S.triangles}, robot.scene);
}

/// How much to walk, and what the walks have to come to for the audit to count.
struct AuditSize {
  int starts;        ///< walks
  int actions;       ///< tried in each
  int least_locked;  ///< switches, and as many back
  int least_inner = 0;
  int least_hidden = 0;
  std::size_t least_leaves = 2;  ///< sets of engaged locks and frozen bends (ranges of them) that were met
};

constexpr unsigned kWalkSeed = 2611;
constexpr int kMostTriesNear = 50;  // to find a state at the target near one that should do
constexpr int kMostTries = 20000;   // to find a state at the target

std::string words(const withy_plain::State& state) {
  std::stringstream out;
  out.precision(17);
  out << "insertion " << state.insertion_mm;
  for (const auto& r : state.regions)
    out << "; " << r.from_mm << " to " << r.to_mm << " mm: u = " << r.u.transpose();
  return out.str();
}

withy_plain::Proof proof_of(const SearchProblem& asked, const withy_plain::Robot& robot) {
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  std::stringstream lines;
  search.write_reached_cells(lines);
  return {lines, robot};
}

/// Walks from states at the target: the one that is known, or else such as are found, half by chance alone
/// and half beginning in cells of the proof.
withy_plain::Walks walks_from_target(const withy_plain::Robot& robot, const withy_plain::Solid& solid,
                                     const withy_plain::Proof& proof,
                                     const std::optional<withy_plain::State>& known, const AuditSize& size) {
  withy_plain::Walker walker(robot, solid, kWalkSeed);
  std::mt19937 random(kWalkSeed);
  withy_plain::Walks walks;
  for (int i = 0; i < (known ? kMostTriesNear : kMostTries) && walks.starts < size.starts; ++i) {
    const auto near = known ? known : i % 2 == 0 ? walker.random_state() : proof.random_state(random);
    const auto from = near ? walker.state_at_target(*near) : std::nullopt;
    if (from) walker.walk(*from, size.actions, walks);
  }
  return walks;
}

using Met = std::map<withy_plain::Proof::Place, std::vector<std::size_t>>;

/// The cells in which walks were, each with the samples found in it.
Met cells_met(const withy_plain::Proof& proof, const withy_plain::Walks& walks) {
  Met met;
  for (std::size_t i = 0; i < walks.visited.size(); ++i) {
    const auto place = proof.place_of(walks.visited[i]);
    CAPTURE(i, words(walks.visited[i]), words(walks.visited[i == 0 ? 0 : i - 1]));
    REQUIRE(place);
    met[*place].push_back(i);
  }
  return met;
}

/// Would the audit fail if a cell were missing from the proof? Not where walks were on the rim of a cell
/// only, which its neighbour holds as well.
void check_that_gaps_show(const withy_plain::Proof& proof, const withy_plain::Walks& walks, const Met& met) {
  int noticed = 0;
  for (const auto& [place, samples] : met)
    noticed += std::any_of(samples.begin(), samples.end(), [&, gap = place](std::size_t i) {
      return !proof.place_of(walks.visited[i], gap);
    });
  CAPTURE(noticed, met.size());
  CHECK(noticed > 0.9 * static_cast<double>(met.size()));
}

void audit(const SearchProblem& asked, const withy_plain::Robot& robot, const withy_plain::Solid& solid,
           const std::optional<withy_plain::State>& known, const AuditSize& size) {
  const withy_plain::Proof proof = proof_of(asked, robot);
  const withy_plain::Walker outsider(robot, solid, kWalkSeed);
  withy_plain::State start;
  start.locked.assign(static_cast<std::size_t>(robot.locks()), false);
  start.regions.push_back({0.0, robot.scene.length_mm, Eigen::Vector2d::Zero()});
  REQUIRE(outsider.allowed(start));
  CHECK_FALSE(proof.place_of(start));

  const withy_plain::Walks walks = walks_from_target(robot, solid, proof, known, size);
  CAPTURE(kWalkSeed, proof.size(), walks.visited.size());
  const Met met = cells_met(proof, walks);
  std::set<std::size_t> leaves;
  for (const auto& [place, samples] : met) leaves.insert(place.leaf);
  CHECK(walks.starts == size.starts);
  CHECK(walks.locked >= size.least_locked);
  CHECK(walks.unlocked >= size.least_locked);
  CHECK(walks.inner >= size.least_inner);
  CHECK(walks.hidden >= size.least_hidden);
  CHECK(leaves.size() >= size.least_leaves);
  check_that_gaps_show(proof, walks, met);
}

withy_plain::State plain(const Design& design, const State& state) {
  withy_plain::State out;
  out.insertion_mm = state.insertion_mm;
  for (int i = 0; i < design.lock_count(); ++i)
    out.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  for (const Region& r : regions_of(design, state)) out.regions.push_back({r.from_mm, r.to_mm, r.u});
  return out;
}

/// Asks for the tip's place and direction in a state, closely, so that other sets of frozen bends come into a
/// proof by switches alone.
void audit_aimed_at(const State& state, const Design& design, const Tube& channel, const AuditSize& size) {
  const Eigen::Isometry3d tip = Shape(design, state).tip_E();
  SearchProblem asked = question(design, channel, tip.translation(), 0.6);
  asked.goal.direction_E = tip.linear().col(2);
  asked.goal.direction_tolerance_rad = 0.05;
  const withy_plain::Robot robot = robot_of(asked, channel);
  audit(asked, robot, solid_of(channel, robot), plain(design, state), size);
}

/// The latchable bend sum nearest to one.
Eigen::Vector2d nearest_latchable(const Design& design, const Eigen::Vector2d& wish) {
  if (design.latch()->notch_pitch_mm <= 0.0) return wish;
  const auto bends = lattice_points(*design.latch(), wish, 0.2);
  return *std::min_element(bends.begin(), bends.end(), [&](const auto& a, const auto& b) {
    return (a - wish).norm() < (b - wish).norm();
  });
}

/// The arc that a body can lie in and not come out of, for a segment with locks, all engaged.
void audit_in_arc(const Design& design, double curvature, const AuditSize& size) {
  const Tube channel = tube({{80.0, Eigen::Vector2d(curvature, 0.0)}}, {{0.0, kTubeRadius}}, 0.8);
  State state;
  state.insertion_mm = kLength;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (int lock = 0; lock < design.lock_count(); ++lock) {
    state.engaged.set(static_cast<std::size_t>(lock));
    // As far as the arc turns up to there, though locks stay straight.
    const double most = kCurvatureMax * design.flexible_length(0.0, design.station_mm(lock));
    const Eigen::Vector2d along(std::min(curvature * design.station_mm(lock), 0.95 * most), 0.0);
    state.theta_frozen.push_back(nearest_latchable(design, along) - sum);
    sum += state.theta_frozen.back();
  }
  const double last = design.station_mm(design.lock_count() - 1);
  state.u_free = (Eigen::Vector2d(curvature * kLength, 0.0) - sum) / design.flexible_length(last, kLength);
  audit_aimed_at(state, design, channel, size);
}

/// A chamber behind a ring that lets the body through and no thick lock.
constexpr double kThickLock = 2.3;
Tube ringed() {
  return tube({{66.0, Eigen::Vector2d::Zero()}},
              {{0.0, 5.0}, {3.0, 5.0}, {5.0, 2.0}, {10.0, 2.0}, {13.0, 6.0}, {66.0, 6.0}}, 0.9);
}

/// With a tip that bends to its end.
Design bending_to_the_tip(std::vector<double> stations, double notch_pitch) {
  SegmentMakeup makeup{CarriageKind::free, std::move(stations), notch_pitch};
  makeup.tip_rigid = 0.0;
  return segment(makeup);
}

/// With two tendons, which bend it in one plane.
Design in_one_plane(const Design& design) {
  DesignParts parts = design.parts();
  parts.tendons = TendonHardware{1.2, {0.0, M_PI}, 0.0, 8.0, 0.1, 40.0, 0.05, Motors::ride};
  return *Design::make(parts);
}

}  // namespace

TEST_CASE("No state that reaches the target by sampled motions lies outside the cells of a proof") {
  const Tube channel = tube({{80.0, Eigen::Vector2d(kBend, 0.0)}}, {{0.0, kTubeRadius}});
  SegmentMakeup makeup;
  makeup.tip_rigid = 0.0;
  const double turn = kBend * kLength;
  const SearchProblem asked =
      question(segment(makeup), channel, {(1.0 - std::cos(turn)) / kBend, 0.0, std::sin(turn) / kBend});
  RouteSearchSettings settings;
  settings.effort = Effort::of_work(20000000);
  RouteSearch search(asked, settings);
  REQUIRE(search.run(asked.goal) == SearchOutcome::proved_none);
  const std::vector<Cell> cells = cells_of(search);
  const auto listed = [&](const State& state) {
    return std::any_of(cells.begin(), cells.end(), [&](const Cell& cell) { return cell.holds(state); });
  };
  CHECK_FALSE(listed(start_state()));

  State at_target;
  at_target.insertion_mm = kLength;
  at_target.u_free = {kBend, 0.0};
  REQUIRE(asked.goal.holds(Shape(asked.design, at_target).tip_E()));
  REQUIRE(allowed(asked, at_target));
  REQUIRE(listed(at_target));

  const unsigned seed = 2511;
  CAPTURE(seed, cells.size());
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  State at = at_target;
  double farthest_mm = 0.0;
  int walked = 0;
  for (int step = 0; step < 1500; ++step) {
    State to = at;
    to.insertion_mm += 0.4 * uniform(random);
    to.u_free += 8e-4 * Eigen::Vector2d(uniform(random), uniform(random));
    bool goes = true;
    for (const double t : {0.25, 0.5, 0.75, 1.0}) goes = goes && allowed(asked, interpolate(at, to, t));
    if (!goes) continue;
    at = to;
    ++walked;
    farthest_mm = std::max(farthest_mm, std::abs(at.insertion_mm - kLength));
    CAPTURE(step, at.insertion_mm, at.u_free.transpose());
    REQUIRE(listed(at));
  }
  CHECK(walked > 300);
  CHECK(farthest_mm > 1.0);  // the walk got about
}

TEST_CASE("No walk from the target by motions and switches of one lock leaves the cells of a proof") {
  audit_in_arc(bending_to_the_tip({30.0}, 0.05), kBend, {4, 400, 20, 0, 0, 4});
}

TEST_CASE("Nor one with two locks, which lock and release between and behind one another") {
  // Flexible lengths of 16 mm before and between the locks: what both freeze may be alike.
  audit_in_arc(bending_to_the_tip({18.0, 38.0}, 0.1), kBend, {4, 400, 100, 30, 0, 5});
}

TEST_CASE("Nor one out of a guide, with a lock still inside it or not") {
  const Tube channel = ringed();
  const SearchProblem asked =
      question(segment({CarriageKind::guide, {6.0, 24.0}, 0.2, kThickLock}), channel, {3.0, 0.0, 54.0});
  const withy_plain::Robot robot = robot_of(asked, channel);
  audit(asked, robot, solid_of(channel, robot), std::nullopt, {4, 400, 200, 100, 100, 3});
}

TEST_CASE("Nor one with a friction lock, which freezes any bend of a plane") {
  audit_in_arc(in_one_plane(bending_to_the_tip({30.0}, 0.0)), kBend, {4, 400, 100, 0, 0, 10});
}

TEST_CASE("Nor one with a friction lock, which freezes any bend at all") {
  audit_in_arc(bending_to_the_tip({14.0}, 0.0), 0.035, {4, 400, 50, 0, 0, 12});
}

TEST_CASE("Nor one in a shipped scene, with its tendons, field and the target's direction") {
  const std::filesystem::path file =
      std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/double-bend/scene.toml";
  const auto prepared = prepare_scene(file);
  REQUIRE(prepared);
  const auto asked = make_problem(*prepared, 2);
  REQUIRE(asked);
  withy_plain::Robot robot;
  robot.scene = withy_plain::read_scene(file.string());
  robot.layout = robot.scene.layouts.at(2);
  const auto mesh = withy_plain::read_mesh(robot.scene.mesh_path, robot.scene.mm_per_unit);
  audit(*asked, robot, withy_plain::make_solid(mesh, robot.scene), std::nullopt, {1, 1500, 150, 0, 0, 5});
}
