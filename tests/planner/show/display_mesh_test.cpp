// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/display_mesh.h"

#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "tests/support/plain_channels.h"
#include "tests/support/plain_distance.h"

using Catch::Matchers::WithinAbs;

namespace {

constexpr double kBendRadius = 40.0;
constexpr double kTubeRadius = 8.0;

withy::Channel channel_of(const withy_plain::Mesh& mesh) {
  withy::Channel channel;
  channel.mesh_E.vertices = mesh.points;
  channel.mesh_E.triangles = mesh.faces;
  channel.role.assign(mesh.faces.size(), withy::FaceRole::wall);
  return channel;
}

withy_plain::Triangles triangles_of(const withy::TriangleMesh& mesh) {
  std::vector<std::array<Eigen::Vector3d, 3>> corners;
  for (const auto& t : mesh.triangles) {
    const auto at = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
    corners.push_back({at(0), at(1), at(2)});
  }
  return withy_plain::Triangles(std::move(corners));
}

}  // namespace

TEST_CASE("A wall of few triangles is drawn as it is, without caps") {
  withy::Channel channel = channel_of(withy_plain::box_channel(5.0, 20.0));
  channel.role[0] = withy::FaceRole::entry_opening;
  channel.role[3] = withy::FaceRole::open_outlet;
  const auto display = withy::make_display_mesh(channel, 100);
  CHECK(display.triangles_before == channel.mesh_E.triangles.size() - 2);
  CHECK(display.wall_E.triangles.size() == display.triangles_before);
  CHECK(display.deviation_mm == 0.0);
  CHECK(display.deviation_points == 0);
}

TEST_CASE(
    "A wall of many triangles is drawn with about as many as asked for, and stays near the tube it came "
    "from") {
  const auto [kAlong, kAround] = GENERATE(table<int, int>({{200, 60}, {800, 150}}));
  const withy::Channel channel =
      channel_of(withy_plain::torus_channel(kBendRadius, kTubeRadius, M_PI / 2.0, kAlong, kAround));
  REQUIRE(channel.mesh_E.triangles.size() > static_cast<std::size_t>(kAlong == 200 ? 20000 : 200000));
  const auto display = withy::make_display_mesh(channel, 4000);
  CHECK(display.wall_E.triangles.size() <= 4100);
  CHECK(display.wall_E.triangles.size() >= 3900);
  // Closed form: a vertex of the drawn wall, away from the flat far end, lies about on the torus tube. The
  // original facets cut in by less than this (torus_facet_error), and simplification may not add more than it
  // reports.
  const double facets = withy_plain::torus_facet_error(kBendRadius, kTubeRadius, M_PI / 2.0, kAlong, kAround);
  int looked_at = 0;
  for (const Eigen::Vector3d& v : display.wall_E.vertices) {
    if (std::atan2(v.z(), kBendRadius - v.x()) > 0.45 * M_PI) continue;
    ++looked_at;
    CHECK(std::abs(withy_plain::torus_distance(kBendRadius, kTubeRadius, v)) < facets + 0.2);
  }
  CHECK(looked_at > 1000);
}

TEST_CASE("The deviation that is reported is the largest that brute force finds") {
  const withy::Channel channel =
      channel_of(withy_plain::torus_channel(kBendRadius, kTubeRadius, M_PI / 2.0, 60, 40));
  const auto display = withy::make_display_mesh(channel, 800);
  const auto drawn = triangles_of(display.wall_E);
  double largest = 0.0;
  for (const Eigen::Vector3d& v : channel.mesh_E.vertices) largest = std::max(largest, drawn.distance(v));
  CHECK(display.deviation_points == channel.mesh_E.vertices.size());
  CHECK(largest > 0.0);
  CHECK_THAT(display.deviation_mm, WithinAbs(largest, 1e-9));
}
