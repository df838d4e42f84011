// SPDX-License-Identifier: GPL-3.0-or-later
// Errors of a straight segment in a straight tube, where everything about them has a closed form; bent ones
// against plain integration along the body.
//
// The tube's radius is a, the body's R, so the body may stand h = a - R off the axis; its facets take
// something of a, which is read off the mesh.
#include <algorithm>
#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/tolerance/bench_hardware.h"
#include "planner/tolerance/monte_carlo.h"
#include "planner/tolerance/worst_case.h"
#include "tests/planner/tolerance/bent_design.h"
#include "tests/support/stopped_effort.h"
#include "tests/support/tube.h"

using namespace withy;
using namespace withy_test;

namespace {

constexpr double kTube = 2.5;
constexpr double kRadius = 1.5;
constexpr double kRoom = kTube - kRadius;
constexpr double kDepth = 40.0;
constexpr double kLength = 100.0;
constexpr double kStation = 50.0;
constexpr double kLockLength = 4.0;
constexpr double kTendonRadius = 1.2;
constexpr double kBackboneRadius = 1.2;
constexpr double kOnTheSide = 0.9;  // corners of the side wall are all equally far from the axis

DesignParts parts(int locks, bool tendons) {
  DesignParts parts;
  parts.segment = {kLength, kRadius, 3.0, 0.04, 400.0};
  parts.carriage = {CarriageKind::free, 140.0};
  if (locks > 0) {
    parts.lock = LockHardware{kLockLength, kRadius, 0.004, 0.0, M_PI / 2, 0.01, 0.004, 1e6};
    parts.layout.station_mm = {kStation};
    parts.layout.clock_rad = {0.0};
    parts.latch = LatchHardware{0.5, kBackboneRadius, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.02, 0.02};
  }
  if (tendons)
    parts.tendons = TendonHardware{kTendonRadius, {0.0, M_PI / 2, M_PI, 1.5 * M_PI}, 0.0, 8.0, 0.2, 20.0, 0.1,
                                   Motors::ride};
  return parts;
}

/// How near the axis the side wall of a straight tube comes: that of the edges of its faces that cut off the
/// corners.
double least_radius(const Channel& channel) {
  double least = kInfinity;
  for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f) {
    const auto& face = channel.mesh_E.triangles[f];
    for (int k = 0; k < 3; ++k) {
      const auto corner = [&](int i) -> Eigen::Vector2d {
        return channel.mesh_E.vertices[static_cast<std::size_t>(face[static_cast<std::size_t>(i % 3)])]
            .head<2>();
      };
      const Eigen::Vector2d a = corner(k);
      const Eigen::Vector2d b = corner(k + 1);
      if (a.norm() < kOnTheSide * b.norm() || b.norm() < kOnTheSide * a.norm()) continue;  // of an end's disc
      const double along = std::clamp(-a.dot(b - a) / std::max((b - a).squaredNorm(), 1e-12), 0.0, 1.0);
      least = std::min(least, (a + along * (b - a)).norm());
    }
  }
  return least;
}

/// An advance along the axis of the tube; with a lock, that is engaged on the straight segment.
struct Case {
  explicit Case(int locks = 0, bool tendons = false, double tube = kTube, double depth = kDepth) {
    auto made = Design::make(parts(locks, tendons));
    REQUIRE(made);
    testing::TubeShape shape;
    shape.radius_mm = tube;
    shape.bend_rad = 0.0;
    shape.length_mm = 120.0;
    const auto channel = testing::make_tube(shape, 20000);
    sag = tube - least_radius(*channel);
    const auto wall = std::make_shared<const WallDistance>(channel);
    const Goal goal = {{0.0, 0.0, depth}, 2.0, std::nullopt};
    problem = std::make_unique<SearchProblem>(
        SearchProblem{std::move(*made),
                      std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.2)),
                      goal,
                      0.0,
                      {}});
    State from;
    if (locks > 0) {
      from.engaged.set(0);
      from.theta_frozen = {Eigen::Vector2d::Zero()};
    }
    reached = from;
    reached.insertion_mm = depth;
    motions = {{from, reached, 0}};
  }
  WorstCase worst_case() const { return {*problem, motions, reached, centre}; }

  double sag = 0.0;
  std::unique_ptr<SearchProblem> problem;
  std::vector<PlannedMotion> motions;
  State reached;
  Eigen::Vector3d centre{0.0, 0.0, 60.0};
};

