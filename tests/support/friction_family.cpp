// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/friction_family.h"

#include <cmath>
#include <numbers>
#include <stdexcept>
#include <utility>

#include <fmt/core.h>

#include "geometry/phantom/channel_maker.h"
#include "planner/motion/action.h"
#include "planner/segment/shape.h"
#include "tests/support/plain_channels.h"

namespace withy_test {

using namespace withy;

namespace {

constexpr double kLength_mm = 60.0;
constexpr double kRadius_mm = 1.5;
constexpr double kLockRadius_mm = 1.8;
constexpr double kLockLength_mm = 4.0;
constexpr double kTip_mm = 2.0;
constexpr double kCurvature_per_mm = 0.04;
constexpr double kClearance_mm = 0.2;
constexpr double kSwitchTorque_Nmm = 0.01;
constexpr double kMoment_Am2 = 0.004;
constexpr double kFieldSpacing_mm = 0.25;
/// What `field` above says is needed.
const double kFieldNeeded_mT = kSwitchTorque_Nmm / (kMoment_Am2 * std::cos(0.25 * std::numbers::pi));

using Channel_ = std::shared_ptr<const ChannelDistance>;

Channel_ channel_of(const TriangleMesh& mesh, double opening_radius_mm) {
  Entry entry;
  entry.opening_radius_mm = opening_radius_mm;
  auto channel = make_channel(mesh, entry, Outlets::closed);
  if (!channel) throw std::runtime_error("a channel of the friction family is none");
  const auto wall =
      std::make_shared<const WallDistance>(std::make_shared<const Channel>(std::move(*channel)));
  return std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, kFieldSpacing_mm));
}

Channel_ box(double half_width_mm, double length_mm) {
  const withy_plain::Mesh mesh = withy_plain::box_channel(half_width_mm, length_mm);
  return channel_of({mesh.points, mesh.faces}, 1.5 * half_width_mm);
}

/// A straight tube, closed at the far end, `radius` by station.
Channel_ tube(double length_mm, const std::vector<std::pair<double, double>>& radius) {
  ChannelRecipe recipe;
  recipe.edge_length_mm = 0.4;
  TubeRecipe trunk;
  trunk.name = "trunk";
  trunk.bends = {{length_mm, Eigen::Vector2d::Zero()}};
  for (const auto& [station, r] : radius) trunk.radius.knots.push_back({station, r});
  recipe.tubes.push_back(trunk);
  const auto made = make_channel_mesh(recipe);
  if (!made) throw std::runtime_error("a tube of the friction family is none");
  return channel_of(made->mesh_S, radius.front().second + 0.5);
}

Design segment(CarriageKind carriage, const std::vector<double>& stations, double field_mT = 0.0) {
  DesignParts parts;
  parts.segment = {kLength_mm, kRadius_mm, kTip_mm, kCurvature_per_mm, 900.0};
  parts.carriage = {carriage, carriage == CarriageKind::guide ? kLength_mm : 80.0};
  if (!stations.empty()) {
    parts.lock = LockHardware{kLockLength_mm,         kLockRadius_mm,    kMoment_Am2, 0.0,
                              0.5 * std::numbers::pi, kSwitchTorque_Nmm, 0.004,       1e6};
    parts.layout.station_mm = stations;
    // A field that turns one magnet, at 135 degrees to where its stroke starts or against that, leaves one
    // along it alone.
    for (std::size_t i = 0; i < stations.size(); ++i)
      parts.layout.clock_rad.push_back(i % 2 == 0 ? 0.0 : 0.75 * std::numbers::pi);
  }
  if (field_mT > 0.0) {
    parts.field = FieldHardware{};
    parts.field->strength_max_mT = field_mT;
    parts.field->coil_mT_per_A = {1.8, 1.8, 1.8};
  }
  auto design = Design::make(std::move(parts));
  if (!design) throw std::runtime_error("a segment of the friction family is none");
  return *design;
}

struct Aim {
  double tolerance_mm = 1.0;
  std::optional<double> direction_tolerance_rad;
};

SearchProblem question(Design design, Channel_ channel, const Eigen::Isometry3d& tip_E, const Aim& aim) {
  Goal goal;
  goal.point_E = tip_E.translation();
  goal.tolerance_mm = aim.tolerance_mm;
  if (aim.direction_tolerance_rad) {
    goal.direction_E = tip_E.linear().col(2);
    goal.direction_tolerance_rad = *aim.direction_tolerance_rad;
  }
  return {std::move(design), std::move(channel), goal, kClearance_mm, {}};
}

