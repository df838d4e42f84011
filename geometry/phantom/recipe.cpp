// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/recipe.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/toml_reader.h"

namespace withy {
namespace {

/// Fewer sides than this enclose nothing.
constexpr int kLeastSides = 3;
/// More tubes, and longer ones (mm), are no phantom.
constexpr std::size_t kMostTubes = 500;
constexpr double kLongestTube_mm = 2e4;

/// More are no polygon any more.
constexpr int kMostSides = 1000;

/// Neighbouring points or stations closer than this are taken for a slip of the pen.
constexpr double kLeastStep_mm = 1e-6;

/// Reads the sections of one recipe; faults go to the file.
class Reader {
 public:
  explicit Reader(TomlFile& file) : file_(file) {}
  ChannelRecipe read();

 private:
  double positive(TomlSection& section, std::string_view key);
  double not_negative(TomlSection& section, std::string_view key);
  double angle_or_zero(TomlSection& section, std::string_view key);
  TubeEnd end(TomlSection& section, std::string_view key);
  Eigen::Isometry3d entry(TomlSection section);
  TubeRecipe tube(TomlSection section, const std::vector<TubeRecipe>& earlier);
  void parent(TomlSection& section, const std::vector<TubeRecipe>& earlier, TubeRecipe& tube);
  std::vector<TubePath::Bend> pieces(TomlSection& section);
  std::vector<Eigen::Vector3d> points(TomlSection& section);
  RadiusProfile radius(TomlSection& section);
  void check_length(const std::string& key, double whole_mm);