/// Where a planar body ends whose bend (rad) grows evenly over the flexible stretches given: by midpoints
/// along it.
struct Stretch {
  double length_mm;
  double bend_rad;
};
Eigen::Vector2d end_of(const std::vector<Stretch>& stretches) {
  Eigen::Vector2d p = Eigen::Vector2d::Zero();  // across, along
  double angle = 0.0;
  constexpr int kSteps = 20000;
  for (const Stretch& stretch : stretches)
    for (int i = 0; i < kSteps; ++i) {
      const double middle = angle + stretch.bend_rad * 0.5 / kSteps;
      p += stretch.length_mm / kSteps * Eigen::Vector2d(std::sin(middle), std::cos(middle));
      angle += stretch.bend_rad / kSteps;
    }
  return p;
}

double tip_error(const Case& of, const ErrorDraw& draw) {
  return Bench(of.problem->design, draw, of.centre).tip_error(of.reached, of.problem->goal);
}

}  // namespace

TEST_CASE("a straight body set off the axis has what is left of the room for clearance") {
  const Case tube;
  for (const double off : {0.0, 0.3, 0.7}) {
    BodyPlacement placement;
    placement.X_EB.translation() = Eigen::Vector3d(0.6 * off, 0.8 * off, 0.0);
    const MotionClearance found = MotionVerifier(tube.problem->design, *tube.problem->distance, placement)
                                      .clearance(tube.motions[0].from, tube.motions[0].to);
    CHECK(found.lower_mm <= kRoom - off);
    CHECK(found.lower_mm >= kRoom - off - tube.sag - kClearanceSlack_mm);
  }
}

TEST_CASE("a straight body tilted about the entry touches where its tip meets the wall") {
  const Case tube;
  // The tip's rim is the ball about its last point: at depth d and angle a it is d sin(a) off the axis.
  for (const double off : {0.9 * (kRoom - tube.sag), 1.02 * kRoom}) {
    ErrorDraw draw = ErrorDraw::none(tube.problem->design);
    draw.entry_turn = {std::asin(off / kDepth), 0.0, 0.0};
    const Bench bench(tube.problem->design, draw, tube.centre);
    CHECK(bench.contact(tube.motions[0], *tube.problem->distance) ==
          (off < kRoom ? Contact::clear : Contact::touches));
  }
}

TEST_CASE("contact of a straight body has the share of a ball that lies outside a cylinder") {
  const Case tube(0, false, kTube, 20.0);
  const std::uint64_t seed = 11;
  INFO("seed " << seed);
  ErrorSizes sizes;
  SECTION("entry") {
    sizes[ErrorKind::entry_position] = 1.2;
  }
  SECTION("registration") {
    sizes[ErrorKind::registration_position] = 1.2;
  }
  MonteCarloSettings settings;
  settings.draws = 1500;
  settings.seed = seed;
  const MonteCarloResult drawn =
      run_monte_carlo(*tube.problem, tube.motions, tube.reached, tube.centre, sizes, settings);
  // What is left of a ball of radius r when a cylinder of radius h through its middle is taken out has the
  // volume of a ball of radius sqrt(r^2 - h^2) (the napkin ring; G. Polya, "Mathematics and Plausible
  // Reasoning", 1954).
  const auto outside = [](double h) { return std::pow(1.0 - h * h / (1.2 * 1.2), 1.5); };
  const double most = outside(kRoom - tube.sag);
  const double least = outside(kRoom);
  CHECK(drawn.contact.low <= most);
  CHECK(drawn.contact.high >= least);
  CHECK(drawn.contact.high - drawn.contact.low < 0.15);
  CHECK(drawn.contacts > 0);
  // One error alone has all of the variance.
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    INFO(error_names()[i].key);
    CHECK(std::abs(drawn.tip_share[i].share - (sizes.most[i] > 0.0 ? 1.0 : 0.0)) < 0.15);
  }
}