/// A tip at `point_E` that is turned by `tilt_rad` towards +x.
Eigen::Isometry3d tip_at(const Eigen::Vector3d& point_E, double tilt_rad = 0.0) {
  Eigen::Isometry3d tip = Eigen::Isometry3d::Identity();
  tip.translation() = point_E;
  tip.linear() = Eigen::AngleAxisd(tilt_rad, Eigen::Vector3d::UnitY()).toRotationMatrix();
  return tip;
}

/// A route written down action by action.
class Witness {
 public:
  explicit Witness(const Design& design) : design_(design) {}

  Witness& advance_to(double insertion_mm) {
    state_.insertion_mm = insertion_mm;
    return move();
  }
  Witness& bend_to(double ux, double uy) {
    state_.u_free = {ux, uy};
    return move();
  }
  Witness& lock(int which) {
    state_ = after_lock(design_, state_, which);
    route_.steps.push_back({which, true, state_});
    return *this;
  }
  const Route& route() const { return route_; }
  Eigen::Isometry3d tip_E() const { return Shape(design_, state_).tip_E(); }

 private:
  Witness& move() {
    route_.steps.push_back({-1, false, state_});
    return *this;
  }
  const Design& design_;
  State state_ = start_state();
  Route route_;
};

FrictionQuestion reached(const std::string& name, const Design& design, Channel_ channel,
                         const Witness& witness, const Aim& aim) {
  return {name, question(design, std::move(channel), witness.tip_E(), aim), true, "witness", witness.route()};
}

FrictionQuestion unreachable(const std::string& name, const std::string& reason, const Design& design,
                             Channel_ channel, const Eigen::Isometry3d& tip_E, const Aim& aim) {
  return {name, question(design, std::move(channel), tip_E, aim), false, reason, std::nullopt};
}

std::string named(const char* what, CarriageKind carriage, std::size_t locks) {
  return fmt::format("{}, {} locks, {}", what, locks, carriage == CarriageKind::guide ? "guide" : "free");
}

const std::vector<double> kOne = {30.0};
const std::vector<double> kTwo = {20.0, 40.0};
constexpr Aim kDirected{1.0, 0.1};
constexpr Aim kAimedWell{0.2, 0.01};
constexpr Aim kAnyDirection{1.0, std::nullopt};

/// Two bends that are frozen one after the other, and a third: seven actions.
void add_seven_actions(std::vector<FrictionQuestion>& all, CarriageKind carriage, const Channel_& room) {
  const Design design = segment(carriage, kTwo);
  Witness w(design);
  if (carriage == CarriageKind::free)
    w.bend_to(0.012, 0.004)
        .lock(0)
        .bend_to(-0.02, 0.01)
        .lock(1)
        .bend_to(0.01, -0.03)
        .advance_to(58.0)
        .bend_to(0.015, -0.032);
  else
    w.advance_to(45.0)
        .bend_to(0.012, 0.004)
        .lock(0)
        .bend_to(-0.02, 0.01)
        .lock(1)
        .advance_to(58.0)
        .bend_to(0.015, -0.032);
  all.push_back(reached(named("seven actions in a box", carriage, 2), design, room, w, kDirected));
  all.push_back(reached(named("seven actions, aimed well", carriage, 2), design, room, w, kAimedWell));
}

/// An S of one frozen bend.
void add_one_bend(std::vector<FrictionQuestion>& all, CarriageKind carriage, const Channel_& room) {
  const Design design = segment(carriage, kOne);
  Witness w(design);
  if (carriage == CarriageKind::free)
    w.bend_to(0.02, 0.0).lock(0).bend_to(-0.03, 0.01).advance_to(56.0);
  else
    w.advance_to(50.0).bend_to(0.02, 0.0).lock(0).bend_to(-0.03, 0.01).advance_to(57.0);
  all.push_back(reached(named("an S in a box", carriage, 1), design, room, w, kDirected));
}

