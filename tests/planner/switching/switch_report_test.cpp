// SPDX-License-Identifier: GPL-3.0-or-later
// `withy switch`'s maps, clockings and scalings against the plain implementation and closed forms.
#include "planner/switching/switch_report.h"

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/switching/switch_remedies.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"
#include "tests/support/plain_scene.h"
#include "tests/support/stopped_effort.h"

namespace {

using namespace withy;
using Catch::Matchers::WithinAbs;
using Catch::Matchers::WithinRel;

std::string scene_file(const std::string& name) {
  return std::string(WITHY_SOURCE_DIR) + "/scenes/" + name + "/scene.toml";
}

/// A shipped scene with two locks, read twice.
struct TwoLocks {
  explicit TwoLocks(const std::string& name)
      : scene(*read_scene(scene_file(name))), design(*scene.design(2)) {
    robot.scene = withy_plain::read_scene(scene_file(name));
    robot.layout = robot.scene.layouts.at(2);
  }
  Scene scene;
  Design design;
  withy_plain::Robot robot;
};

/// One curvature all along, as far out as the carriage lets the segment.
withy_plain::State evenly_bent(const withy_plain::Robot& robot, const Eigen::Vector2d& u, bool first,
                               bool second) {
  withy_plain::State state;
  state.insertion_mm = robot.scene.insertion_max_mm;
  state.locked = {first, second};
  double from = 0.0;
  for (std::size_t i = 0; i < 2; ++i) {
    if (!state.locked[i]) continue;
    state.regions.push_back({from, robot.layout.station_mm[i], u});
    from = robot.layout.station_mm[i];
  }
  state.regions.push_back({from, robot.scene.length_mm, u});
  return state;
}

double plain_strength_mT(const withy_plain::Robot& robot, const withy_plain::State& state, int lock) {
  const auto field = withy_plain::least_field(robot, state, lock);
  return field ? field->norm() : kInfinity;
}

/// The strongest field of locking 1, 2 and releasing 2, 1 at one bend.
double plain_base_up_mT(const withy_plain::Robot& robot, const Eigen::Vector2d& u) {
  const auto none = evenly_bent(robot, u, false, false);
  const auto one = evenly_bent(robot, u, true, false);
  const auto both = evenly_bent(robot, u, true, true);
  return std::max({plain_strength_mT(robot, none, 0), plain_strength_mT(robot, one, 1),
                   plain_strength_mT(robot, both, 1), plain_strength_mT(robot, one, 0)});
}

}  // namespace

TEST_CASE("Every field of a switch map is the plain implementation's, and so is every field there is not") {
  for (const char* name : {"triple-bend", "miniature"}) {
    const TwoLocks two(name);
    const SwitchReport report = *make_switch_report(two.scene, two.design, scene_file(name), {});
    REQUIRE(report.maps.size() == 8);
    for (const SwitchMap& map : report.maps) {
      for (std::size_t k = 0; k < report.poses.size(); ++k) {
        const auto state =
            evenly_bent(two.robot, report.poses[k].u, map.which.engaged.test(0), map.which.engaged.test(1));
        const double plain = plain_strength_mT(two.robot, state, map.which.lock);
        CAPTURE(name, map.which.lock, map.which.engaged.to_string(), report.poses[k].u.transpose(), plain);
        if (std::isinf(plain)) {
          CHECK(std::isinf(map.strength_mT[k]));
        } else {
          CHECK_THAT(map.strength_mT[k], WithinRel(plain, 1e-6));
        }
      }
    }
  }
}

TEST_CASE("Every reserve of a switch map is the plain implementation's") {
  const TwoLocks two("triple-bend");
  const SwitchReport report = *make_switch_report(two.scene, two.design, scene_file("triple-bend"), {});
  for (const SwitchMap& map : report.maps) {
    for (std::size_t k = 0; k < report.poses.size(); k += 7) {
      const auto state =
          evenly_bent(two.robot, report.poses[k].u, map.which.engaged.test(0), map.which.engaged.test(1));
      const auto I = withy_plain::chosen_currents(two.robot, state, map.which.lock);
      CAPTURE(map.which.lock, map.which.engaged.to_string(), report.poses[k].u.transpose());
      CHECK(I.has_value() == (map.reserve[k] >= kAllowedReserve));
      if (I)
        CHECK_THAT(map.reserve[k],
                   WithinAbs(withy_plain::reserve(two.robot, state, map.which.lock, *I, 50), 1e-5));
    }
  }
}

TEST_CASE("A report of switches that is cut short says how many maps there are, and has none") {
  const TwoLocks two("miniature");
  int longest = 0;
  for (const int questions : {0, 100, 300, 1000, 3000}) {
    const auto cut = make_switch_report(two.scene, two.design, scene_file("miniature"), {},
                                        withy_test::stopped_after(questions));
    CAPTURE(questions);
    REQUIRE_FALSE(cut);
    int maps = 8;  // of two locks; all of them where the clockings are what is open
    if (cut.error().finished.find(" of 8 maps") != std::string::npos)
      maps = std::stoi(cut.error().finished);
    else
      CHECK(cut.error().finished.find("clockings looked at") != std::string::npos);
    CHECK(maps >= longest);
    longest = maps;
    if (questions == 0) CHECK(maps == 0);
  }
  CHECK(longest == 8);
}