TEST_CASE("where no error moves the tip none has a share of what it does not do") {
  const Case tube(0, false, kTube, 20.0);
  ErrorSizes sizes;
  sizes[ErrorKind::coil_gain] = 0.05;
  MonteCarloSettings settings;
  settings.draws = 200;
  const MonteCarloResult drawn =
      run_monte_carlo(*tube.problem, tube.motions, tube.reached, tube.centre, sizes, settings);
  CHECK_FALSE(drawn.tip_varies());
  for (const SensitivityIndex& index : drawn.tip_share) CHECK(index.high == 0.0);
  CHECK(drawn.tip_share_left() == 0.0);
}

TEST_CASE("draws that are cut short are the first of those asked for") {
  const Case tube(0, false, kTube, 20.0);
  ErrorSizes sizes;
  sizes[ErrorKind::entry_position] = 1.2;
  MonteCarloSettings settings;
  settings.seed = 11;
  const auto run = [&](int draws, const Effort& effort) {
    settings.draws = draws;
    settings.effort = effort;
    return run_monte_carlo(*tube.problem, tube.motions, tube.reached, tube.centre, sizes, settings);
  };
  for (const int questions : {0, 1, 60, 200}) {
    const MonteCarloResult cut = run(1000, withy_test::stopped_after(questions));
    CAPTURE(questions, cut.draws);
    CHECK(cut.draws <= questions);
    if (cut.draws < 2) continue;
    const MonteCarloResult whole = run(cut.draws, {});
    CHECK(whole.draws == cut.draws);
    CHECK(whole.contacts == cut.contacts);
    CHECK(whole.close == cut.close);
    CHECK(whole.fails == cut.fails);
    CHECK(whole.fail.high == cut.fail.high);
    CHECK(whole.tip_error_mm == cut.tip_error_mm);
  }
}

TEST_CASE("a worst case that is cut short proves nothing, and says no more than a whole one") {
  const Case tube;
  ErrorSizes sizes;
  sizes[ErrorKind::entry_position] = 0.3;
  WorstCase whole = tube.worst_case();
  REQUIRE(whole.clearance_kept(sizes) > 0.0);
  REQUIRE(whole.stands(sizes, StandsFor::off_the_wall));
  const double stood = whole.largest(ErrorKind::entry_position, StandsFor::off_the_wall);
  bool ended = false;
  for (int questions = 0; questions < 1 << 20 && !ended; questions = 2 * questions + 1) {
    const Effort effort = withy_test::stopped_after(questions);
    WorstCase cut(*tube.problem, tube.motions, tube.reached, tube.centre, effort);
    const double kept = cut.clearance_kept(sizes);
    const bool stands = cut.stands(sizes, StandsFor::off_the_wall);
    const double largest = cut.largest(ErrorKind::entry_position, StandsFor::off_the_wall);
    ended = !effort.cut_short();
    CAPTURE(questions, kept, largest, stood);
    CHECK(kept <= whole.clearance_kept(sizes));
    CHECK(largest <= stood);
    if (questions == 0) {
      CHECK(kept == -kInfinity);
      CHECK_FALSE(stands);
      CHECK(largest == 0.0);
    }
    if (ended) CHECK(largest == stood);
  }
  CHECK(ended);
}

TEST_CASE("a straight segment's tip errs by the chord of the angle it is turned through") {
  const Case tube;
  for (const double angle : {0.001, 0.02, 0.2}) {
    ErrorDraw draw = ErrorDraw::none(tube.problem->design);
    draw.entry_turn = {0.6 * angle, 0.8 * angle, 0.0};
    CHECK(std::abs(tip_error(tube, draw) - 2.0 * kDepth * std::sin(angle / 2.0)) < 1e-9);
    draw = ErrorDraw::none(tube.problem->design);
    draw.registration_turn = {angle, 0.0, 0.0};
    CHECK(std::abs(tip_error(tube, draw) - 2.0 * (tube.centre.z() - kDepth) * std::sin(angle / 2.0)) < 1e-9);
  }
}

