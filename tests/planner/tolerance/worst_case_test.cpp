// SPDX-License-Identifier: GPL-3.0-or-later
// Benches with every error at its full size, in a bent tube: none keeps less, or ends further off, than
// proved.
#include "planner/tolerance/worst_case.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <random>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"
#include "planner/tolerance/wall_triangles.h"
#include "tests/planner/tolerance/bent_design.h"
#include "tests/support/tube.h"

using namespace withy;
using namespace withy_test;

namespace {

/// A body along the middle line of a bent tube, its two locks engaged: it comes the last bit of the way, its
/// tip bending, and bends its tip back and forth.
struct BentCase {
  BentCase(CarriageKind kind, bool tendons) {
    testing::TubeShape shape;
    shape.radius_mm = 9.0;
    shape.bend_rad = 1.2;
    shape.length_mm = 150.0;
    const double kappa = shape.bend_rad / shape.length_mm;
    const auto wall = std::make_shared<const WallDistance>(testing::make_tube(shape, 8000));
    Design design = bent_design(kind, tendons);
    reached.insertion_mm = 100.0;
    reached.engaged.set(0).set(1);
    reached.theta_frozen.assign(2, Eigen::Vector2d::Zero());
    const auto regions = regions_of(design, reached);
    for (std::size_t i = 0; i < 2; ++i) reached.theta_frozen[i].x() = kappa * regions[i].flexible_mm;
    reached.u_free.x() = kappa;
    State before = reached;
    before.insertion_mm = 99.0;
    before.u_free = {0.007, 0.001};
    State after = reached;
    after.u_free = {0.006, -0.001};
    motions = {{before, reached, 0}, {reached, after, 1}};
    const Goal goal = {Shape(design, reached).tip_E().translation() + Eigen::Vector3d(0.2, 0.3, 0.1), 2.0,
                       std::nullopt};
    auto distance = std::make_shared<const ChannelDistance>(wall, DistanceField::make(wall, 0.4));
    problem =
        std::make_unique<SearchProblem>(SearchProblem{std::move(design), std::move(distance), goal, 0.0, {}});
  }

