// SPDX-License-Identifier: GPL-3.0-or-later
// The shelf's channels have the sizes of the published tables that they are made from: radii and lengths are
// measured on the mesh that the recipe makes. Tables typed from: E. R. Weibel, "Morphometry of the Human
// Lung", 1963, model A, and K. Horsfield, 1994, both as given in J. Tu, K. Inthavong, G. Ahmadi,
// "Computational Fluid and Particle Dynamics in the Human Respiratory System", 2013, tables 3.2 and 3.3; the
// model of 35 orders after K. Horsfield and others, "Models of the human bronchial tree", 1971, as a public
// program lists it (scenes/shelf/airway-asymmetric/README.md); E. Girsowicz and others, "Anatomical Study of
// Healthy Aortic Arches", 2017; Yan Yu and others (branches of the arch); H. Goodfellow, E. Tahti (editors),
// "Industrial Ventilation Design Guidebook", 2001, table 5.5; H. Ellis, "Clinical Anatomy", 2006, B. P.
// Saunders and others, 1996, and S. E. Pritchard and others, 2014 (colon); D. Rachid Filho and others, 2009,
// K. R. Gandhi and S. Chavan, 2019, and S. Williamson, 2012 (kidney). Whole titles stand in the READMEs.
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

#include <catch2/catch.hpp>

#include "geometry/phantom/channel_maker.h"
#include "geometry/phantom/recipe.h"
#include "geometry/phantom/tube_tree.h"

namespace {

using namespace withy;

ChannelRecipe recipe_of(const std::string& name) {
  const auto recipe =
      read_recipe(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/shelf" / name / "recipe.toml");
  INFO((recipe ? std::string() : recipe.error().message()));
  REQUIRE(recipe);
  return *recipe;
}

std::size_t index_of(const ChannelRecipe& recipe, const std::string& tube) {
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i)
    if (recipe.tubes[i].name == tube) return i;
  FAIL("no tube " << tube);
  return 0;
}

/// Mean distance of the mesh's vertices from a tube's middle line, of those near a station.
double measured_radius(const TriangleMesh& mesh, const TubeTree::Tube& tube, double station_mm,
                       double near_mm = 0.6) {
  const Eigen::Isometry3d X = tube.path.pose(station_mm).inverse();
  double sum = 0.0;
  int count = 0;
  for (const Eigen::Vector3d& v : mesh.vertices) {
    const Eigen::Vector3d p = X * v;
    if (std::abs(p.z()) > near_mm || p.head<2>().norm() > 1.15 * tube.radius.at(station_mm)) continue;
    sum += p.head<2>().norm();
    ++count;
  }
  REQUIRE(count >= 4);
  return sum / count;
}

}  // namespace

TEST_CASE("the regular airway has the diameters and lengths of the published table within 2 %") {
  const ChannelRecipe recipe = recipe_of("airway-regular");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  const double diameter[] = {18.0, 12.2, 8.3, 5.6, 4.5};
  const double length[] = {120.0, 47.6, 19.0, 7.6, 12.7};
  std::map<std::size_t, int> count;
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i) {
    const std::size_t g = recipe.tubes[i].parent < 0 ? 0 : recipe.tubes[i].name.size();
    REQUIRE(g <= 4);
    ++count[g];
    CAPTURE(recipe.tubes[i].name);
    // A parent's daughters leave at its end: from branching to branching is its length.
    CHECK(tree->tubes()[i].path.length_mm() == Approx(length[g]).epsilon(0.02));
    // Past the joint, where the tube has its own wall all round.
    const double at = g == 0 ? 60.0 : 0.7 * length[g];
    if (g != 3)
      CHECK(2.0 * measured_radius(made->mesh_S, tree->tubes()[i], at) == Approx(diameter[g]).epsilon(0.02));
    if (g == 3) CHECK(2.0 * tree->tubes()[i].radius.at(at) == Approx(diameter[g]).epsilon(0.02));
  }
  for (const auto& [g, n] : count) CHECK(n == 1 << g);
}