  TomlFile& file_;
};

double Reader::positive(TomlSection& section, std::string_view key) {
  const double value = section.number(key);
  if (section.has(key) && !(value > 0.0)) {
    file_.fault(section.dotted(key), fmt::format("{} is {}", section.dotted(key), value), "give more than 0");
  }
  return value > 0.0 ? value : 1.0;
}

double Reader::not_negative(TomlSection& section, std::string_view key) {
  const double value = section.number(key);
  if (value < 0.0) {
    file_.fault(section.dotted(key), fmt::format("{} is {}", section.dotted(key), value), "give 0 or more");
  }
  return std::max(value, 0.0);
}

double Reader::angle_or_zero(TomlSection& section, std::string_view key) {
  return section.has(key) ? section.number(key) * kRadiansPerDegree : 0.0;
}

TubeEnd Reader::end(TomlSection& section, std::string_view key) {
  return section.word<TubeEnd>(key, {{"open", TubeEnd::open}, {"capped", TubeEnd::capped}});
}

/// The entry frame, made orthogonal as a scene's is.
Eigen::Isometry3d Reader::entry(TomlSection section) {
  Eigen::Isometry3d X_SE = Eigen::Isometry3d::Identity();
  X_SE.translation() = section.vector3("point_mm");
  const Eigen::Vector3d axis = section.vector3("axis");
  const Eigen::Vector3d given_x = section.vector3("x_axis");
  section.close();
  const Eigen::Vector3d z = axis.normalized();
  const Eigen::Vector3d x = given_x - z * z.dot(given_x);
  if (!(axis.norm() > 0.0)) {
    file_.fault(section.dotted("axis"), "entry.axis has no length", "give the direction into the channel");
  } else if (!(x.norm() > kLeastStep_mm * given_x.norm())) {
    file_.fault(section.dotted("x_axis"), "entry.x_axis has no part across entry.axis",
                "give a direction across it");
  } else {
    X_SE.linear().col(0) = x.normalized();
    X_SE.linear().col(1) = z.cross(x.normalized());
    X_SE.linear().col(2) = z;
  }
  return X_SE;
}

void Reader::check_length(const std::string& key, double whole_mm) {
  if (whole_mm > kLongestTube_mm)
    file_.fault(key, fmt::format("the tube is {:g} mm long", whole_mm),
                fmt::format("give at most {:g} mm", kLongestTube_mm));
}

std::vector<TubePath::Bend> Reader::pieces(TomlSection& section) {
  std::vector<TubePath::Bend> bends;
  for (TomlSection& piece : section.tables("pieces")) {
    const double length_mm = positive(piece, "length_mm");
    const double bend_rad = angle_or_zero(piece, "bend_deg");
    const double plane_rad = angle_or_zero(piece, "plane_deg");
    piece.close();
    if (bend_rad < 0.0 || bend_rad > 2.0 * std::numbers::pi) {
      file_.fault(piece.dotted("bend_deg"), "bend_deg is not between 0 and 360",
                  "turn plane_deg for another direction");
    }
    bends.push_back(
        {length_mm, bend_rad / length_mm * Eigen::Vector2d(std::cos(plane_rad), std::sin(plane_rad))});
  }
  double whole_mm = 0.0;
  for (const TubePath::Bend& bend : bends) whole_mm += bend.length_mm;
  check_length(section.dotted("pieces"), whole_mm);
  return bends;
}

std::vector<Eigen::Vector3d> Reader::points(TomlSection& section) {
  const std::vector<Eigen::Vector3d> points = section.vectors3("points_mm");
  const std::string name = section.dotted("points_mm");
  if (points.size() < 2) {
    file_.fault(name, fmt::format("{} has {} points", name, points.size()), "give at least two");
  } else if (!points.front().isZero(0.0)) {
    file_.fault(name + "[0]", "the first point is not where the tube starts", "give [0.0, 0.0, 0.0]");
  }
  for (std::size_t i = 1; i < points.size(); ++i) {
    if ((points[i] - points[i - 1]).norm() >= kLeastStep_mm) continue;
    file_.fault(fmt::format("{}[{}]", name, i), "two neighbouring points are the same", "leave one out");
  }
  double whole_mm = 0.0;
  for (std::size_t i = 1; i < points.size(); ++i) whole_mm += (points[i] - points[i - 1]).norm();
  check_length(name, whole_mm);
  return points;
}

RadiusProfile Reader::radius(TomlSection& section) {
  RadiusProfile profile;
  if (section.has("radius_between")) {
    profile.smooth = section.word<bool>("radius_between", {{"linear", false}, {"smooth", true}});
  }
  for (TomlSection& row : section.tables("radius")) {
    const double station_mm = not_negative(row, "station_mm");
    const double radius_mm = positive(row, "radius_mm");
    row.close();
    if (!profile.knots.empty() && station_mm < profile.knots.back().station_mm + kLeastStep_mm) {
      file_.fault(row.dotted("station_mm"), "the stations of the radius do not grow",
                  "give them in order, each once");
    }
    profile.knots.push_back({station_mm, radius_mm});
  }
  return profile;
}

void Reader::parent(TomlSection& section, const std::vector<TubeRecipe>& earlier, TubeRecipe& tube) {
  // The first tube has none: its keys are then unknown ones.
  if (earlier.empty()) return;
  const std::string name = section.text("parent");
  tube.at_mm = not_negative(section, "at_mm");
  tube.turn_rad = angle_or_zero(section, "turn_deg");
  tube.plane_rad = angle_or_zero(section, "plane_deg");
  const auto found =
      std::find_if(earlier.begin(), earlier.end(), [&](const TubeRecipe& t) { return t.name == name; });
  if (found == earlier.end()) {
    if (section.has("parent")) {
      file_.fault(section.dotted("parent"), fmt::format("there is no tube \"{}\" above this one", name),
                  "give the name of a [[tube]] that stands above");
    }
    return;
  }
  tube.parent = static_cast<int>(found - earlier.begin());
}

TubeRecipe Reader::tube(TomlSection section, const std::vector<TubeRecipe>& earlier) {
  TubeRecipe tube;
  tube.name = section.text("name");
  tube.position = find_position(file_.positions(), section.dotted(""));
  if (std::any_of(earlier.begin(), earlier.end(), [&](const TubeRecipe& t) { return t.name == tube.name; })) {
    file_.fault(section.dotted("name"), fmt::format("a second tube is called \"{}\"", tube.name),
                "give each its own name");
  }
  parent(section, earlier, tube);
  if (section.has("pieces") && section.has("points_mm")) {
    file_.fault(section.dotted("points_mm"), "the tube has both pieces and points_mm",
                "leave one of them out");
  }
  if (section.has("points_mm")) {
    tube.points = points(section);
  } else {
    tube.bends = pieces(section);
  }
  tube.radius = radius(section);
  section.close();
  return tube;
}

ChannelRecipe Reader::read() {
  TomlSection root = file_.root();
  ChannelRecipe recipe;
  recipe.title = root.text("title");
  recipe.entry_end = end(root, "ends");
  if (root.has("far_ends")) recipe.far_ends = end(root, "far_ends");
  recipe.edge_length_mm = positive(root, "edge_length_mm");
  recipe.blend_mm = root.has("blend_mm") ? not_negative(root, "blend_mm") : recipe.edge_length_mm;
  if (auto section = root.optional_table("entry")) recipe.X_SE = entry(*section);
  std::vector<TomlSection> sections = root.tables("tube");
  if (sections.size() > kMostTubes) {
    file_.fault("tube", fmt::format("the channel has {} tubes", sections.size()),
                fmt::format("give at most {}", kMostTubes));
    sections.resize(1, sections.front());
  }
  for (TomlSection& section : sections) recipe.tubes.push_back(tube(section, recipe.tubes));
  if (root.has("sides")) {
    recipe.sides = root.whole_number("sides");
    if (recipe.sides < kLeastSides || recipe.sides > kMostSides)
      file_.fault("sides", fmt::format("sides is {}", recipe.sides),
                  fmt::format("give a whole number from {} to {}", kLeastSides, kMostSides));
    if (recipe.tubes.size() > 1) file_.fault("sides", "sides is for a single tube", "leave it out");
  }
  root.close();
  return recipe;
}

}  // namespace

double RadiusProfile::at(double station_mm) const {
  const auto after = std::upper_bound(knots.begin(), knots.end(), station_mm,
                                      [](double s, const Knot& knot) { return s < knot.station_mm; });
  if (after == knots.begin()) return knots.front().radius_mm;
  const Knot& a = *std::prev(after);
  if (after == knots.end()) return a.radius_mm;
  const Knot& b = *after;
  double t = (station_mm - a.station_mm) / (b.station_mm - a.station_mm);
  if (smooth) t = t * t * (3.0 - 2.0 * t);
  return a.radius_mm + t * (b.radius_mm - a.radius_mm);
}

double RadiusProfile::largest() const {
  double largest_mm = 0.0;
  for (const Knot& knot : knots) largest_mm = std::max(largest_mm, knot.radius_mm);
  return largest_mm;
}

double RadiusProfile::smallest() const {
  double smallest_mm = knots.front().radius_mm;
  for (const Knot& knot : knots) smallest_mm = std::min(smallest_mm, knot.radius_mm);
  return smallest_mm;
}

Result<ChannelRecipe> read_recipe(const std::filesystem::path& file) {
  auto opened = TomlFile::open(file);
  if (!opened) return tl::unexpected<InputError>(opened.error());
  ChannelRecipe recipe = Reader(**opened).read();
  if (auto fault = (*opened)->first_fault()) return tl::unexpected<InputError>(*fault);
  return recipe;
}

}  // namespace withy