  std::unique_ptr<SearchProblem> problem;
  std::vector<PlannedMotion> motions;
  State reached;
  Eigen::Vector3d centre{20.0, 0.0, 60.0};
};

ErrorSizes some_errors() {
  ErrorSizes sizes;
  sizes[ErrorKind::backlash] = 0.02;
  sizes[ErrorKind::pull_gain] = 0.02;
  sizes[ErrorKind::pull_offset] = 0.02;
  sizes[ErrorKind::entry_position] = 0.2;
  sizes[ErrorKind::entry_angle] = 0.005;
  sizes[ErrorKind::registration_position] = 0.2;
  sizes[ErrorKind::registration_angle] = 0.005;
  sizes[ErrorKind::lumen_scale] = 0.01;
  return sizes;
}

/// Every error at its full size, in any direction.
ErrorDraw corner_of(const Design& design, const ErrorSizes& sizes, std::mt19937_64& generator) {
  ErrorDraw draw = extreme_bends(design, sizes[ErrorKind::backlash] / kBentBackboneRadius,
                                 sizes[ErrorKind::pull_gain], sizes[ErrorKind::pull_offset], generator);
  const auto vector = [&](ErrorKind kind) {
    return in_any_direction<Eigen::Vector3d>(sizes[kind], generator);
  };
  draw.entry_position_mm = vector(ErrorKind::entry_position);
  draw.entry_turn = vector(ErrorKind::entry_angle);
  draw.registration_position_mm = vector(ErrorKind::registration_position);
  draw.registration_turn = vector(ErrorKind::registration_angle);
  draw.lumen_scale = either_way(sizes[ErrorKind::lumen_scale], generator);
  return draw;
}

/// Every error at its full size, the way that moves the tip most along n, by differences.
ErrorDraw corner_along(const Eigen::Vector3d& n, const BentCase& bent, const ErrorSizes& sizes,
                       double lumen_scale) {
  const Design& design = bent.problem->design;
  constexpr double kStep = 1e-4;
  constexpr double kFar_mm = 1e4;
  Goal far;
  far.point_E = Shape(design, bent.reached).tip_E().translation() + kFar_mm * n;
  ErrorDraw draw = ErrorDraw::none(design);
  const auto slope = [&](double& part) {
    const auto at = [&](double value) {
      part = value;
      return Bench(design, draw, bent.centre).tip_error(bent.reached, far);
    };
    const double found = (at(-kStep) - at(kStep)) / (2.0 * kStep);
    part = 0.0;
    return found;
  };
  const auto steepest = [&](auto vector, double size) {
    auto& part = vector(draw);
    auto way = part;
    for (Eigen::Index i = 0; i < part.size(); ++i) way[i] = slope(part[i]);
    return (size / std::max(way.norm(), 1e-12) * way).eval();
  };
  ErrorDraw out = ErrorDraw::none(design);
  for (std::size_t lock = 0; lock < static_cast<std::size_t>(design.lock_count()); ++lock)
    out.bend_at_lock[lock] =
        steepest([lock](ErrorDraw& d) -> Eigen::Vector2d& { return d.bend_at_lock[lock]; },
                 sizes[ErrorKind::backlash] / kBentBackboneRadius);
  for (Eigen::Index k = 0; k < draw.pull_offset_mm.size(); ++k)
    out.pull_offset_mm[k] = std::copysign(sizes[ErrorKind::pull_offset], slope(draw.pull_offset_mm[k]));
  out.pull_gain = std::copysign(sizes[ErrorKind::pull_gain], slope(draw.pull_gain));
  out.entry_position_mm = steepest(
      [](ErrorDraw & d) -> auto& { return d.entry_position_mm; }, sizes[ErrorKind::entry_position]);
  out.entry_turn = steepest(
      [](ErrorDraw & d) -> auto& { return d.entry_turn; }, sizes[ErrorKind::entry_angle]);
  out.registration_position_mm = steepest(
      [](ErrorDraw & d) -> auto& { return d.registration_position_mm; },
      sizes[ErrorKind::registration_position]);
  out.registration_turn = steepest(
      [](ErrorDraw & d) -> auto& { return d.registration_turn; }, sizes[ErrorKind::registration_angle]);
  out.lumen_scale = lumen_scale;
  return out;
}

}  // namespace

TEST_CASE("benches with every error at its full size keep what is proved, and the worst little more") {
  for (const CarriageKind kind : {CarriageKind::free, CarriageKind::guide})
    for (const bool tendons : {true, false}) {
      const BentCase bent(kind, tendons);
      const Design& design = bent.problem->design;
      ErrorSizes sizes = some_errors();
      if (kind == CarriageKind::guide)
        for (double& size : sizes.most) size *= 0.4;
      WorstCase worst(*bent.problem, bent.motions, bent.reached, bent.centre);
      const double planned = worst.clearance_kept({});
      const double kept = worst.clearance_kept(sizes);
      const double tip_most = worst.tip_error(sizes);
      REQUIRE(kept > 0.0);
      REQUIRE(kept < planned);
      const std::uint64_t seed = 21;
      INFO("seed " << seed << ", guide " << (kind == CarriageKind::guide) << ", tendons " << tendons);
      std::mt19937_64 generator(seed);
      double least = kInfinity;
      double tip = 0.0;
      for (int i = 0; i < 2000; ++i) {
        const auto n = in_any_direction<Eigen::Vector3d>(1.0, generator);
        const ErrorDraw errors =
            i % 4 == 0 ? corner_along(n, bent, sizes, either_way(sizes[ErrorKind::lumen_scale], generator))
                       : corner_of(design, sizes, generator);
        const Bench bench(design, errors, bent.centre);
        tip = std::max(tip, bench.tip_error(bent.reached, bent.problem->goal));
        for (const PlannedMotion& motion : bent.motions) {
          // An upper bound of what it keeps: below what is proved would be a contradiction.
          const double most =
              bench.clearance(motion, *bent.problem->distance, std::max(kept, least - 0.1)).upper_mm;
          CHECK(most >= kept);
          least = std::min(least, most);
        }
      }
      CHECK(tip <= tip_most);
      if (kind == CarriageKind::guide) continue;  // less is proved there
      CHECK(least - kept <= 0.3 * (planned - kept));
      CHECK(tip >= 0.75 * tip_most);
    }
}

