// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/scene.h"

#include <cmath>
#include <numbers>

#include <catch2/catch.hpp>

#include "tests/support/temporary_folder.h"

using namespace withy;
using Catch::Matchers::StartsWith;
using Catch::Matchers::WithinAbs;
using withy_test::read_text;
using withy_test::TemporaryFolder;
using withy_test::write_text;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/assets/scenes";

/// A scene of its own folder: full.toml with some of its text replaced.
class EditedScene {
 public:
  EditedScene() : text_(read_text(kScenes / "full.toml")) {
    write_text(folder_.path() / "tube.off", read_text(kScenes / "tube.off"));
  }

  EditedScene& replace(const std::string& what, const std::string& by) {
    const std::size_t at = text_.find(what);
    REQUIRE(at != std::string::npos);
    text_.replace(at, what.size(), by);
    return *this;
  }

  /// Takes a table out, header and all.
  EditedScene& drop_table(const std::string& header) {
    const std::size_t from = text_.find(header + "\n");
    REQUIRE(from != std::string::npos);
    std::size_t to = text_.find("\n[", from);
    text_.erase(from, to == std::string::npos ? to : to + 1 - from);
    return *this;
  }

  Result<Scene> read() const {
    write_text(folder_.path() / "scene.toml", text_);
    return read_scene(folder_.path() / "scene.toml");
  }

 private:
  TemporaryFolder folder_;
  std::string text_;
};

constexpr double kPi = std::numbers::pi;

}  // namespace

TEST_CASE("a scene holds what its file says, angles in radians") {
  const Result<Scene> scene = read_scene(kScenes / "full.toml");
  REQUIRE(scene);
  CHECK_THAT(scene->title, StartsWith("every table"));
  CHECK(scene->mesh_file == kScenes / "tube.off");
  CHECK(scene->mesh_unit == LengthUnit::mm);
  CHECK(scene->outlets == Outlets::closed);
  CHECK(scene->entry.opening_radius_mm == 8.0);
  CHECK(scene->target.point_S == Eigen::Vector3d(0.0, 0.0, 60.0));
  CHECK(scene->target.tolerance_mm == 2.0);
  CHECK_THAT(scene->target.direction_tolerance_rad, WithinAbs(kPi / 9.0, 1e-15));  // 20 degrees
  CHECK(scene->required_clearance_mm == 0.2);
  CHECK(scene->parts.segment.length_mm == 100.0);
  CHECK(scene->parts.segment.flexural_rigidity_Nmm2 == 900.0);
  REQUIRE(scene->parts.lock);
  CHECK_THAT(scene->parts.lock->angle_latched_rad, WithinAbs(kPi / 2.0, 1e-15));
  CHECK(scene->parts.lock->hold_moment_Nmm == 60.0);
  CHECK(scene->layout_in_use == 1);
  REQUIRE(scene->layouts.size() == 2);
  CHECK(scene->layouts.at(2).station_mm == std::vector<double>{33.0, 67.0});
  CHECK_THAT(scene->layouts.at(2).clock_rad.at(1), WithinAbs(kPi / 2.0, 1e-15));
  REQUIRE(scene->parts.latch);
  CHECK_THAT(scene->parts.latch->backbone_angle_rad.at(3), WithinAbs(7.0 * kPi / 4.0, 1e-15));
  REQUIRE(scene->parts.tendons);
  CHECK(scene->parts.tendons->angle_rad.size() == 4);
  CHECK(scene->parts.tendons->motors == Motors::ride);
  CHECK(scene->parts.carriage.kind == CarriageKind::free);
  REQUIRE(scene->parts.field);
  CHECK(scene->parts.field->R_SC.isIdentity());
  REQUIRE(scene->actuation);
  CHECK(scene->actuation->tendon_axes == std::vector<std::string>{"A", "B", "C", "U"});
  CHECK(scene->actuation->field_settle_s == 1.0);
}

