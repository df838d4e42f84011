// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstddef>
#include <fstream>
#include <iterator>
#include <limits>
#include <sstream>
#include <system_error>
#include <utility>

#include <CGAL/IO/OBJ.h>
#include <CGAL/IO/OFF.h>
#include <CGAL/IO/PLY.h>
#include <CGAL/IO/STL.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
#include <CGAL/Simple_cartesian.h>
#include <Eigen/Geometry>
#include <fmt/core.h>
#include <unistd.h>

#include "geometry/mesh/mesh_bytes.h"
#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/polygon_mesh.h"
#include "planner/files/input_file.h"

namespace withy {
namespace {

using WrittenKernel = CGAL::Simple_cartesian<double>;
using WrittenPoint = WrittenKernel::Point_3;
using Polygon = std::vector<std::size_t>;

struct WrittenSoup {
  std::vector<WrittenPoint> points;
  std::vector<Polygon> polygons;
};

constexpr std::string_view kFormatsRemedy = "give a mesh file that ends in .stl, .obj, .ply or .off";

std::string printable(const std::filesystem::path& file) {
  return file.generic_string();
}

/// What CGAL asks of a soup whose points are Eigen's.
struct PointOrder {
  using Point_3 = Eigen::Vector3d;
  struct Less_xyz_3 {
    bool operator()(const Eigen::Vector3d& a, const Eigen::Vector3d& b) const {
      return std::lexicographical_compare(a.begin(), a.end(), b.begin(), b.end());
    }
  };
  Less_xyz_3 less_xyz_3_object() const { return {}; }
};

/// All faces in one list, as CGAL takes them.
std::vector<Polygon> all_faces(const FaceSoup& soup) {
  std::vector<Polygon> faces = soup.wider;
  for (const auto& t : soup.triangles) faces.emplace_back(t.begin(), t.end());
  return faces;
}

PolygonMesh scaled_polygons(FaceSoup soup, double scale) {
  std::vector<Polygon> faces = all_faces(soup);
  CGAL::Polygon_mesh_processing::merge_duplicate_points_in_polygon_soup(
      soup.points, faces, CGAL::parameters::geom_traits(PointOrder()));
  PolygonMesh mesh;
  mesh.triangles.vertices = std::move(soup.points);
  for (Eigen::Vector3d& v : mesh.triangles.vertices) v *= scale;
  for (const Polygon& face : faces) {
    const std::vector<int> corners(face.begin(), face.end());
    if (corners.size() == 3)
      mesh.triangles.triangles.push_back({corners[0], corners[1], corners[2]});
    else
      mesh.wider.push_back(corners);
  }
  return mesh;
}

TriangleMesh scaled_mesh(FaceSoup soup, double scale) {
  CGAL::Polygon_mesh_processing::merge_duplicate_points_in_polygon_soup(
      soup.points, soup.triangles, CGAL::parameters::geom_traits(PointOrder()));
  TriangleMesh mesh;
  mesh.vertices = std::move(soup.points);
  for (Eigen::Vector3d& v : mesh.vertices) v *= scale;
  mesh.triangles.reserve(soup.triangles.size());
  for (const auto& t : soup.triangles) {
    mesh.triangles.push_back({static_cast<int>(t[0]), static_cast<int>(t[1]), static_cast<int>(t[2])});
  }
  return mesh;
}

WrittenSoup written_soup(const TriangleMesh& mesh) {
  WrittenSoup soup;
  soup.points.reserve(mesh.vertices.size());
  for (const Eigen::Vector3d& v : mesh.vertices) soup.points.emplace_back(v.x(), v.y(), v.z());
  soup.polygons.reserve(mesh.triangles.size());
  for (const auto& t : mesh.triangles) {
    soup.polygons.push_back(
        {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
  }
  return soup;
}

bool write_soup(std::ostream& out, MeshFormat format, const WrittenSoup& soup) {
  // Seventeen digits bring every double back as it was.
  out.precision(std::numeric_limits<double>::max_digits10);
  switch (format) {
    case MeshFormat::stl:
      CGAL::IO::set_binary_mode(out);
      return CGAL::IO::write_STL(out, soup.points, soup.polygons);
    case MeshFormat::obj:
      return CGAL::IO::write_OBJ(out, soup.points, soup.polygons);
    case MeshFormat::ply:
      CGAL::IO::set_binary_mode(out);
      return CGAL::IO::write_PLY(out, soup.points, soup.polygons);
    case MeshFormat::off:
      return CGAL::IO::write_OFF(out, soup.points, soup.polygons);
  }
  return false;
}

tl::unexpected<InputError> unknown_ending(const std::filesystem::path& file) {
  return input_error(
      printable(file), 1, 1,
      fmt::format("\"{}\" is no mesh format that withy knows", file.extension().generic_string()),
      std::string(kFormatsRemedy));
}

/// A mesh file's faces in its own unit.
Result<FaceSoup> read_faces(const std::filesystem::path& file, bool triangles_only) {
  const auto refuse = [&](const MeshFileFault& fault) {
    return input_error(printable(file), fault.line, fault.column, fault.problem, fault.remedy);
  };
  const auto format = mesh_format(file);
  if (!format) return unknown_ending(file);
  const auto bytes = read_input(file, kLargestMesh);
  if (!bytes)
    return refuse({1, 1, "there is no such file, or it can't be read",
                   "give the path of a mesh file, which ends in .stl, .obj, .ply or .off"});
  auto soup = read_soup(*bytes, *format);
  if (!soup) return refuse(soup.error());
  if (triangles_only && soup->first_wider) return refuse(*soup->first_wider);
  return std::move(*soup);
}

}  // namespace

double millimetres_per(LengthUnit unit) {
  switch (unit) {
    case LengthUnit::mm:
      return 1.0;
    case LengthUnit::cm:
      return 10.0;
    case LengthUnit::m:
      return 1000.0;
    case LengthUnit::inch:
      return 25.4;
  }
  return 1.0;
}

std::optional<LengthUnit> parse_length_unit(std::string_view word) {
  if (word == "mm") return LengthUnit::mm;
  if (word == "cm") return LengthUnit::cm;
  if (word == "m") return LengthUnit::m;
  if (word == "in") return LengthUnit::inch;
  return std::nullopt;
}

Result<TriangleMesh> read_mesh(const std::filesystem::path& file, LengthUnit unit) {
  auto soup = read_faces(file, true);
  if (!soup) return tl::unexpected<InputError>(soup.error());
  return scaled_mesh(std::move(*soup), millimetres_per(unit));
}

Result<PolygonMesh> read_polygon_mesh(const std::filesystem::path& file, LengthUnit unit) {
  auto soup = read_faces(file, false);
  if (!soup) return tl::unexpected<InputError>(soup.error());
  return scaled_polygons(std::move(*soup), millimetres_per(unit));
}

Result<std::string> mesh_bytes(const TriangleMesh& mesh, const std::filesystem::path& file) {
  const auto format = mesh_format(file);
  if (!format) return unknown_ending(file);
  std::ostringstream out;
  if (!write_soup(out, *format, written_soup(mesh)))
    return input_error(printable(file), 1, 1, "the mesh can't be written down", "name another format");
  return std::move(out).str();
}

Result<void> write_mesh(const TriangleMesh& mesh, const std::filesystem::path& file) {
  const auto bytes = mesh_bytes(mesh, file);
  if (!bytes) return tl::unexpected<InputError>(bytes.error());
  std::filesystem::path part = file;
  part += fmt::format(".{}.tmp", ::getpid());
  std::ofstream out(part, std::ios::binary);
  out << *bytes;
  out.close();
  std::error_code fault;
  if (out) std::filesystem::rename(part, file, fault);
  if (!out || fault) {
    std::error_code ignored;
    std::filesystem::remove(part, ignored);
    return input_error(printable(file), 1, 1, "this can't be written",
                       "name a file in a folder that exists and may be written to, on a disk with room");
  }
  return {};
}

double enclosed_volume(const TriangleMesh& mesh) {
  double six = 0.0;
  for (const auto& t : mesh.triangles) {
    const auto corner = [&](std::size_t k) -> const Eigen::Vector3d& {
      return mesh.vertices[static_cast<std::size_t>(t[k])];
    };
    six += corner(0).dot(corner(1).cross(corner(2)));
  }
  return std::abs(six) / 6.0;
}

}  // namespace withy
