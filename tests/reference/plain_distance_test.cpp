// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation's mesh reading, distances and sampled clearance against closed forms.
#include <cmath>
#include <filesystem>
#include <fstream>
#include <random>

#include <catch2/catch.hpp>

#include "tests/support/plain_channels.h"
#include "tests/support/plain_clearance.h"
#include "tests/support/temporary_folder.h"

namespace {

using Catch::Matchers::WithinAbs;
using namespace withy_plain;

constexpr double kPi = 3.14159265358979323846;

Scene scene_at_origin(double opening_radius_mm) {
  Scene scene;
  scene.opening_radius_mm = opening_radius_mm;
  return scene;
}

Robot straight_robot(double length_mm, double radius_mm) {
  Robot robot;
  robot.scene.length_mm = length_mm;
  robot.scene.radius_mm = radius_mm;
  return robot;
}

// Brute force without a tree, without cells: every sample, every station.
double uniform_minimum(const Robot& robot, const Wall& wall, const State& from, const State& to, int steps,
                       double ds) {
  double least = INFINITY;
  for (int i = 0; i <= steps; ++i) {
    const State state = between(robot, from, to, static_cast<double>(i) / steps);
    const Body body(robot, state);
    for (double s = robot.scene.length_mm; s >= robot.scene.length_mm - state.insertion_mm; s -= ds) {
      const Eigen::Vector3d p = body.point_E(s);
      if (p.z() > 0) least = std::min(least, wall.signed_distance(p) - radius(robot, s));
    }
  }
  return least;
}

}  // namespace

TEST_CASE(
    "plain: point to triangle distances over the face, an edge and a corner are those of plane geometry") {
  const Eigen::Vector3d a(0, 0, 0), b(4, 0, 0), c(0, 3, 0);
  CHECK_THAT(triangle_distance({1, 1, 2}, a, b, c), WithinAbs(2, 1e-15));
  CHECK_THAT(triangle_distance({2, -1, 0}, a, b, c), WithinAbs(1, 1e-15));
  CHECK_THAT(triangle_distance({-3, -4, 12}, a, b, c), WithinAbs(13, 1e-14));
  CHECK_THAT(triangle_distance({4, 3, 0}, a, b, c), WithinAbs(12.0 / 5, 1e-15));  // to the hypotenuse
}

TEST_CASE("plain: in an open box the distance to the wall is the closed form, inside and out") {
  const Wall wall(make_solid(box_channel(15, 120), scene_at_origin(22)));
  const unsigned seed = 41;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> across(-15, 15), along(0.001, 120);
  for (int i = 0; i < 500; ++i) {
    const Eigen::Vector3d p(across(random), across(random), along(random));
    CAPTURE(p.transpose());
    CHECK_THAT(wall.signed_distance(p),
               WithinAbs(std::min({15 - std::abs(p.x()), 15 - std::abs(p.y()), 120 - p.z()}), 1e-12));
  }
  CHECK_THAT(wall.signed_distance({17, 0, 60}), WithinAbs(-2, 1e-12));
  CHECK_THAT(wall.signed_distance({0, 0, 124}), WithinAbs(-4, 1e-12));
  CHECK_THAT(wall.signed_distance({0, 0, -1}),
             WithinAbs(-std::hypot(15, 1), 1e-12));  // the cap at z = 0 is no wall
}

TEST_CASE("plain: an open outlet is no wall, a closed one is") {
  Mesh tube = box_channel(15, 120);
  tube.faces.resize(tube.faces.size() - 2);
  Scene scene = scene_at_origin(22);
  const Eigen::Vector3d near_end(0, 0, 119);
  CHECK_THAT(Wall(make_solid(tube, scene)).signed_distance(near_end), WithinAbs(1, 1e-12));
  scene.outlets_open = true;
  const Wall open(make_solid(tube, scene));
  CHECK_THAT(open.signed_distance(near_end), WithinAbs(15, 1e-12));
  CHECK_THAT(open.outlet_distance(near_end), WithinAbs(1, 1e-12));
  CHECK(open.signed_distance({0, 0, 121}) < 0);
}

TEST_CASE("plain: every format it reads gives the same mesh") {
  const withy_test::TemporaryFolder folder;
  const auto temporary = [&](const std::string& name) { return (folder.path() / name).string(); };
  const Mesh box = box_channel(15, 120);
  write_off(box, temporary("plain_box.off"));
  std::ofstream obj(temporary("plain_box.obj")), stl(temporary("plain_box.stl")),
      ply(temporary("plain_box.ply"));
  ply << "ply\nformat ascii 1.0\nelement vertex " << box.points.size()
      << "\nproperty double x\nproperty double y\n"
      << "property double z\nelement face " << box.faces.size()
      << "\nproperty list uchar int vertex_indices\nend_header\n";
  stl << "solid box\n";
  for (const auto& p : box.points) {
    obj << "v " << p.transpose() << "\n";
    ply << p.transpose() << "\n";
  }
  for (const auto& f : box.faces) {
    obj << "f " << f[0] + 1 << "//1 " << f[1] + 1 << "//1 " << f[2] + 1 << "//1\n";
    ply << "3 " << f[0] << ' ' << f[1] << ' ' << f[2] << "\n";
    stl << "facet normal 0 0 0\nouter loop\n";
    for (const int v : f) stl << "vertex " << box.points[static_cast<std::size_t>(v)].transpose() << "\n";
    stl << "endloop\nendfacet\n";
  }
  stl << "endsolid box\n";
  obj.close(), stl.close(), ply.close();
  for (const char* name : {"plain_box.off", "plain_box.obj", "plain_box.stl", "plain_box.ply"}) {
    CAPTURE(name);
    const Mesh read = read_mesh(temporary(name), 10);
    CHECK(read.points.size() == 8);
    CHECK(read.faces.size() == 10);
    const Wall wall(make_solid(read, scene_at_origin(220)));
    CHECK_THAT(wall.signed_distance({100, 0, 600}), WithinAbs(50, 1e-9));
  }
}

