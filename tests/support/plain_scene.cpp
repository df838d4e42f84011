// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_scene.h"

#include <cmath>
#include <filesystem>
#include <stdexcept>

#include <toml++/toml.h>

namespace withy_plain {
namespace {

constexpr double kPi = 3.14159265358979323846;

const toml::node& need(const toml::table& table, const std::string& key) {
  const toml::node* node = table.get(key);
  if (!node) throw std::runtime_error("scene has no " + key);
  return *node;
}

double number(const toml::table& table, const std::string& key) {
  return need(table, key).value<double>().value();
}

double degrees(const toml::table& table, const std::string& key) {
  return number(table, key) * kPi / 180;
}

std::string word(const toml::table& table, const std::string& key) {
  return need(table, key).value<std::string>().value();
}

std::vector<double> numbers(const toml::table& table, const std::string& key, double scale = 1) {
  std::vector<double> out;
  for (const auto& item : *need(table, key).as_array()) out.push_back(item.value<double>().value() * scale);
  return out;
}

Eigen::Vector3d vector3(const toml::table& table, const std::string& key) {
  const auto v = numbers(table, key);
  return {v.at(0), v.at(1), v.at(2)};
}

const toml::table& section(const toml::table& root, const std::string& key) {
  return *need(root, key).as_table();
}

double mm_per(const std::string& unit) {
  if (unit == "mm") return 1;
  if (unit == "cm") return 10;
  if (unit == "m") return 1000;
  if (unit == "in") return 25.4;
  throw std::runtime_error("unit " + unit);
}

void read_entry(const toml::table& entry, Scene& scene) {
  const Eigen::Vector3d z = vector3(entry, "axis").normalized();
  Eigen::Vector3d x = vector3(entry, "x_axis");
  x = (x - z * z.dot(x)).normalized();
  scene.X_SE.linear().col(0) = x;
  scene.X_SE.linear().col(1) = z.cross(x);
  scene.X_SE.linear().col(2) = z;
  scene.X_SE.translation() = vector3(entry, "point_mm");
  scene.opening_radius_mm = number(entry, "opening_radius_mm");
}

void read_target(const toml::table& target, Scene& scene) {
  scene.target_S = vector3(target, "point_mm");
  scene.target_tolerance_mm = number(target, "tolerance_mm");
  if (target.contains("direction")) {
    scene.target_direction_S = vector3(target, "direction").normalized();
    scene.target_direction_tolerance_rad = degrees(target, "direction_tolerance_deg");
  }
}

void read_segment(const toml::table& segment, Scene& scene) {
  scene.length_mm = number(segment, "length_mm");
  scene.radius_mm = number(segment, "radius_mm");
  scene.tip_rigid_mm = number(segment, "tip_rigid_mm");
  scene.curvature_max_per_mm = number(segment, "curvature_max_per_mm");
  scene.rigidity_Nmm2 = number(segment, "flexural_rigidity_Nmm2");
}

Lock read_lock(const toml::table& t) {
  return {number(t, "body_length_mm"),  number(t, "body_radius_mm"),     number(t, "magnet_Am2"),
          degrees(t, "angle_free_deg"), degrees(t, "angle_latched_deg"), number(t, "switch_torque_Nmm"),
          number(t, "hold_torque_Nmm"), number(t, "hold_moment_Nmm")};
}

Latch read_latch(const toml::table& t) {
  Latch latch;
  latch.pitch_mm = number(t, "notch_pitch_mm");
  latch.radius_mm = number(t, "backbone_radius_mm");
  latch.angle_rad = numbers(t, "backbone_angles_deg", kPi / 180);
  latch.window_mm = number(t, "engage_window_mm");
  latch.backlash_mm = number(t, "backlash_mm");
  if (t.contains("hunt_mm")) latch.hunt_mm = number(t, "hunt_mm");
  return latch;
}

Tendons read_tendons(const toml::table& t) {
  Tendons tendons;
  tendons.radius_mm = number(t, "radius_mm");
  tendons.angle_rad = numbers(t, "angles_deg", kPi / 180);
  tendons.disk_spacing_mm = number(t, "disk_spacing_mm");
  tendons.stroke_max_mm = number(t, "stroke_max_mm");
  tendons.tension_min_N = number(t, "tension_min_N");
  tendons.tension_max_N = number(t, "tension_max_N");
  tendons.friction = number(t, "friction_coefficient");
  tendons.motors_ride = word(t, "motors") == "ride";
  return tendons;
}

Coil read_coil(const toml::table& t) {
  Coil coil;
  coil.centre_S = vector3(t, "centre_mm");
  coil.axis_S = vector3(t, "axis").normalized();
  coil.radius_mm = number(t, "radius_mm");
  coil.turns = number(t, "turns");
  if (t.contains("resistance_ohm")) coil.resistance_ohm = number(t, "resistance_ohm");
  if (t.contains("current_max_A")) coil.current_max_A = number(t, "current_max_A");
  return coil;
}

Field read_field(const toml::table& t) {
  Field field;
  field.strength_max_mT = number(t, "strength_max_mT");
  if (t.contains("reserve_wanted")) field.reserve_wanted = number(t, "reserve_wanted");
  const toml::node* ambient = t.get("ambient_mT");
  field.ambient_mT = !ambient ? 0.05 : ambient->is_array() ? 0 : number(t, "ambient_mT");
  if (ambient && ambient->is_array()) field.ambient_S = vector3(t, "ambient_mT");
  if (const toml::node* coils = t.get("coil")) {
    for (const auto& coil : *coils->as_array()) field.coils.push_back(read_coil(*coil.as_table()));
    return field;
  }
  field.coil_mT_per_A = vector3(t, "coil_mT_per_A");
  int row = 0;
  for (const auto& axis : *need(t, "coil_axes").as_array()) {
    for (int k = 0; k < 3; ++k) {
      field.coil_axes_S(row, k) = axis.as_array()->get(static_cast<std::size_t>(k))->value<double>().value();
    }
    ++row;
  }
  return field;
}

void read_layouts(const toml::table& root, Scene& scene) {
  if (!root.contains("layout")) return;
  for (const auto& [key, node] : section(root, "layout")) {
    const toml::table* entry = node.as_table();
    if (!entry) continue;  // the key `use`
    scene.layouts[std::stoi(std::string(key.str()))] = {numbers(*entry, "station_mm"),
                                                        numbers(*entry, "clock_deg", kPi / 180)};
  }
}

}  // namespace

Scene read_scene(const std::string& path) {
  const toml::table root = toml::parse_file(path);
  Scene scene;
  const toml::table& channel = section(root, "channel");
  scene.mesh_path = (std::filesystem::path(path).parent_path() / word(channel, "mesh")).string();
  scene.mm_per_unit = mm_per(word(channel, "unit"));
  scene.outlets_open = word(channel, "outlets") == "open";
  read_entry(section(root, "entry"), scene);
  read_target(section(root, "target"), scene);
  scene.required_clearance_mm = number(section(root, "clearance"), "required_mm");
  read_segment(section(root, "segment"), scene);
  if (root.contains("lock")) scene.lock = read_lock(section(root, "lock"));
  read_layouts(root, scene);
  if (root.contains("latch")) scene.latch = read_latch(section(root, "latch"));
  if (root.contains("tendons")) scene.tendons = read_tendons(section(root, "tendons"));
  if (root.contains("field")) scene.field = read_field(section(root, "field"));
  if (root.contains("actuation")) {
    const toml::table& actuation = section(root, "actuation");
    const toml::table& rates = section(actuation, "rates");
    scene.actuation = {number(rates, "advance_mm_per_s"), number(rates, "tendon_mm_per_s"),
                       number(rates, "field_settle_s"), actuation.contains("coils")};
  }
  const toml::table& carriage = section(root, "carriage");
  scene.guide = word(carriage, "kind") == "guide";
  scene.insertion_max_mm = number(carriage, "insertion_max_mm");
  return scene;
}

}  // namespace withy_plain