TEST_CASE("the airway by orders has every tube of the published list within 2 %") {
  // Orders 21 to 35: diameter and length in cm, delta.
  struct Order {
    double diameter_cm, length_cm;
    int delta;
  };
  const std::map<int, Order> list = {
      {35, {2.0, 12.5, 1}},      {34, {1.5, 6.25, 2}},      {33, {1.375, 2.75, 3}},
      {32, {1.0, 1.375, 3}},     {31, {0.9125, 1.3125, 3}}, {30, {0.7375, 1.4125, 3}},
      {29, {0.7375, 1.4125, 3}}, {28, {0.675, 1.2125, 3}},  {27, {0.5375, 1.35, 3}},
      {26, {0.4375, 1.075, 3}},  {25, {0.4375, 1.1875, 3}}, {24, {0.3875, 1.2375, 3}},
      {23, {0.3625, 1.0, 3}},    {21, {0.3375, 1.025, 3}}};
  const ChannelRecipe recipe = recipe_of("airway-asymmetric");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  CHECK(recipe.tubes.size() == 31);
  std::map<std::string, int> order;
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i) {
    const auto& tube = recipe.tubes[i];
    CAPTURE(tube.name);
    int n = 35;
    if (tube.parent >= 0) {
      const std::string& parent = recipe.tubes[static_cast<std::size_t>(tube.parent)].name;
      CHECK((parent == "trachea" ? std::string() : parent) == tube.name.substr(0, tube.name.size() - 1));
      n = order.at(parent) - 1 - (tube.name.back() == 'b' ? list.at(order.at(parent)).delta : 0);
    }
    order[tube.name] = n;
    REQUIRE(list.contains(n));
    CHECK(tree->tubes()[i].path.length_mm() == Approx(10.0 * list.at(n).length_cm).epsilon(0.02));
    CHECK(2.0 * tree->tubes()[i].radius.at(5.0) == Approx(10.0 * list.at(n).diameter_cm).epsilon(0.02));
  }
}

TEST_CASE("the colon of the shelf has the volumes, lengths and widths that its sources give within 2 %") {
  const ChannelRecipe recipe = recipe_of("colon-flexures");
  const auto tree = TubeTree::make(recipe);
  REQUIRE(tree);
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  const auto& colon = tree->tubes()[0];
  const double splenic = 220.0 + 40.0;  // the middles of the two flexures
  const double hepatic = splenic + 400.0;
  // Lengths: the middles of 220 to 300 and of 120 to 200 mm, and 400 mm.
  CHECK(splenic == Approx(0.5 * (220.0 + 300.0)).epsilon(0.02));
  CHECK(hepatic - splenic == Approx(400.0).epsilon(0.02));
  CHECK(colon.path.length_mm() - hepatic == Approx(0.5 * (120.0 + 200.0)).epsilon(0.02));
  // Widths on the mesh: those of tubes of these lengths and volumes.
  const auto tube_width = [](double volume_ml, double length_mm) {
    return 2.0 * std::sqrt(1e3 * volume_ml / (std::numbers::pi * length_mm));
  };
  CHECK(2.0 * measured_radius(made->mesh_S, colon, 100.0, 2.0) ==
        Approx(tube_width(160.0, 260.0)).epsilon(0.02));
  CHECK(2.0 * measured_radius(made->mesh_S, colon, 760.0, 2.0) ==
        Approx(tube_width(203.0, 160.0)).epsilon(0.02));
  const auto volume_ml = [&](double from, double to) {
    double sum = 0.0;
    for (double s = from + 0.5; s < to; s += 1.0)
      sum += 1e-3 * std::numbers::pi * std::pow(colon.radius.at(s), 2);
    return sum;
  };
  CHECK(volume_ml(0.0, splenic) == Approx(160.0).epsilon(0.02));
  CHECK(volume_ml(splenic, hepatic) == Approx(198.0).epsilon(0.02));
  CHECK(volume_ml(hepatic, colon.path.length_mm()) == Approx(203.0).epsilon(0.02));
  // The flexures are where they are said to be: the tube turns there and nowhere else.
  const auto turn_deg = [&](double from, double to) {
    const Eigen::Vector3d a = colon.path.pose(from).linear().col(2);
    const Eigen::Vector3d b = colon.path.pose(to).linear().col(2);
    return std::acos(std::clamp(a.dot(b), -1.0, 1.0)) * 180.0 / std::numbers::pi;
  };
  CHECK(turn_deg(splenic - 40.0, splenic + 40.0) == Approx(130.0).epsilon(0.02));
  CHECK(turn_deg(hepatic - 40.0, hepatic + 40.0) == Approx(120.0).epsilon(0.02));
  CHECK(turn_deg(0.0, splenic - 40.0) == Approx(0.0).margin(1e-6));
}

