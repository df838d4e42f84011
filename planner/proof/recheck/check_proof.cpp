// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/check_proof.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "planner/proof/recheck/conditions.h"
#include "planner/proof/recheck/stations_near.h"

namespace withy::recheck {
namespace {

// Numbers of a target on their way into the entry frame: lengths of up to 1e3 mm in double precision.
constexpr double kPlaceRounding_mm = 1e-9;
constexpr double kDirectionRounding_rad = 1e-9;
// Guesses of D are kept this far apart, in body radii.
constexpr double kGuessGrain = 0.5;
// Tendons whose directions have a component below this lie along an axis of the section.
constexpr double kAlongAxis = 1e-9;

bool close(double a, double b, double scale) {
  return std::abs(a - b) <= 1e-9 * std::max(1.0, scale);
}

GoalRegion region_of(const ProvedTarget& target, const Scene& scene) {
  GoalRegion goal;
  goal.point_E = scene.entry.X_SE.inverse() * target.point_S;
  goal.tolerance_mm = target.tolerance_mm + kPlaceRounding_mm;
  if (target.direction_S) {
    goal.direction_E = scene.entry.X_SE.linear().transpose() * *target.direction_S;
    goal.direction_tolerance_rad = target.direction_tolerance_rad + kDirectionRounding_rad;
  }
  return goal;
}

bool is_scenes_target(const ProvedTarget& target, const Target& scenes) {
  if (target.point_S != scenes.point_S) return false;  // decimals that read back as the same number
  if (target.tolerance_mm < scenes.tolerance_mm) return false;
  if (!target.direction_S) return true;  // any direction: more states than asked about
  return scenes.direction_S &&
         (*target.direction_S - *scenes.direction_S).norm() < 0.5 * kDirectionRounding_rad &&
         target.direction_tolerance_rad >= scenes.direction_tolerance_rad * (1.0 - 1e-12);
}

/// What is wrong with the header for this scene; empty: nothing.
std::string header_fault(const CertificateHeader& header, const Scene& scene, const Channel& channel,
                         double asked_mm) {
  if (header.scene_sha256 != scene.sha256)
    return "it was made for another scene file (its hash is not this one's)";
  if (header.mesh_sha256 != scene.mesh_sha256)
    return "it was made for another mesh (its hash is not this one's)";
  if (header.via && *header.via >= scene.vias.size())
    return fmt::format("the scene has no place to pass {}", *header.via + 1);
  const Target& scenes = header.via ? scene.vias[*header.via] : scene.target;
  if (header.claim != "targets" &&
      (header.targets.size() != 1 || !is_scenes_target(header.targets[0], scenes)))
    return header.via ? fmt::format("its target is not the scene's place to pass {}", *header.via + 1)
                      : "its target is not the scene's";
  if (header.required_clearance_mm > asked_mm)
    return fmt::format("it is about {:.4g} mm of clearance, asked for are {:.4g}",
                       header.required_clearance_mm, asked_mm);
  if (!header.uses("clearance") && header.required_clearance_mm != 0.0)
    return "it asks for a clearance and uses none";
  // Caps: a second reader of the mesh must have closed it in the same places.
  if (header.openings.size() != channel.openings.size())
    return fmt::format("it counts {} openings of the mesh, here are {}", header.openings.size(),
                       channel.openings.size());
  for (std::size_t i = 0; i < header.openings.size(); ++i) {
    const CertificateOpening& said = header.openings[i];
    const Opening& is = channel.openings[i];
    const Eigen::Vector3d centre_S = scene.entry.X_SE * is.centre_E;
    if (said.entry != is.is_entry || !close(said.radius_mm, is.radius_mm, is.radius_mm) ||
        (said.centre_S - centre_S).norm() > 1e-6)
      return fmt::format("opening {} of the mesh is not where it says", i + 1);
  }
  return "";
}

/// The component of every bend that the tendons hold at 0; -1 where they don't.
int pinned_by(const Robot& robot, const LimitsUsed& used) {
  if (!used.tendons || !robot.tendons || robot.tendons->angle_rad.empty()) return -1;
  for (const int across : {0, 1}) {
    const auto along = [&](double beta) {
      return std::abs(across == 0 ? std::cos(beta) : std::sin(beta)) < kAlongAxis;
    };
    if (std::all_of(robot.tendons->angle_rad.begin(), robot.tendons->angle_rad.end(), along)) return across;
  }
  return -1;
}

Result<Design> design_at(const Scene& scene, const ProvedLayout& layout) {
  DesignParts parts = scene.parts;
  parts.layout.station_mm = layout.station_mm;
  parts.layout.clock_rad = layout.clock_rad.value_or(std::vector<double>(layout.station_mm.size(), 0.0));
  auto design = Design::make(std::move(parts));
  if (design) return std::move(*design);
  return tl::unexpected<InputError>(scene.error_at("layout", design.error().problem, design.error().remedy));
}

}  // namespace

int leaf_coordinate(const Leaf& leaf, int k) {
  if (k < 3) return k;
  switch (leaf.per_lock()) {
    case 0:
      return -1;
    case 1:
      return 3 + (k - 3) / 2;
    default:
      return k;
  }
}

Cell whole_of(const Inquiry& inquiry, const Leaf& leaf) {
  const Robot& robot = inquiry.robot;
  const double kappa = robot.segment.curvature_max_per_mm;
  Cell cell;
  cell.dimensions = leaf.dimensions();
  cell.low = {0.0, -kappa, -kappa};
  cell.high = {robot.insertion_max_mm, kappa, kappa};
  std::size_t k = 3;
  for (std::size_t r = 0; r < leaf.name().size(); ++r) {
    const double most =
        (Interval(kappa * (1.0 + 4e-9)) * leaf.body().flexible(r, Interval(robot.insertion_max_mm))).hi;
    for (int c = 0; c < leaf.per_lock(); ++c, ++k) {
      cell.low[k] = -most;
      cell.high[k] = most;
    }
  }
  if (inquiry.pinned >= 0) {
    const auto p = static_cast<std::size_t>(inquiry.pinned);
    cell.low[1 + p] = cell.high[1 + p] = 0.0;
    if (leaf.per_lock() == 2)
      for (std::size_t r = 0; r < leaf.name().size(); ++r)
        cell.low[3 + 2 * r + p] = cell.high[3 + 2 * r + p] = 0.0;
  }
  return cell;
}

Cell climbed(Cell point, const Cell& within, const std::function<double(const Cell&)>& score) {
  constexpr int kRounds = 14;
  constexpr int kMovesPerRound = 8;
  for (std::size_t k = 0; k < static_cast<std::size_t>(point.dimensions); ++k)
    point.low[k] = point.high[k] =
        std::clamp(0.5 * (point.low[k] + point.high[k]), within.low[k], within.high[k]);
  double best = score(point);
  double share = 0.125;
  for (int round = 0; round < kRounds; ++round, share *= 0.5)
    for (int move = 0; move < kMovesPerRound; ++move) {
      const double before = best;
      for (int k = 0; k < point.dimensions; ++k)
        for (const double side : {-1.0, 1.0}) {
          const auto at = static_cast<std::size_t>(k);
          Cell next = point;
          const double x = point.low[at] + side * share * (within.high[at] - within.low[at]);
          next.low[at] = next.high[at] = std::clamp(x, within.low[at], within.high[at]);
          const double found = score(next);
          if (found > best) {
            best = found;
            point = next;
          }
        }
      if (!(best > before)) break;
    }
  return point;
}

void check_start(const Inquiry& inquiry) {
  const Leaves::Entry* entry = inquiry.leaves.find({});
  if (entry == nullptr) return;
  Cell start;
  start.dimensions = 3;
  for (const Cover& cover : entry->levels)
    if (cover.about(start) != Cover::Says::out)
      inquiry.gathered.does_not_hold(
          "the start is among the states that the target is said to be reached from");
}

Result<Robot> robot_of(const Scene& scene, int locks, double clearance_mm,
                       const std::optional<ProvedLayout>& layout) {
  const auto design = layout ? design_at(scene, *layout) : scene.design(locks);
  if (!design) return tl::unexpected(design.error());
  const DesignParts& parts = design->parts();
  Robot robot;
  robot.segment = parts.segment;
  robot.lock = parts.lock;
  robot.layout = parts.layout;
  robot.latch = parts.latch;
  robot.tendons = parts.tendons;
  robot.guide = parts.carriage.kind == CarriageKind::guide;
  robot.insertion_max_mm = parts.carriage.insertion_max_mm;
  robot.clearance_mm = clearance_mm;
  return robot;
}

ProofReport check_proof(const Certificate& certificate, const Scene& scene, const WallDistance& distance,
                        const CheckSettings& settings) {
  const CertificateHeader& header = certificate.header;
  ProofReport report;
  const auto refuse = [&](const std::string& why) {
    report.outcome = {Verdict::does_not_hold, why};
    return report;
  };
  const double asked_mm = settings.clearance_mm.value_or(scene.required_clearance_mm);
  if (const std::string fault = header_fault(header, scene, distance.channel(), asked_mm); !fault.empty())
    return refuse(fault);
  auto robot = robot_of(scene, header.locks, header.required_clearance_mm, header.layout);
  if (!robot) return refuse(robot.error().problem);
  if (header.cubes) {
    const Wall wall(distance, kGuessGrain * robot->segment.radius_mm);
    return check_passage(certificate, *robot, wall, region_of(header.targets[0], scene), settings);
  }
  const bool near = header.layout && header.layout->within_mm > 0.0;
  if (near)
    if (const std::string fault = eased_fault(*robot, header, distance); !fault.empty()) return refuse(fault);
  if (near) ease(*robot, *header.layout);
  const Lattice lattice(header.uses("latch") ? robot->latch : std::nullopt);
  std::string why;
  const auto leaves = Leaves::make(*robot, lattice, certificate, why);
  if (!leaves) return refuse(why);
  const LimitsUsed used{header.uses("clearance"), header.uses("tendons"), header.uses("field")};
  const Limits limits(*robot, used);
  const Wall wall(distance, kGuessGrain * robot->segment.radius_mm);
  const FieldLimits field(*robot, scene.parts.field, scene.entry.X_SE.linear());
  const Blocked blocked(*robot, wall, limits, used.field ? &field : nullptr, used.clearance);
  std::vector<GoalRegion> goals;
  for (const ProvedTarget& target : header.targets) goals.push_back(region_of(target, scene));
  if (near)
    for (GoalRegion& goal : goals) ease(goal, *header.layout);
  Gathered gathered;
  const Inquiry inquiry{*robot,
                        lattice,
                        *leaves,
                        blocked,
                        used.field ? &field : nullptr,
                        goals,
                        pinned_by(*robot, used),
                        header.claim == "fewer_switches",
                        settings,
                        gathered};
  check_start(inquiry);
  for (const auto check : {check_rims, check_goals, check_switches})
    if (!inquiry.over()) check(inquiry);
  report.outcome = gathered.outcome();
  report.looks = blocked.looks();
  if (settings.stop() && report.outcome.verdict == Verdict::holds)
    report.outcome = {Verdict::could_not_decide, kStopped};
  return report;
}

}  // namespace withy::recheck