TEST_CASE("a scene knows the digests of its file and of its mesh") {
  TemporaryFolder folder;
  // Digests by the sha256sum of GNU coreutils.
  write_text(folder.path() / "mesh.off", "abc");
  EditedScene edited;
  const Result<Scene> scene = edited.replace("tube.off", (folder.path() / "mesh.off").string()).read();
  REQUIRE(scene);
  CHECK(scene->mesh_sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  CHECK(scene->sha256.size() == 64);
  CHECK(scene->sha256 != edited.replace("60.0]", "61.0]").read()->sha256);
}

TEST_CASE(
    "the entry frame has its z along the axis and its x across it, as close as can be to what was given") {
  const Result<Scene> scene = EditedScene()
                                  .replace("axis = [0.0, 0.0, 1.0]", "axis = [0.0, 3.0, 4.0]")
                                  .replace("x_axis = [1.0, 0.0, 0.0]", "x_axis = [0.0, 0.0, 2.0]")
                                  .replace("point_mm = [0.0, 0.0, 0.0]", "point_mm = [1.0, 2.0, 3.0]")
                                  .read();
  REQUIRE(scene);
  const Eigen::Isometry3d& X_SE = scene->entry.X_SE;
  // By hand: z = (0, .6, .8); (0,0,1) less its part along z is (0, -.48, .36), of length .6; y = z cross x =
  // (1, 0, 0).
  CHECK(X_SE.linear().col(2).isApprox(Eigen::Vector3d(0.0, 0.6, 0.8), 1e-15));
  CHECK(X_SE.linear().col(0).isApprox(Eigen::Vector3d(0.0, -0.8, 0.6), 1e-15));
  CHECK(X_SE.linear().col(1).isApprox(Eigen::Vector3d(1.0, 0.0, 0.0), 1e-15));
  CHECK(X_SE.translation() == Eigen::Vector3d(1.0, 2.0, 3.0));
  CHECK(scene->parts.R_SE == X_SE.linear());
  // The target (0, 0, 60) seen from there: components of (-1, -2, 57) along the three axes.
  CHECK(scene->target_point_E().isApprox(Eigen::Vector3d(1.6 + 34.2, -1.0, -1.2 + 45.6), 1e-14));
  REQUIRE(scene->target_direction_E());
  CHECK(scene->target_direction_E()->isApprox(Eigen::Vector3d(0.6, 0.0, 0.8), 1e-15));
}

TEST_CASE("tables that may be left out leave their part of the scene empty") {
  const Result<Scene> scene =
      EditedScene()
          .drop_table("[latch]")
          .drop_table("[tendons]")
          .drop_table("[field]")
          .drop_table("[actuation]")
          .drop_table("[elastic]")
          .drop_table("[lock]")
          .replace("use = 1", "use = 0")
          .replace("direction = [0.0, 0.0, 1.0]\ndirection_tolerance_deg = 20.0\n", "")
          .read();
  REQUIRE(scene);
  CHECK_FALSE(scene->parts.latch);
  CHECK_FALSE(scene->parts.tendons);
  CHECK_FALSE(scene->parts.field);
  CHECK_FALSE(scene->actuation);
  CHECK_FALSE(scene->parts.lock);
  CHECK_FALSE(scene->target.direction_S);
  CHECK_FALSE(scene->target_direction_E());
  CHECK(scene->design(0));
  const auto with_lock = scene->design(1);
  REQUIRE_FALSE(with_lock);
  CHECK(with_lock.error().problem == "1 lock without [lock], so the hardware is unknown");
}

TEST_CASE("an elastic segment needs the tendons that bend it and the backbones that its locks hold") {
  const Result<Scene> whole = read_scene(kScenes / "full.toml");
  REQUIRE(whole);
  REQUIRE(whole->parts.elastic);
  CHECK(whole->parts.elastic->gravity_S == Eigen::Vector3d(0.0, -1.0, 0.0));
  CHECK(whole->parts.elastic->segment_EA_N == 30000.0);

  const auto without_tendons = EditedScene().drop_table("[tendons]").drop_table("[actuation]").read();
  REQUIRE_FALSE(without_tendons);
  CHECK(without_tendons.error().problem == "[elastic] stands in a scene without [tendons]");
  const auto without_latch = EditedScene().drop_table("[latch]").read();
  REQUIRE_FALSE(without_latch);
  CHECK(without_latch.error().problem == "[elastic] stands in a scene with locks and without [latch]");

  const auto slanted = EditedScene().replace("[0.0, -1.0, 0.0]", "[0.0, -3.0, 4.0]").read();
  REQUIRE(slanted);
  CHECK((slanted->parts.elastic->gravity_S - Eigen::Vector3d(0.0, -0.6, 0.8)).norm() < 1e-15);
}

TEST_CASE("a design is made with the layout of its count, or with the assumed one") {
  const Result<Scene> scene = read_scene(kScenes / "full.toml");
  REQUIRE(scene);
  const Result<Design> two = scene->design(2);
  REQUIRE(two);
  CHECK(two->layout().station_mm == std::vector<double>{33.0, 67.0});
  CHECK_FALSE(two->layout().assumed);
  const Result<Design> three = scene->design(3);
  REQUIRE(three);
  CHECK(three->layout().assumed);
  // Quarters of the 97 mm between base and tip span, by hand.
  CHECK(three->layout().station_mm == std::vector<double>{24.25, 48.5, 72.75});
  CHECK_FALSE(scene->design(0)->layout().assumed);
  CHECK_FALSE(scene->design(9));
  CHECK_FALSE(scene->design(-1));
}

TEST_CASE("a count whose assumed locks do not fit is an error that says so") {
  const Result<Scene> scene =
      EditedScene().replace("body_length_mm = 4.0", "body_length_mm = 30.0").drop_table("[layout.2]").read();
  REQUIRE(scene);
  const auto four = scene->design(4);
  REQUIRE_FALSE(four);
  CHECK_THAT(four.error().problem, StartsWith("the body of lock 2"));
}

TEST_CASE("a key's position is its value's, and that of the nearest table where it is not in the file") {
  const Result<Scene> scene = read_scene(kScenes / "full.toml");
  REQUIRE(scene);
  // Counted in the file.
  CHECK(scene->where("target.point_mm").line == 15);
  CHECK(scene->where("target.point_mm").column == 12);
  CHECK(scene->where("layout.7.station_mm").line == 40);
  CHECK(scene->where("nowhere").line == 1);
  CHECK(scene->error_at("entry.axis", "p", "r").message() ==
        (kScenes / "full.toml").string() + ":10:8: p, r");
}

TEST_CASE("of several faults the one that stands first in the file is reported") {
  const auto scene = EditedScene()
                         .replace("motors = \"ride\"", "motors = \"fly\"")
                         .replace("radius_mm = 1.5", "radius_mm = \"1.5\"")
                         .replace("required_mm = 0.2", "required = 0.2")
                         .read();
  REQUIRE_FALSE(scene);
  CHECK(scene.error().line == 20);
  CHECK(scene.error().problem == "[clearance] has no required_mm");
}

TEST_CASE("an integer will do where a number is wanted, a string never") {
  CHECK(EditedScene().replace("length_mm = 100.0", "length_mm = 100").read());
  CHECK_FALSE(EditedScene().replace("length_mm = 100.0", "length_mm = \"100\"").read());
  CHECK_FALSE(EditedScene().replace("use = 1", "use = 1.0").read());
}

TEST_CASE("layouts that no design can have are refused even when they are not in use") {
  const auto scene = EditedScene().replace("[33.0, 67.0]", "[67.0, 33.0]").read();
  REQUIRE_FALSE(scene);
  CHECK(scene.error().line == 48);
}

TEST_CASE("the channel of a scene is its mesh, checked, with the target inside and the body in the opening") {
  const Result<Scene> scene = read_scene(kScenes / "full.toml");
  REQUIRE(scene);
  const auto channel = read_channel(*scene);
  REQUIRE(channel);
  CHECK((*channel)->openings.size() == 1);

  EditedScene edited;
  const auto outside = edited.replace("[0.0, 0.0, 60.0]", "[0.0, 9.0, 60.0]").read();
  REQUIRE(outside);
  const auto refused = read_channel(*outside);
  REQUIRE_FALSE(refused);
  CHECK(refused.error().line == 15);
  // The 24-gon of circumradius 8 has a corner at (0, 8): 1 mm away.
  CHECK(refused.error().problem == "the target lies 1.000 mm outside the channel");
}