TEST_CASE(
    "plain: a straight body in a box clears it by the half width less its radius until the far wall is "
    "nearer") {
  const Robot robot = straight_robot(80, 1.5);
  const Wall wall(make_solid(box_channel(15, 120), scene_at_origin(22)));
  const auto at = [](double d) { return State{d, {}, {{0, 80, {0, 0}}}}; };
  CHECK(std::isinf(least_clearance(robot, wall, at(0), at(0)).minimum_mm));
  CHECK_THAT(least_clearance(robot, wall, at(0), at(100)).minimum_mm, WithinAbs(13.5, 1e-9));
  const Sampled deep = least_clearance(robot, wall, at(0), at(110));
  CHECK(deep.minimum_mm >= 8.5 - 1e-9);
  CHECK_THAT(deep.minimum_mm, WithinAbs(8.5, 2e-3));
  CHECK_THAT(deep.station_mm, WithinAbs(80, 0.01));
  const Sampled through = least_clearance(robot, wall, at(0), at(130));
  CHECK(through.minimum_mm < -1.5);
}

TEST_CASE("plain: a bending body in a torus-shaped tube clears it by the closed form") {
  // Tip at the end of an arc of radius rho from the tube's own start: its distance from the tube's arc is |
  // |tip - C| - A |, the largest of the body's, and monotone in the curvature on either side of 1 / A.
  const double A = 60, a = 6, bend = 1.2, R = 1.5, L = 50;
  const int along = 100, around = 96;
  const Robot robot = straight_robot(L, R);
  const Wall wall(make_solid(torus_channel(A, a, bend, along, around), scene_at_origin(a)));
  const double error = torus_facet_error(A, a, bend, along, around);
  const auto curved = [&](double kappa) { return State{L, {}, {{0, L, {kappa, 0}}}}; };
  const auto closed_form = [&](double kappa) {
    const double rho = 1 / kappa;
    const Eigen::Vector3d tip(rho * (1 - std::cos(L / rho)), 0, rho * std::sin(L / rho));
    return torus_distance(A, a, tip) - R;
  };
  CHECK_THAT(least_clearance(robot, wall, curved(1 / A), curved(1 / A)).minimum_mm,
             WithinAbs(a - R, error + 1e-3));
  for (const double kappa : {0.0150, 0.0159, 0.0175, 0.0182}) {
    CAPTURE(kappa, error);
    const Sampled still = least_clearance(robot, wall, curved(kappa), curved(kappa));
    CHECK_THAT(still.minimum_mm, WithinAbs(closed_form(kappa), error + 1e-3));
    const Sampled swept = least_clearance(robot, wall, curved(1 / A), curved(kappa));
    CHECK_THAT(swept.minimum_mm, WithinAbs(closed_form(kappa), error + 2e-3));
    CHECK(swept.bound_mm <= 5e-3);
  }
}

TEST_CASE("plain: cells find what brute-force sampling of the whole motion finds") {
  const double A = 40, a = 5, L = 40;
  Robot robot = straight_robot(L, 1.0);
  robot.scene.tip_rigid_mm = 3;
  robot.scene.lock.emplace();
  robot.scene.lock->body_length_mm = 4;
  robot.scene.lock->body_radius_mm = 1.3;
  robot.layout = {{18}, {0}};
  const Wall wall(make_solid(torus_channel(A, a, 1.1, 24, 16), scene_at_origin(a)));
  const unsigned seed = 77;
  CAPTURE(seed);
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> part(0, 1), noise(-0.004, 0.004);
  for (int i = 0; i < 6; ++i) {
    robot.scene.guide = i % 2 == 1;
    State from{
        24 + 10 * part(random),
        {true},
        {{0, 18, {0.02 + noise(random), noise(random)}}, {18, L, {0.022 + noise(random), noise(random)}}}};
    State to = from;
    to.insertion_mm += 3;
    to.regions[1].u.x() += 0.003;
    const Sampled cells = least_clearance(robot, wall, from, to);
    const double brute = uniform_minimum(robot, wall, from, to, 60, 0.1);
    CAPTURE(i, cells.minimum_mm, cells.bound_mm, brute);
    CHECK(cells.minimum_mm <= brute + 1e-3);
    CHECK(cells.minimum_mm - cells.bound_mm <= brute + 1e-9);
    CHECK(brute - cells.minimum_mm <= 0.1);  // brute samples are that far apart
  }
}