TEST_CASE("a smaller channel touches where it is as narrow as the body, and its target is nearer") {
  const Case tube;
  for (const double radius : {kRadius - 0.02, kRadius + tube.sag + 2.0 * kClearanceSlack_mm}) {
    ErrorDraw draw = ErrorDraw::none(tube.problem->design);
    draw.lumen_scale = radius / kTube - 1.0;
    const Bench bench(tube.problem->design, draw, tube.centre);
    CHECK(bench.contact(tube.motions[0], *tube.problem->distance) ==
          (radius > kRadius ? Contact::clear : Contact::touches));
    CHECK(std::abs(tip_error(tube, draw) - kDepth * (1.0 - radius / kTube)) < 1e-9);
  }
}

TEST_CASE("backlash turns what lies past the lock, and tendons bend it back") {
  const double e = 0.05;
  const double first = kStation - kLockLength / 2.0;
  const double second = kLength - kStation - kLockLength / 2.0 - 3.0;
  for (const bool tendons : {false, true}) {
    const Case tube(1, tendons);
    ErrorDraw draw = ErrorDraw::none(tube.problem->design);
    draw.bend_at_lock[0] = {e, 0.0};
    const Eigen::Vector2d end =
        end_of({{first, e}, {kLockLength, 0.0}, {second, tendons ? -e : 0.0}, {3.0, 0.0}});
    const double expected = std::hypot(end.x(), kLength - end.y());
    CHECK(std::abs(tip_error(tube, draw) - expected) < 1e-6);
  }
}

TEST_CASE("a friction lock freezes what the errors had bent when it engaged") {
  DesignParts of = parts(1, true);
  of.latch->notch_pitch_mm = 0.0;
  const Design design = *Design::make(std::move(of));
  PlannedSwitch engaging;
  engaging.engages = true;
  engaging.before.insertion_mm = kDepth;
  ErrorDraw errors = ErrorDraw::none(design);
  errors.pull_offset_mm[0] = 0.1;
  errors.bend_at_lock[0] = {0.0, 0.01};
  const auto frozen = with_frozen_errors(design, {engaging}, errors, {}, bend_from_pulls(design));
  REQUIRE(frozen.size() == 1);
  // Of the offset's bend (below) the part that is before the lock: all but its body and the tip bends.
  const double first = kStation - kLockLength / 2.0;
  const double bend = 0.1 / (2.0 * kTendonRadius) * first / (kLength - kLockLength - 3.0);
  CHECK((frozen[0].bend_at_lock[0] - Eigen::Vector2d(bend, 0.01)).norm() < 1e-12);
  // On a notch nothing of it is kept.
  const Design notched = *Design::make(parts(1, true));
  const auto on_notch = with_frozen_errors(notched, {engaging}, errors, {}, bend_from_pulls(notched));
  CHECK((on_notch[0].bend_at_lock[0] - errors.bend_at_lock[0]).norm() == 0.0);
}

TEST_CASE("no friction lock freezes more than the bound says, one after another") {
  const std::uint64_t seed = 17;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  ErrorSizes sizes;
  sizes[ErrorKind::backlash] = 0.02;
  sizes[ErrorKind::pull_gain] = 0.02;
  sizes[ErrorKind::pull_offset] = 0.05;
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide}) {
    DesignParts of = bent_parts(kind, true);
    of.latch->notch_pitch_mm = 0.0;
    const Design design = *Design::make(std::move(of));
    double closest = 0.0;
    for (int trial = 0; trial < 400; ++trial) {
      PlannedSwitch first;
      first.engages = true;
      first.before.insertion_mm = even(50.0, 100.0, generator);
      first.before.u_free = in_any_direction<Eigen::Vector2d>(0.039, generator);
      PlannedSwitch second = first;
      second.lock = 1;
      second.before.engaged.set(0);
      second.before.theta_frozen = {regions_of(design, first.before)[0].u *
                                    exposed_flexible_length(design, first.before.insertion_mm, 0.0, 33.0)};
      const ErrorDraw errors = extreme_bends(design, 0.02 / kBentBackboneRadius, 0.02, 0.05, generator);
      const auto frozen =
          with_frozen_errors(design, {first, second}, errors, {}, bend_from_pulls(design)).back();
      for (const auto lock : {0U, 1U}) {
        const double share = frozen.bend_at_lock[lock].norm() / most_lock_bend(design, sizes);
        CHECK(share <= 1.0);
        closest = std::max(closest, share);
      }
    }
    if (kind == CarriageKind::free) CHECK(closest > 0.4);
  }
}

