// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_mesh.h"

#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <map>
#include <set>
#include <sstream>
#include <stdexcept>
#include <tuple>

namespace withy_plain {
namespace {

std::string slurp(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in) throw std::runtime_error("can't open " + path);
  std::ostringstream out;
  out << in.rdbuf();
  return out.str();
}

// Merges points that coincide exactly and leaves out faces that name a point twice.
class Builder {
 public:
  explicit Builder(double scale) : scale_(scale) {}
  int point(double x, double y, double z) {
    const auto [at, fresh] = index_.try_emplace({x, y, z}, static_cast<int>(mesh.points.size()));
    if (fresh) mesh.points.emplace_back(x * scale_, y * scale_, z * scale_);
    return at->second;
  }
  void face(int a, int b, int c) {
    if (a != b && b != c && c != a) mesh.faces.push_back({a, b, c});
  }
  Mesh mesh;

 private:
  double scale_;
  std::map<std::tuple<double, double, double>, int> index_;
};

Mesh read_binary_stl(const std::string& bytes, double scale) {
  Builder builder(scale);
  std::uint32_t count = 0;
  std::memcpy(&count, bytes.data() + 80, 4);
  for (std::uint32_t i = 0; i < count; ++i) {
    float v[12];
    std::memcpy(v, bytes.data() + 84 + 50 * static_cast<std::size_t>(i), sizeof v);
    const int a = builder.point(v[3], v[4], v[5]);
    const int b = builder.point(v[6], v[7], v[8]);
    builder.face(a, b, builder.point(v[9], v[10], v[11]));
  }
  return builder.mesh;
}

Mesh read_ascii_stl(const std::string& text, double scale) {
  Builder builder(scale);
  std::istringstream in(text);
  std::string token;
  std::vector<int> corner;
  while (in >> token) {
    if (token == "vertex") {
      double x, y, z;
      in >> x >> y >> z;
      corner.push_back(builder.point(x, y, z));
    } else if (token == "endfacet") {
      builder.face(corner.at(0), corner.at(1), corner.at(2));
      corner.clear();
    }
  }
  return builder.mesh;
}

Mesh read_stl(const std::string& bytes, double scale) {
  if (bytes.size() >= 84) {
    std::uint32_t count = 0;
    std::memcpy(&count, bytes.data() + 80, 4);
    if (bytes.size() == 84 + 50 * static_cast<std::size_t>(count)) return read_binary_stl(bytes, scale);
  }
  return read_ascii_stl(bytes, scale);
}

void fan(Builder& builder, const std::vector<int>& corner) {
  for (std::size_t k = 2; k < corner.size(); ++k) builder.face(corner[0], corner[k - 1], corner[k]);
}

Mesh read_obj(const std::string& text, double scale) {
  Builder builder(scale);
  std::vector<int> point;
  std::istringstream in(text);
  std::string line;
  while (std::getline(in, line)) {
    std::istringstream words(line);
    std::string tag, item;
    words >> tag;
    if (tag == "v") {
      double x, y, z;
      words >> x >> y >> z;
      point.push_back(builder.point(x, y, z));
    } else if (tag == "f") {
      std::vector<int> corner;
      while (words >> item) {
        const int i = std::stoi(item);  // stops at the first '/'
        corner.push_back(
            point.at(static_cast<std::size_t>(i > 0 ? i - 1 : static_cast<int>(point.size()) + i)));
      }
      fan(builder, corner);
    }
  }
  return builder.mesh;
}

// The tail that OFF and ascii PLY share: point lines, then faces as a count and indices.
void read_indexed(std::istream& in, std::size_t points, std::size_t faces, Builder& builder) {
  std::string line;
  const auto next = [&] {
    while (std::getline(in, line)) {
      if (line.find_first_not_of(" \t\r") != std::string::npos && line[0] != '#')
        return std::istringstream(line);
    }
    throw std::runtime_error("mesh ends early");
  };
  std::vector<int> point;
  for (std::size_t i = 0; i < points; ++i) {
    auto words = next();
    double x, y, z;
    words >> x >> y >> z;
    point.push_back(builder.point(x, y, z));
  }
  for (std::size_t i = 0; i < faces; ++i) {
    auto words = next();
    std::size_t count = 0, index = 0;
    words >> count;
    std::vector<int> corner;
    for (std::size_t k = 0; k < count; ++k) {
      words >> index;
      corner.push_back(point.at(index));
    }
    fan(builder, corner);
  }
}

Mesh read_off(const std::string& text, double scale) {
  Builder builder(scale);
  std::istringstream in(text);
  std::string magic, line;
  in >> magic;
  std::size_t points = 0, faces = 0, edges = 0;
  while (std::getline(in, line)) {
    std::istringstream words(line);
    if (line[0] != '#' && words >> points >> faces >> edges) break;
  }
  read_indexed(in, points, faces, builder);
  return builder.mesh;
}

Mesh read_ascii_ply(const std::string& text, double scale) {
  Builder builder(scale);
  std::istringstream in(text);
  std::string line;
  std::size_t points = 0, faces = 0;
  while (std::getline(in, line) && line.rfind("end_header", 0) != 0) {
    if (line.rfind("format", 0) == 0 && line.find("ascii") == std::string::npos) {
      throw std::runtime_error("the plain reader reads ascii PLY only");
    }
    std::istringstream words(line);
    std::string element, name;
    words >> element >> name;
    if (element == "element" && name == "vertex") words >> points;
    if (element == "element" && name == "face") words >> faces;
  }
  read_indexed(in, points, faces, builder);
  return builder.mesh;
}

// Boundary half-edges (those without an opposite), from -> to, each belonging to one face.
std::multimap<int, int> boundary(const Mesh& mesh) {
  std::set<std::pair<int, int>> halves;
  for (const auto& f : mesh.faces) {
    for (std::size_t k = 0; k < 3; ++k) halves.insert({f[k], f[(k + 1) % 3]});
  }
  std::multimap<int, int> open;
  for (const auto& [a, b] : halves) {
    if (!halves.count({b, a})) open.insert({a, b});
  }
  return open;
}

std::vector<std::vector<int>> loops(std::multimap<int, int> open) {
  std::vector<std::vector<int>> out;
  while (!open.empty()) {
    std::vector<int> loop;
    auto at = open.begin();
    while (at != open.end()) {
      loop.push_back(at->first);
      const int next = at->second;
      open.erase(at);
      at = open.find(next);
    }
    out.push_back(loop);
  }
  return out;
}

constexpr double kPlaneTolerance_mm = 0.5;
// A hole's rim is often written with exactly the opening's radius; its rounding must not turn the cap into
// wall.
constexpr double kRimRounding_mm = 1e-6;

bool at_entry(const Eigen::Vector3d& p_E, double radius_mm) {
  return p_E.norm() <= radius_mm && std::abs(p_E.z()) <= kPlaneTolerance_mm;
}

void cap(const std::vector<int>& loop, Role role, Solid& solid) {
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();
  for (const int v : loop) centre += solid.mesh.points[static_cast<std::size_t>(v)];
  centre /= static_cast<double>(loop.size());
  const int c = static_cast<int>(solid.mesh.points.size());
  solid.mesh.points.push_back(centre);
  for (std::size_t k = 0; k < loop.size(); ++k) {
    solid.mesh.faces.push_back({c, loop[(k + 1) % loop.size()], loop[k]});
    solid.role.push_back(role);
  }
}

}  // namespace

