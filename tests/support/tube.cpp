// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/tube.h"

#include <algorithm>
#include <cmath>
#include <random>

namespace withy::testing {

namespace {

constexpr double kPi = 3.14159265358979323846;

void add_end(Channel& channel, const Eigen::Vector3d& middle, int first_of_ring, int sides, bool at_start,
             FaceRole role) {
  TriangleMesh& mesh = channel.mesh_E;
  const int hub = static_cast<int>(mesh.vertices.size());
  mesh.vertices.push_back(middle);
  for (int j = 0; j < sides; ++j) {
    const int a = first_of_ring + j;
    const int b = first_of_ring + (j + 1) % sides;
    mesh.triangles.push_back(at_start ? std::array<int, 3>{hub, b, a} : std::array<int, 3>{hub, a, b});
    channel.role.push_back(role);
  }
}

}  // namespace

Eigen::Vector3d tube_middle(const TubeShape& shape, double s_mm) {
  const double kappa = shape.bend_rad / shape.length_mm;
  if (std::abs(shape.bend_rad) < 1e-9) return {0.0, 0.0, s_mm};
  return {(1.0 - std::cos(kappa * s_mm)) / kappa, 0.0, std::sin(kappa * s_mm) / kappa};
}

Eigen::Vector3d tube_direction(const TubeShape& shape, double s_mm) {
  const double angle = shape.bend_rad / shape.length_mm * s_mm;
  return {std::sin(angle), 0.0, std::cos(angle)};
}

double tube_radius(const TubeShape& shape, double s_mm) {
  return shape.radius_mm + shape.waist_mm * std::sin(6.0 * kPi * s_mm / shape.length_mm);
}

std::shared_ptr<const Channel> make_tube(const TubeShape& shape, int triangles) {
  // An equilateral triangle of edge e on a wall of area A: triangles = A / (e^2 sqrt(3) / 4).
  const double area = 2.0 * kPi * shape.radius_mm * shape.length_mm;
  const double edge = std::sqrt(4.0 * area / (std::sqrt(3.0) * triangles));
  const int sides = std::max(6, static_cast<int>(std::lround(2.0 * kPi * shape.radius_mm / edge)));
  const int rings = std::max(2, static_cast<int>(std::lround(triangles / (2.0 * sides))));
  auto channel = std::make_shared<Channel>();
  TriangleMesh& mesh = channel->mesh_E;
  std::mt19937 random(shape.seed);
  std::uniform_real_distribution<double> rough(-shape.roughness_mm, shape.roughness_mm);
  for (int i = 0; i <= rings; ++i) {
    const double s = shape.length_mm * i / rings;
    const Eigen::Vector3d along = tube_direction(shape, s);
    const Eigen::Vector3d across(along.z(), 0.0, -along.x());
    for (int j = 0; j < sides; ++j) {
      const double angle = 2.0 * kPi * (j + 0.5 * (i % 2)) / sides;
      const bool at_end = i == 0 || i == rings;
      const double radius = tube_radius(shape, s) + (at_end ? 0.0 : rough(random));
      mesh.vertices.push_back(tube_middle(shape, s) + radius * (std::cos(angle) * across +
                                                                std::sin(angle) * Eigen::Vector3d::UnitY()));
    }
  }
  for (int i = 0; i < rings; ++i)
    for (int j = 0; j < sides; ++j) {
      const int shift = i % 2;
      const int a = i * sides + j;
      const int b = i * sides + (j + 1) % sides;
      const int c = a + sides;
      const int d = b + sides;
      if (shift == 0) {
        mesh.triangles.push_back({a, b, c});
        mesh.triangles.push_back({b, d, c});
      } else {
        mesh.triangles.push_back({a, b, d});
        mesh.triangles.push_back({a, d, c});
      }
    }
  channel->role.assign(mesh.triangles.size(), FaceRole::wall);
  add_end(*channel, tube_middle(shape, 0.0), 0, sides, true, FaceRole::entry_opening);
  add_end(*channel, tube_middle(shape, shape.length_mm), rings * sides, sides, false,
          shape.far_end == Outlets::open ? FaceRole::open_outlet : FaceRole::wall);
  Opening entry;
  entry.centre_E = Eigen::Vector3d::Zero();
  entry.radius_mm = tube_radius(shape, 0.0);
  entry.boundary_edges = sides;
  entry.is_entry = true;
  channel->openings.push_back(entry);
  channel->entry.opening_radius_mm = entry.radius_mm + 0.5;
  return channel;
}

}  // namespace withy::testing