TEST_CASE("more error never keeps more, and all at once no more than each alone") {
  const BentCase bent(CarriageKind::free, true);
  WorstCase worst(*bent.problem, bent.motions, bent.reached, bent.centre);
  const ErrorSizes sizes = some_errors();
  const double planned = worst.clearance_kept({});
  const double all = worst.clearance_kept(sizes);
  constexpr double kWithin = 0.05;  // the search for directions may do better with one size than with another
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    INFO(error_names()[i].key);
    ErrorSizes alone;
    alone.most[i] = sizes.most[i];
    const double kept = worst.clearance_kept(alone);
    CHECK(kept >= all - kWithin);
    CHECK(kept <= planned + kWithin);
    alone.most[i] *= 0.5;
    CHECK(worst.clearance_kept(alone) >= kept - kWithin);
  }
}

TEST_CASE("the largest error that a plan is proved to stand is where what it keeps comes to nothing") {
  const BentCase bent(CarriageKind::free, true);
  WorstCase worst(*bent.problem, bent.motions, bent.reached, bent.centre);
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    INFO(error_names()[i].key);
    const auto kind = static_cast<ErrorKind>(i);
    const double largest = worst.largest(kind, StandsFor::off_the_wall);
    if (kind == ErrorKind::coil_gain || kind == ErrorKind::magnet_strength) {  // these move no body
      CHECK(largest == WorstCase::largest_sought(kind));
      continue;
    }
    REQUIRE(largest > 0.0);
    REQUIRE(largest < WorstCase::largest_sought(kind));
    ErrorSizes sizes;
    sizes[kind] = largest;
    CHECK(std::abs(worst.clearance_kept(sizes)) <= 0.05);
    const double tip = worst.largest(kind, StandsFor::at_the_target);
    sizes[kind] = tip;
    CHECK(std::abs(worst.tip_error(sizes) - bent.problem->goal.tolerance_mm) < 1e-6);
  }
}

TEST_CASE("triangles of the wall are found by where they are, each once") {
  testing::TubeShape shape;
  shape.roughness_mm = 0.3;
  const auto channel = testing::make_tube(shape, 3000);
  const WallTriangles triangles(*channel);
  const std::uint64_t seed = 4;
  INFO("seed " << seed);
  std::mt19937_64 generator(seed);
  const WallDistance wall(channel);
  for (int i = 0; i < 200; ++i) {
    const Eigen::Vector3d p(even(-10.0, 60.0, generator), even(-10.0, 10.0, generator),
                            even(-10.0, 140.0, generator));
    const double radius = wall.distance(p) + even(0.0, 4.0, generator);
    std::vector<const WallTriangle*> found;
    double nearest = kInfinity;
    triangles.near(p, radius, [&](const WallTriangle& triangle) {
      found.push_back(&triangle);
      nearest = std::min(nearest, (nearest_on(triangle, p) - p).norm());
    });
    // The nearest of all, by CGAL's tree.
    CHECK(std::abs(nearest - wall.distance(p)) < 1e-9);
    std::sort(found.begin(), found.end());
    CHECK(std::adjacent_find(found.begin(), found.end()) == found.end());
    // Every corner of a wall face within the radius is among them.
    std::size_t missing = 0;
    for (std::size_t f = 0; f < channel->role.size(); ++f) {
      if (channel->role[f] != FaceRole::wall) continue;
      const Eigen::Vector3d corner(
          channel->mesh_E.vertices[static_cast<std::size_t>(channel->mesh_E.triangles[f][0])]);
      if ((corner - p).norm() > radius) continue;
      missing +=
          std::none_of(found.begin(), found.end(), [&](const WallTriangle* t) { return (*t)[0] == corner; });
    }
    CHECK(missing == 0);
  }
}
