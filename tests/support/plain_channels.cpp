// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_channels.h"

#include <cmath>
#include <fstream>
#include <iomanip>

namespace withy_plain {

Mesh box_channel(double h, double length) {
  Mesh mesh;
  for (const double z : {0.0, length}) {
    mesh.points.insert(mesh.points.end(), {{-h, -h, z}, {h, -h, z}, {h, h, z}, {-h, h, z}});
  }
  for (int k = 0; k < 4; ++k) {
    const int a = k, b = (k + 1) % 4;
    mesh.faces.push_back({a, b, b + 4});
    mesh.faces.push_back({a, b + 4, a + 4});
  }
  mesh.faces.push_back({4, 5, 6});
  mesh.faces.push_back({4, 6, 7});
  return mesh;
}

Mesh torus_channel(double A, double a, double bend, int along, int around) {
  constexpr double kTurn = 2 * 3.14159265358979323846;
  Mesh mesh;
  for (int i = 0; i <= along; ++i) {
    const double alpha = bend * i / along;
    const Eigen::Vector3d centre(A - A * std::cos(alpha), 0, A * std::sin(alpha));
    const Eigen::Vector3d inwards(std::cos(alpha), 0, -std::sin(alpha));  // towards the arc's own centre
    for (int k = 0; k < around; ++k) {
      const double beta = kTurn * k / around;
      mesh.points.push_back(centre +
                            a * (std::cos(beta) * inwards + std::sin(beta) * Eigen::Vector3d::UnitY()));
    }
  }
  for (int i = 0; i < along; ++i) {
    for (int k = 0; k < around; ++k) {
      const int p = i * around + k, q = i * around + (k + 1) % around;
      mesh.faces.push_back({p, q, q + around});
      mesh.faces.push_back({p, q + around, p + around});
    }
  }
  const int last = along * around, middle = static_cast<int>(mesh.points.size());
  mesh.points.emplace_back(A - A * std::cos(bend), 0, A * std::sin(bend));
  for (int k = 0; k < around; ++k) mesh.faces.push_back({middle, last + k, last + (k + 1) % around});
  return mesh;
}

double torus_facet_error(double A, double a, double bend, int along, int around) {
  constexpr double kPi = 3.14159265358979323846;
  return a * (1 - std::cos(kPi / around)) + (A + a) * (1 - std::cos(bend / (2 * along)));
}

double torus_distance(double A, double a, const Eigen::Vector3d& p) {
  return a - std::hypot(std::hypot(p.x() - A, p.z()) - A, p.y());
}

void write_off(const Mesh& mesh, const std::string& path) {
  std::ofstream out(path);
  out << "OFF\n" << mesh.points.size() << ' ' << mesh.faces.size() << " 0\n" << std::setprecision(17);
  for (const auto& p : mesh.points) out << p.x() << ' ' << p.y() << ' ' << p.z() << '\n';
  for (const auto& f : mesh.faces) out << "3 " << f[0] << ' ' << f[1] << ' ' << f[2] << '\n';
}

}  // namespace withy_plain
