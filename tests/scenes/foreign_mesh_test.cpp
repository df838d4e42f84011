// SPDX-License-Identifier: GPL-3.0-or-later
// A plan through a mesh that withy did not make: a knotted tube of 6,400 triangles from CGAL's demo data
// (knot1.off), found in the build folder (tools/setup/foreign-meshes puts it there).
//
// It is scaled so that the tube is wide enough for the body, and entered through one of its own faces: the
// entry plane is that face's plane. The target lies straight across the tube, a little to one side, so that
// the segment has to bend.
#include <filesystem>

#include <Eigen/Geometry>
#include <catch2/catch.hpp>
#include <fmt/format.h>

#include "geometry/mesh/mesh.h"
#include "tests/support/plain_replay.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace fs = std::filesystem;
using namespace withy;

namespace {

// The file's knot is about one unit wide; this makes its tube some 25 mm across.
constexpr double kScale = 200.0;

struct Face {
  Eigen::Vector3d centre;
  Eigen::Vector3d inward;
  Eigen::Vector3d edge;
  double area = 0.0;
  double reach = 0.0;  // from the centre to the farthest corner
};

Face largest_face(const TriangleMesh& mesh) {
  Face best;
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d a = mesh.vertices[static_cast<std::size_t>(t[0])];
    const Eigen::Vector3d b = mesh.vertices[static_cast<std::size_t>(t[1])];
    const Eigen::Vector3d c = mesh.vertices[static_cast<std::size_t>(t[2])];
    const Eigen::Vector3d normal = (b - a).cross(c - a);
    if (0.5 * normal.norm() > best.area)
      best = {(a + b + c) / 3.0, -normal.normalized(), (b - a).normalized(), 0.5 * normal.norm(), 0.0};
  }
  for (const Eigen::Vector3d& v : mesh.vertices)
    if ((v - best.centre).norm() <= 10.0 && std::abs((v - best.centre).dot(best.inward)) < 1e-6)
      best.reach = std::max(best.reach, (v - best.centre).norm());
  return best;
}

std::string scene_text(const Face& entry, const Eigen::Vector3d& target) {
  const auto vector = [](const Eigen::Vector3d& v) {
    return fmt::format("[{:.9f}, {:.9f}, {:.9f}]", v.x(), v.y(), v.z());
  };
  return fmt::format(
      "title = \"a tube that was not made here\"\n[channel]\nmesh = \"knot.off\"\nunit = \"mm\"\noutlets = "
      "\"closed\"\n"
      "[entry]\npoint_mm = {}\naxis = {}\nx_axis = {}\nopening_radius_mm = {:.6f}\n"
      "[target]\npoint_mm = {}\ntolerance_mm = 0.8\n[clearance]\nrequired_mm = 0.2\n"
      "[segment]\nlength_mm = 40.0\nradius_mm = 0.4\ntip_rigid_mm = 0.5\ncurvature_max_per_mm = "
      "0.05\nflexural_rigidity_Nmm2 = 100.0\n"
      "[layout]\nuse = 0\n[carriage]\nkind = \"free\"\ninsertion_max_mm = 60.0\n",
      vector(entry.centre), vector(entry.inward), vector(entry.edge), entry.reach + 1e-3, vector(target));
}

}  // namespace

TEST_CASE("A mesh that withy did not make is planned through, and the plain replay agrees") {
  const fs::path foreign = fs::path(WITHY_FOREIGN_MESHES) / "knot1.off";
  INFO("tools/setup/foreign-meshes BUILD_FOLDER fetches it");
  REQUIRE(fs::exists(foreign));
  auto mesh = read_mesh(foreign, LengthUnit::mm);
  REQUIRE(mesh);
  for (Eigen::Vector3d& v : mesh->vertices) v *= kScale;
  const withy_test::TemporaryFolder folder;
  REQUIRE(write_mesh(*mesh, folder.path() / "knot.off"));
  const Face entry = largest_face(*mesh);
  const Eigen::Vector3d target = entry.centre + 14.0 * entry.inward + 3.0 * entry.edge;
  withy_test::write_text(folder.path() / "scene.toml", scene_text(entry, target));
  const fs::path out = folder.path() / "out";
  const auto run = withy_test::run_program(
      WITHY_PROGRAM, {"plan", (folder.path() / "scene.toml").string(), "--quiet", "-o", out.string()},
      folder.path());
  CAPTURE(run.out, run.err);
  REQUIRE(run.status == 0);
  const auto faults =
      withy_plain::replay_plan((folder.path() / "scene.toml").string(), (out / "plan.json").string());
  for (const std::string& fault : faults) CHECK(fault == "");
}