TEST_CASE("the other channels of the shelf have the sizes that their sources give within 2 %") {
  for (const char* type : {"i", "ii", "iii"}) {
    CAPTURE(type);
    const ChannelRecipe arch = recipe_of(std::string("aortic-arch-") + type);
    const auto tree = TubeTree::make(arch);
    REQUIRE(tree);
    const auto& aorta = tree->tubes()[0];
    const auto at = [&](const char* name) { return arch.tubes[index_of(arch, name)].at_mm; };
    CHECK(2.0 * aorta.radius.at(at("left-subclavian")) == Approx(25.3).epsilon(0.02));
    CHECK(2.0 * aorta.radius.at(at("left-carotid")) == Approx(27.1).epsilon(0.02));
    CHECK(2.0 * aorta.radius.at(at("brachiocephalic")) == Approx(28.6).epsilon(0.02));
    CHECK(at("left-carotid") - at("left-subclavian") == Approx(14.3).epsilon(0.02));
    CHECK(at("brachiocephalic") - at("left-carotid") == Approx(21.8).epsilon(0.02));
    CHECK(2.0 * aorta.radius.at(0.0) == Approx(23.9).epsilon(0.02));
    CHECK(2.0 * aorta.radius.at(aorta.path.length_mm()) == Approx(29.5).epsilon(0.02));
    const auto width = [&](const char* name) {
      return 2.0 * tree->tubes()[index_of(arch, name)].radius.at(20.0);
    };
    CHECK(width("left-subclavian") == Approx(10.41).epsilon(0.02));
    CHECK(width("left-carotid") == Approx(8.28).epsilon(0.02));
    CHECK(width("brachiocephalic") == Approx(12.5).epsilon(0.02));
    // How far the trunk's origin on the outer wall lies below the top of the arch, in diameters of the
    // carotid.
    const auto outer_height = [&](double station_mm) {
      const Eigen::Isometry3d X = aorta.path.pose(station_mm);
      return (X * Eigen::Vector3d(-aorta.radius.at(station_mm), 0.0, 0.0)).z();
    };
    double top = 0.0;
    for (double s = 0.0; s < aorta.path.length_mm(); s += 0.5) top = std::max(top, outer_height(s));
    const double drop = (top - outer_height(at("brachiocephalic"))) / 8.28;
    const std::string name = type;
    CHECK((name == "i" ? drop < 1.0 : name == "ii" ? drop >= 1.0 && drop <= 2.0 : drop > 2.0));
  }
  const ChannelRecipe nose = recipe_of("nasal-passage");
  const double area_cm2[] = {0.65, 1.2, 1.15, 1.3, 1.5, 3.9, 2.9};
  const double part_mm[] = {9, 18, 13, 44, 6, 20, 30};
  double station = 0.0;
  for (std::size_t i = 0; i < 7; ++i) {
    const double r = nose.tubes[0].radius.at(station + 0.5 * part_mm[i]);
    CHECK(0.01 * std::numbers::pi * r * r == Approx(area_cm2[i]).epsilon(0.02));
    station += part_mm[i];
  }
  const ChannelRecipe kidney = recipe_of("renal-pelvis");
  CHECK(2.0 * kidney.tubes[index_of(kidney, "lower")].radius.at(10.0) == Approx(7.5).epsilon(0.02));
  CHECK(2.0 * kidney.tubes[index_of(kidney, "ureter")].radius.at(20.0) == Approx(5.0).epsilon(0.02));
  CHECK(kidney.tubes[index_of(kidney, "lower")].bends.front().length_mm == Approx(22.0).epsilon(0.02));
  CHECK(180.0 - kidney.tubes[index_of(kidney, "lower")].turn_rad * 180.0 / std::numbers::pi ==
        Approx(75.79).epsilon(0.02));
}