TEST_CASE("a tendon's offset bends the segment by half of it over the tendons' radius") {
  // Four tendons a quarter turn apart: least squares of r Theta_x = (o, 0, 0, 0) over (1, 0, -1, 0) is
  // Theta_x = o / (2 r).
  const Case tube(0, true);
  ErrorDraw draw = ErrorDraw::none(tube.problem->design);
  draw.pull_offset_mm[0] = 0.1;
  const Eigen::Vector2d end = end_of({{kLength - 3.0, 0.1 / (2.0 * kTendonRadius)}, {3.0, 0.0}});
  CHECK(std::abs(tip_error(tube, draw) - std::hypot(end.x(), kLength - end.y())) < 1e-6);
  // Opposite tendons off the opposite way add up, those a quarter turn on as well: sqrt(2) / r.
  CHECK(std::abs(bend_per_offset(tube.problem->design) - std::sqrt(2.0) / kTendonRadius) < 1e-12);
}

TEST_CASE("the size that a plan is proved to stand is just below the size that touches") {
  const Case tube;
  WorstCase worst = tube.worst_case();
  const double room = worst.clearance_kept({});
  CHECK(room <= kRoom);
  CHECK(room >= kRoom - tube.sag - kClearanceSlack_mm);
  // A shift takes as much clearance as it is long, and as much of the target's tolerance.
  CHECK(std::abs(worst.largest(ErrorKind::entry_position, StandsFor::off_the_wall) - kRoom) <=
        tube.sag + kClearanceSlack_mm);
  CHECK(std::abs(worst.largest(ErrorKind::entry_position, StandsFor::at_the_target) - 2.0) < 1e-6);
  // A tilt: asin(h / d) would touch.
  const double tilt = std::asin(kRoom / kDepth);
  const double proved = worst.largest(ErrorKind::entry_angle, StandsFor::off_the_wall);
  CHECK(proved <= tilt);
  CHECK(proved >= tilt * (1.0 - (tube.sag + kClearanceSlack_mm) / kRoom) - 0.5 * tilt * tilt);
  // No lock: backlash has nothing to act on.
  CHECK(worst.largest(ErrorKind::backlash, StandsFor::off_the_wall) ==
        WorstCase::largest_sought(ErrorKind::backlash));
}

TEST_CASE("one error alone takes from a straight body in a straight tube what geometry says") {
  // A wide tube: the free bend's lever is (L - 3) / 2 + 3 at the tip, only what is past the entry counts.
  const Case tube(0, true, 4.0, 100.0);
  WorstCase worst = tube.worst_case();
  const double room = worst.clearance_kept({});
  const auto lost = [&](ErrorKind kind, double size) {
    ErrorSizes sizes;
    sizes[kind] = size;
    return room - worst.clearance_kept(sizes);
  };
  // Within what the bound of a planned clearance may be off, either way.
  constexpr double kWithin = kClearanceSlack_mm;
  CHECK(std::abs(lost(ErrorKind::entry_position, 0.7) - 0.7) <= kWithin);
  CHECK(std::abs(lost(ErrorKind::registration_position, 0.7) - 0.7) <= kWithin);
  CHECK(std::abs(lost(ErrorKind::entry_angle, 0.01) - 0.01 * 100.0) <= kWithin);
  // The mesh's middle is 60 mm deep, so is the entry's side.
  CHECK(std::abs(lost(ErrorKind::registration_angle, 0.01) - 0.01 * 60.0) <= kWithin);
  // A tube made smaller about a point of its axis loses of its radius, however deep the body is in it. (Where
  // the body passes the entry plane the bound counts the distance to the entry point, up to 2.5 mm, as well.)
  const double narrower = lost(ErrorKind::lumen_scale, 0.05);
  CHECK(narrower >= 0.05 * 4.0 - kWithin);
  CHECK(narrower <= 0.05 * (4.0 + 2.5) + kWithin);
  // Four tendons: sqrt(2) / r of bend per mm. The shape of a bend of theta over f is off by
  // f (1 - cos theta) / theta across, and the tip span by 3 sin theta.
  const double theta = 0.01 * std::sqrt(2.0) / kTendonRadius;
  const double across = 97.0 * (1.0 - std::cos(theta)) / theta + 3.0 * std::sin(theta);
  CHECK(std::abs(lost(ErrorKind::pull_offset, 0.01) - across) <= kWithin);
  CHECK(lost(ErrorKind::pull_gain, 0.1) <= 1e-6);  // nothing is pulled
}