TEST_CASE("Where one field switches a lock at every bend the picture shows its margin, else the bends") {
  const Scene scene = *read_scene(scene_file("double-bend"));
  const Design one = *scene.design(1);
  const std::string flat = switch_map_svg(*make_switch_report(scene, one, "scene.toml", {}));
  // Closed form: a field midway between the stops of a right angle turns the magnet with m B sin 45 deg at
  // least, against 0.01 N mm and an ambient field of 0.05 mT at its worst; m = 0.004 A m^2, the coils give 10
  // mT.
  const double least_mT = (0.01 / 0.004 + 0.05) * std::sqrt(2.0);
  CHECK(flat.find(fmt::format("{:.2f} mT", least_mT)) != std::string::npos);
  CHECK(flat.find(fmt::format("margin {:.2f} mT", 10.0 - least_mT)) != std::string::npos);
  CHECK(flat.find(" A") == std::string::npos);  // no sector of a disc
  const TwoLocks two("triple-bend");
  const std::string varied =
      switch_map_svg(*make_switch_report(two.scene, two.design, scene_file("triple-bend"), {}));
  CHECK(varied.find(" A") != std::string::npos);
}

TEST_CASE("What would let a lock switch does, and hardly less does not, by the plain implementation") {
  TwoLocks two("double-bend");
  two.robot.layout.station_mm = {33.0, 41.0};
  DesignParts parts = two.design.parts();
  parts.layout.station_mm = {33.0, 41.0};
  parts.field->strength_max_mT = 1.0;
  const Design weak = *Design::make(parts);
  CHECK_FALSE(some_lock_switches(weak));
  double least_mT = kInfinity;
  for (const BendPose& pose : bend_poses(weak, kRemedyBends))
    for (const SwitchCase& which : switch_cases(weak))
      least_mT = std::min(least_mT, plain_strength_mT(two.robot,
                                                      evenly_bent(two.robot, pose.u, which.engaged.test(0),
                                                                  which.engaged.test(1)),
                                                      which.lock));
  const SwitchRemedies remedies = switch_remedies(weak, {});
  REQUIRE(remedies.strength_max_mT);
  CHECK(*remedies.strength_max_mT >= least_mT * (1.0 - 1e-6));
  CHECK(*remedies.strength_max_mT <= least_mT * 1.01);  // three digits, rounded up
  CHECK_FALSE(switch_remedies(weak, {.strength_max_mT = 0.99 * least_mT}).strength_max_mT);
  // Whichever is named, a lock switches with it in some bend.
  parts.field->strength_max_mT = *remedies.strength_max_mT;
  CHECK(some_lock_switches(*Design::make(parts)));
  parts.field->strength_max_mT = 1.0;
  if (remedies.magnet_Am2) {
    parts.lock->magnet_Am2 = *remedies.magnet_Am2;
    CHECK(some_lock_switches(*Design::make(parts)));
  }
  // One lock has a closed form, tau = m (B cos(stroke / 2) - ambient), and an ambient field as strong as the
  // coils leaves nothing to any magnet.
  parts = two.scene.design(1)->parts();
  parts.field->strength_max_mT = 2.0;
  const double half_stroke = 0.5 * std::abs(parts.lock->angle_latched_rad - parts.lock->angle_free_rad);
  const SwitchRemedies one = switch_remedies(*Design::make(parts), {});
  REQUIRE(one.magnet_Am2);
  CHECK_THAT(*one.magnet_Am2, WithinRel(parts.lock->switch_torque_Nmm /
                                            (2.0 * std::cos(half_stroke) - parts.field->ambient_mT),
                                        0.01));
  parts.field->ambient_mT = 2.0;
  CHECK_FALSE(switch_remedies(*Design::make(parts), {}).magnet_Am2);
  parts.field->ambient_mT = 0.05;
  CHECK_FALSE(switch_remedies(*Design::make(parts), {.magnet_Am2 = 0.99 * *one.magnet_Am2}).magnet_Am2);
  // Coils with places: the currents grow in proportion.
  Coil loop;
  loop.axis_S = Eigen::Vector3d::UnitX();
  loop.radius_mm = 100.0;
  loop.turns = 100.0;
  loop.current_max_A = 0.001;
  parts.field->ambient_mT = 0.05;
  parts.field->strength_max_mT = 100.0;
  parts.field->coils = {loop};
  const SwitchRemedies coils = switch_remedies(*Design::make(parts), {});
  REQUIRE(coils.current_factor);
  CHECK_FALSE(
      switch_remedies(*Design::make(parts), {.current_A = 0.00099 * *coils.current_factor}).current_factor);
  for (Coil& coil : parts.field->coils) *coil.current_max_A *= *coils.current_factor;
  CHECK(some_lock_switches(*Design::make(parts)));
  for (Coil& coil : parts.field->coils) *coil.current_max_A *= 0.98;
  CHECK_FALSE(some_lock_switches(*Design::make(parts)));
}