Mesh read_mesh(const std::string& path, double mm_per_unit) {
  const std::string bytes = slurp(path);
  const std::string ending = path.substr(path.rfind('.') + 1);
  if (ending == "stl") return read_stl(bytes, mm_per_unit);
  if (ending == "obj") return read_obj(bytes, mm_per_unit);
  if (ending == "off") return read_off(bytes, mm_per_unit);
  if (ending == "ply") return read_ascii_ply(bytes, mm_per_unit);
  throw std::runtime_error("mesh ending " + ending);
}

Solid make_solid(const Mesh& mesh_S, const Scene& scene) {
  Solid solid{mesh_S, {}};
  for (auto& p : solid.mesh.points) p = scene.X_SE.inverse() * p;
  const auto all_at_entry = [&](const auto& corners) {
    for (const int v : corners) {
      if (!at_entry(solid.mesh.points[static_cast<std::size_t>(v)],
                    scene.opening_radius_mm + kRimRounding_mm))
        return false;
    }
    return true;
  };
  for (const auto& f : solid.mesh.faces) solid.role.push_back(all_at_entry(f) ? Role::entry : Role::wall);
  for (const auto& loop : loops(boundary(solid.mesh))) {
    cap(loop, all_at_entry(loop) ? Role::entry : scene.outlets_open ? Role::outlet : Role::wall, solid);
  }
  return solid;
}

}  // namespace withy_plain