TEST_CASE("what backlash does on one side of a lock is undone on the other") {
  const double e = 0.02;
  const double first = kStation - kLockLength / 2.0;
  const double second = kLength - kStation - kLockLength / 2.0 - 3.0;
  for (const bool tendons : {false, true}) {
    const Case tube(1, tendons, 6.0, 100.0);
    ErrorSizes sizes;
    sizes[ErrorKind::backlash] = e * kBackboneRadius;
    const Eigen::Vector2d end =
        end_of({{first, e}, {kLockLength, 0.0}, {second, tendons ? -e : 0.0}, {3.0, 0.0}});
    WorstCase worst = tube.worst_case();
    const double proved = worst.tip_error(sizes);
    const double found = std::hypot(end.x(), kLength - end.y());
    CHECK(proved >= found);
    CHECK(proved <= 1.05 * found);
    // Off the wall the same: the tip is what comes nearest to it.
    const double lost = worst.clearance_kept({}) - worst.clearance_kept(sizes);
    CHECK(lost >= end.x() - kClearanceSlack_mm);
    CHECK(lost <= 1.05 * end.x() + kClearanceSlack_mm);
  }
}

TEST_CASE("no bench drawn breaks what is proved of the worst") {
  const Case tube(1, true, 6.0);
  ErrorSizes sizes;
  sizes[ErrorKind::backlash] = 0.01;
  sizes[ErrorKind::pull_gain] = 0.02;
  sizes[ErrorKind::pull_offset] = 0.02;
  sizes[ErrorKind::entry_position] = 0.3;
  sizes[ErrorKind::entry_angle] = 0.003;
  sizes[ErrorKind::registration_position] = 0.3;
  sizes[ErrorKind::registration_angle] = 0.003;
  sizes[ErrorKind::lumen_scale] = 0.005;
  WorstCase worst = tube.worst_case();
  REQUIRE(worst.clearance_kept(sizes) >= 0.0);
  const std::uint64_t seed = 5;
  INFO("seed " << seed);
  MonteCarloSettings settings;
  settings.draws = 400;
  settings.seed = seed;
  const MonteCarloResult drawn =
      run_monte_carlo(*tube.problem, tube.motions, tube.reached, tube.centre, sizes, settings);
  CHECK(drawn.contacts + drawn.close == 0);
  CHECK(drawn.tip_error_mm.back() <= worst.tip_error(sizes));
  // The worst corner found by pushing every error the same way must keep what is proved, and come near it: a
  // bound that gives everything away would be no use.
  ErrorDraw corner = ErrorDraw::none(tube.problem->design);
  const Eigen::Vector3d aside = Eigen::Vector3d(1.0, 1.0, 0.0).normalized();
  const Eigen::Vector3d about = Eigen::Vector3d::UnitZ().cross(aside);
  corner.bend_at_lock[0] = 0.01 / kBackboneRadius * aside.head<2>();
  corner.pull_offset_mm << 0.02, 0.02, -0.02, -0.02;
  corner.entry_position_mm = 0.3 * aside;
  corner.entry_turn = 0.003 * about;
  corner.registration_position_mm = -0.3 * aside;
  corner.registration_turn = 0.003 * about;  // the tip is on the entry's side of the middle
  corner.lumen_scale = -0.005;
  const double found = tip_error(tube, corner);
  CHECK(found <= worst.tip_error(sizes));
  CHECK(found >= 0.9 * worst.tip_error(sizes));
}
