// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstddef>
#include <exception>
#include <fstream>
#include <iterator>
#include <limits>
#include <system_error>
#include <utility>

#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/IO/OBJ.h>
#include <CGAL/IO/OFF.h>
#include <CGAL/IO/PLY.h>
#include <CGAL/IO/STL.h>
#include <CGAL/Polygon_mesh_processing/repair_polygon_soup.h>
#include <Eigen/Geometry>
#include <boost/interprocess/streams/bufferstream.hpp>
#include <fmt/format.h>
#include <unistd.h>

#include "geometry/mesh/mesh_scan.h"

namespace withy {
namespace {

using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Point = Kernel::Point_3;
using Polygon = std::vector<std::size_t>;

struct Soup {
  std::vector<Point> points;
  std::vector<Polygon> polygons;
};

constexpr std::string_view kFormatsRemedy = "give a mesh file that ends in .stl, .obj, .ply or .off";

std::string printable(const std::filesystem::path& file) {
  return file.generic_string();
}

bool read_soup(std::istream& in, MeshFormat format, Soup& soup) {
  const auto quiet = CGAL::parameters::verbose(false);
  switch (format) {
    case MeshFormat::stl:
      return CGAL::IO::read_STL(in, soup.points, soup.polygons, quiet);
    case MeshFormat::obj:
      return CGAL::IO::read_OBJ(in, soup.points, soup.polygons, quiet);
    case MeshFormat::ply:
      return CGAL::IO::read_PLY(in, soup.points, soup.polygons, quiet);
    case MeshFormat::off:
      return CGAL::IO::read_OFF(in, soup.points, soup.polygons, quiet);
  }
  return false;
}

/// A broken file must not end the program, whatever it makes the reader do: what the reader throws counts as
/// "can't be read".
bool read_soup_or_refuse(const std::string& bytes, MeshFormat format, Soup& soup) {
  boost::interprocess::ibufferstream in(bytes.data(), bytes.size());
  try {
    return read_soup(in, format, soup);
  } catch (const std::exception&) {
    return false;
  }
}

/// The file's bytes; nothing when it can't be read.
std::optional<std::string> bytes_of(const std::filesystem::path& file) {
  std::error_code fault;
  if (!std::filesystem::is_regular_file(file, fault)) return std::nullopt;
  std::ifstream in(file, std::ios::binary);
  std::string bytes(std::istreambuf_iterator<char>(in), {});
  if (!in.good() && !in.eof()) return std::nullopt;
  return bytes;
}

std::optional<MeshFileFault> fault_in_soup(const Soup& soup) {
  for (std::size_t i = 0; i < soup.points.size(); ++i) {
    const Point& p = soup.points[i];
    if (!std::isfinite(p.x()) || !std::isfinite(p.y()) || !std::isfinite(p.z())) {
      return not_finite(1, 1, i + 1);
    }
  }
  for (std::size_t i = 0; i < soup.polygons.size(); ++i) {
    const Polygon& polygon = soup.polygons[i];
    if (polygon.size() != 3) return not_a_triangle(1, 1, i + 1, polygon.size());
    for (const std::size_t v : polygon) {
      if (v >= soup.points.size()) return index_out_of_range(1, 1, i + 1, soup.points.size());
    }
  }
  if (soup.polygons.empty()) return no_triangles();
  return std::nullopt;
}

TriangleMesh scaled_mesh(Soup soup, double scale) {
  CGAL::Polygon_mesh_processing::merge_duplicate_points_in_polygon_soup(soup.points, soup.polygons);
  TriangleMesh mesh;
  mesh.vertices.reserve(soup.points.size());
  for (const Point& p : soup.points) mesh.vertices.emplace_back(scale * p.x(), scale * p.y(), scale * p.z());
  mesh.triangles.reserve(soup.polygons.size());
  for (const Polygon& t : soup.polygons) {
    mesh.triangles.push_back({static_cast<int>(t[0]), static_cast<int>(t[1]), static_cast<int>(t[2])});
  }
  return mesh;
}

Soup soup_of(const TriangleMesh& mesh) {
  Soup soup;
  soup.points.reserve(mesh.vertices.size());
  for (const Eigen::Vector3d& v : mesh.vertices) soup.points.emplace_back(v.x(), v.y(), v.z());
  soup.polygons.reserve(mesh.triangles.size());
  for (const auto& t : mesh.triangles) {
    soup.polygons.push_back(
        {static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]), static_cast<std::size_t>(t[2])});
  }
  return soup;
}

bool write_soup(std::ostream& out, MeshFormat format, const Soup& soup) {
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
  const auto refuse = [&](const MeshFileFault& fault) {
    return input_error(printable(file), fault.line, fault.column, fault.problem, fault.remedy);
  };
  const auto format = mesh_format(file);
  if (!format) return unknown_ending(file);
  auto bytes = bytes_of(file);
  if (!bytes)
    return refuse({1, 1, "there is no such file, or it can't be read", std::string(kFormatsRemedy)});
  if (const auto fault = scan_mesh(*bytes, *format)) return refuse(*fault);
  // CGAL's OBJ reader splits at spaces only.
  if (*format == MeshFormat::obj) std::replace(bytes->begin(), bytes->end(), '\t', ' ');
  Soup soup;
  if (!read_soup_or_refuse(*bytes, *format, soup)) {
    return refuse({1, 1, fmt::format("this can't be read as {}", name(*format)), "export the mesh again"});
  }
  if (const auto fault = fault_in_soup(soup)) return refuse(*fault);
  return scaled_mesh(std::move(soup), millimetres_per(unit));
}

Result<void> write_mesh(const TriangleMesh& mesh, const std::filesystem::path& file) {
  const auto format = mesh_format(file);
  if (!format) return unknown_ending(file);
  std::filesystem::path part = file;
  part += fmt::format(".{}.tmp", ::getpid());
  bool written = false;
  {
    std::ofstream out(part, std::ios::binary);
    written = out.good() && write_soup(out, *format, soup_of(mesh)) && out.flush().good();
  }
  std::error_code fault;
  if (written) std::filesystem::rename(part, file, fault);
  if (!written || fault) {
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