/// The lumen narrows, at the target or before it, to less than the body needs.
void add_narrow(std::vector<FrictionQuestion>& all, CarriageKind carriage,
                const std::vector<double>& stations, const Channel_& narrow_end, const Channel_& throat) {
  const Design design = segment(carriage, stations);
  all.push_back(unreachable(named("too narrow at the target", carriage, stations.size()), "room", design,
                            narrow_end, tip_at({0.0, 0.0, 44.0}), kAnyDirection));
  all.push_back(unreachable(named("a throat before the target", carriage, stations.size()), "room", design,
                            throat, tip_at({3.0, 0.0, 44.0}), kAnyDirection));
}

/// The target lies where no segment gets, whatever it freezes.
void add_out_of_reach(std::vector<FrictionQuestion>& all, CarriageKind carriage,
                      const std::vector<double>& stations, const Channel_& hall, const Channel_& room) {
  const Design design = segment(carriage, stations);
  const double farthest = 1.0 / kCurvature_per_mm + kLength_mm - 0.5 * std::numbers::pi / kCurvature_per_mm;
  all.push_back(unreachable(named("beside all reach", carriage, stations.size()), "lateral", design, hall,
                            tip_at({farthest + 2.0, 0.0, 40.0}), kAnyDirection));
  const double most =
      kCurvature_per_mm * (kLength_mm - kTip_mm - kLockLength_mm * static_cast<double>(stations.size()));
  all.push_back(unreachable(named("more turning than there is", carriage, stations.size()), "turning", design,
                            room, tip_at({15.0, 0.0, 30.0}, most + 0.15), kDirected));
}

/// An S whose tip is parallel to the axis and beside it: with one arc it would have to be on it.
void add_field(std::vector<FrictionQuestion>& all, CarriageKind carriage, const std::vector<double>& stations,
               double share, const Channel_& room) {
  const Design design = segment(carriage, stations, share * kFieldNeeded_mT);
  Witness w(design);
  constexpr double kFirstBend_per_mm = 0.013;
  const double out = carriage == CarriageKind::guide ? kLength_mm : 55.0;
  if (carriage == CarriageKind::guide) w.advance_to(out);
  w.bend_to(kFirstBend_per_mm, 0.0).lock(0);
  // The tip's tangent is turned back to the axis: as much bend on either side of the lock.
  const double f0 = design.flexible_length(0.0, design.station_mm(0));
  const double f1 = design.flexible_length(design.station_mm(0), kLength_mm);
  w.bend_to(-kFirstBend_per_mm * f0 / f1, 0.0);
  if (carriage == CarriageKind::free) w.advance_to(out);
  if (share > 1.0)
    all.push_back(reached(named("a field strong enough by 4 %", carriage, stations.size()), design, room, w,
                          kDirected));
  else
    all.push_back(unreachable(named("a field too weak by 4 %", carriage, stations.size()), "field, one arc",
                              design, room, w.tip_E(), kDirected));
}

/// The same without locks.
void add_no_lock(std::vector<FrictionQuestion>& all, CarriageKind carriage, const Channel_& room) {
  all.push_back(unreachable(named("a simple no in a box", carriage, 0), "one arc", segment(carriage, {}),
                            room, tip_at({12.0, 0.0, 50.0}), kDirected));
}

}  // namespace

std::vector<FrictionQuestion> friction_family(bool short_form) {
  std::vector<FrictionQuestion> all;
  const Channel_ room = box(25.0, 70.0);
  const Channel_ narrow_end = tube(50.0, {{0.0, 6.0}, {30.0, 6.0}, {40.0, 1.6}, {50.0, 1.6}});
  const Channel_ throat =
      tube(60.0, {{0.0, 6.0}, {20.0, 6.0}, {24.0, 1.6}, {27.0, 1.6}, {32.0, 8.0}, {60.0, 8.0}});
  const Channel_ hall = box(60.0, 70.0);
  for (const CarriageKind carriage : {CarriageKind::free, CarriageKind::guide}) {
    if (short_form && carriage == CarriageKind::guide) continue;
    add_no_lock(all, carriage, room);
    add_one_bend(all, carriage, room);
    add_seven_actions(all, carriage, room);
    for (const auto& stations : {kOne, kTwo}) {
      if (short_form && stations.size() == 2) continue;
      add_narrow(all, carriage, stations, narrow_end, throat);
      add_out_of_reach(all, carriage, stations, hall, room);
      add_field(all, carriage, stations, 0.96, room);
      add_field(all, carriage, stations, 1.04, room);
    }
  }
  return all;
}

}  // namespace withy_test