TEST_CASE("What the sweep says of a clocking is what the plain implementation finds bend by bend") {
  const TwoLocks two("triple-bend");
  const BendGrid grid{4, 24};
  const std::vector<BendPose> poses = bend_poses(two.design, grid);
  for (const ClockingResult& result : sweep_clockings(two.design, grid, 45).results) {
    withy_plain::Robot robot = two.robot;
    robot.layout.clock_rad[1] = robot.layout.clock_rad[0] + result.clock_rad[0];
    double most = 0.0;
    int within = 0;
    for (const BendPose& pose : poses) {
      const double need = plain_base_up_mT(robot, pose.u);
      if (need > robot.scene.field->strength_max_mT) continue;
      ++within;
      most = std::max(most, need);
    }
    CAPTURE(result.clock_rad[0], within, most);
    CHECK_THAT(result.share_usual, WithinAbs(within / static_cast<double>(poses.size()), 1e-12));
    if (within > 0) CHECK_THAT(result.usual_most_mT, WithinRel(most, 1e-6));
    CHECK_THAT(result.share_alone + result.share_together + result.share_never, WithinAbs(1.0, 1e-12));
  }
}

TEST_CASE("With every length scaled, needs move by the powers of the scale that dimensions give") {
  const TwoLocks two("miniature");
  const withy_plain::Scene& scene = two.robot.scene;
  const std::vector<double> factors = {0.25, 0.5, 1.0, 2.0};
  const SwitchReport report = *make_switch_report(two.scene, two.design, scene_file("miniature"), factors);
  REQUIRE(report.scaled.size() == factors.size());
  const double kappa = scene.curvature_max_per_mm;
  const double bend = kappa * (scene.length_mm - scene.tip_rigid_mm - 2 * scene.lock->body_length_mm);
  const double half_stroke = 0.5 * (scene.lock->angle_latched_rad - scene.lock->angle_free_rad);
  for (std::size_t i = 0; i < factors.size(); ++i) {
    const double k = factors[i];
    const ScaledDesign& at = report.scaled[i];
    CAPTURE(k);
    const auto need = [&](const std::string& name) {
      for (const ScaledNeed& n : at.needs)
        if (n.name == name) return n.need;
      FAIL("no need " << name);
      return 0.0;
    };
    // By hand, at full size: four tendons, so bending towards one of them draws that one alone.
    const double tension =
        (scene.rigidity_Nmm2 * kappa / scene.tendons->radius_mm + scene.tendons->tension_min_N) *
        std::exp(scene.tendons->friction * bend);
    CHECK_THAT(need("tension"), WithinRel(tension * k * k, 1e-9));
    CHECK_THAT(need("pull"), WithinRel(scene.tendons->radius_mm * bend * k, 1e-9));
    CHECK_THAT(need("lock load"), WithinRel(scene.rigidity_Nmm2 * kappa * k * k * k, 1e-9));
    // One lock alone asks for (tau / m + ambient) / cos(half stroke); the other magnet, no nearer than its
    // chord in the tightest bend, changes that by at most 2 mu0 m / (4 pi r^3) over the same cosine, at every
    // size.
    const double per_tau = scene.lock->switch_torque_Nmm / scene.lock->magnet_Am2;
    const double spacing = two.robot.layout.station_mm[1] - two.robot.layout.station_mm[0];
    const double chord = 2.0 / kappa * std::sin(0.5 * kappa * spacing);
    const double other = 2.0 * 1e5 * scene.lock->magnet_Am2 / (chord * chord * chord);
    CHECK(other < 0.1 * per_tau);
    const auto field = [&](double tau) { return (tau + scene.field->ambient_mT) / std::cos(half_stroke); };
    const double may_differ = other / std::cos(half_stroke);
    CHECK_THAT(need("field"),
               WithinAbs(field(per_tau), may_differ));  // magnet and torques go with the volume
    CHECK_THAT(at.field_same_torque_mT, WithinAbs(field(per_tau / (k * k * k)), may_differ));
    CHECK(at.switch_reserve >= 1.0);
    CHECK(at.switch_reserve <= scene.field->reserve_wanted + 1e-6);
    CHECK_THAT(at.magnet_Am2, WithinRel(scene.lock->magnet_Am2 * k * k * k, 1e-12));
    CHECK_THAT(at.notch_angle_rad, WithinRel(scene.latch->pitch_mm / scene.latch->radius_mm, 1e-12));
    CHECK_THAT(at.backlash_angle_rad,
               WithinRel(scene.latch->backlash_mm / (k * scene.latch->radius_mm), 1e-12));
  }
  // Small, the latch's play is what is left of half a notch; large, the motors are too weak.
  const auto first = [&](std::size_t i) {
    return report.scaled[i].needs[static_cast<std::size_t>(report.scaled[i].first_to_break())];
  };
  CHECK(first(0).name == "latch");
  CHECK_FALSE(first(0).broken());
  CHECK(first(3).name == "tension");
  CHECK(first(3).broken());
}
