// SPDX-License-Identifier: GPL-3.0-or-later
#include <charconv>
#include <string>
#include <string_view>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/scene/places.h"
#include "planner/scene/scene_parts.h"

namespace withy {
namespace {

std::vector<double> degrees(TomlSection& table, std::string_view key) {
  std::vector<double> angles = table.numbers(key);
  for (double& angle : angles) angle *= kRadiansPerDegree;
  return angles;
}

void read_channel_table(TomlSection table, Scene& scene) {
  scene.mesh_file = scene.file.parent_path() / table.text("mesh");
  scene.mesh_unit = table.word<LengthUnit>(
      "unit",
      {{"mm", LengthUnit::mm}, {"cm", LengthUnit::cm}, {"m", LengthUnit::m}, {"in", LengthUnit::inch}});
  scene.outlets = table.word<Outlets>("outlets", {{"closed", Outlets::closed}, {"open", Outlets::open}});
  table.close();
}

/// A place is given by its name or by its numbers.
void refuse_beside_at(TomlSection& table, TomlFile& file, std::initializer_list<const char*> keys) {
  for (const char* key : keys)
    if (table.has(key))
      file.fault(table.dotted(key), fmt::format("{} stands beside {}", table.dotted(key), table.dotted("at")),
                 "give the place by its name or by its numbers");
}

/// A place's name. No name is none, not even an empty one.
std::string read_place_name(TomlSection& table, TomlFile& file, std::string_view words) {
  std::string name = table.text("at");
  if (name.empty()) file.fault(table.dotted("at"), "\"\" names no place", fmt::format("give {}", words));
  return name;
}

EntryAsWritten read_entry_table(TomlSection table, TomlFile& file, Scene& scene) {
  if (table.has("at")) {
    EntryAsWritten written;
    written.entry_name = read_place_name(table, file, "\"opening:1\" for the one with the longest rim");
    if (table.has("x_axis")) written.x_axis_S = table.vector3("x_axis");
    refuse_beside_at(table, file, {"point_mm", "axis", "opening_radius_mm"});
    table.close();
    return written;
  }
  const EntryAsWritten written{
      {}, {}, table.vector3("point_mm"), table.vector3("axis"), table.vector3("x_axis")};
  scene.entry.opening_radius_mm = table.number("opening_radius_mm");
  table.close();
  return written;
}

void read_target_table(TomlSection table, TomlFile& file, Target& target, std::string& name) {
  if (table.has("at")) {
    name = read_place_name(table, file, kPlaceWords);
    refuse_beside_at(table, file, {"point_mm"});
  } else {
    target.point_S = table.vector3("point_mm");
  }
  target.tolerance_mm = table.number("tolerance_mm");
  const bool directed = table.has("direction") || table.has("direction_tolerance_deg");
  if (directed) {
    target.direction_S = table.vector3("direction");
    target.direction_tolerance_rad = table.number("direction_tolerance_deg") * kRadiansPerDegree;
  }
  table.close();
}

Target read_via_table(TomlSection table) {
  Target via;
  via.point_S = table.vector3("point_mm");
  via.tolerance_mm = table.number("tolerance_mm");
  if (table.has("direction") || table.has("direction_tolerance_deg")) {
    via.direction_S = table.vector3("direction");
    via.direction_tolerance_rad = table.number("direction_tolerance_deg") * kRadiansPerDegree;
  }
  table.close();
  return via;
}

void read_segment_table(TomlSection table, Segment& segment) {
  segment.length_mm = table.number("length_mm");
  segment.radius_mm = table.number("radius_mm");
  segment.tip_rigid_mm = table.number("tip_rigid_mm");
  segment.curvature_max_per_mm = table.number("curvature_max_per_mm");
  segment.flexural_rigidity_Nmm2 = table.number("flexural_rigidity_Nmm2");
  table.close();
}

LockHardware read_lock_table(TomlSection table) {
  LockHardware lock;
  lock.body_length_mm = table.number("body_length_mm");
  lock.body_radius_mm = table.number("body_radius_mm");
  lock.magnet_Am2 = table.number("magnet_Am2");
  lock.angle_free_rad = table.number("angle_free_deg") * kRadiansPerDegree;
  lock.angle_latched_rad = table.number("angle_latched_deg") * kRadiansPerDegree;
  lock.switch_torque_Nmm = table.number("switch_torque_Nmm");
  lock.hold_torque_Nmm = table.number("hold_torque_Nmm");
  lock.hold_moment_Nmm = table.number("hold_moment_Nmm");
  table.close();
  return lock;
}

/// The lock count that a key of [layout] names: "1" to "8", nothing for any other key.
std::optional<int> lock_count_of(const std::string& key) {
  int count = 0;
  const auto [end, error] = std::from_chars(key.data(), key.data() + key.size(), count);
  const bool plain = error == std::errc() && end == key.data() + key.size() && key.front() != '0';
  return plain && count >= 1 && count <= kMaxLocks ? std::optional(count) : std::nullopt;
}

void read_layout_table(TomlSection table, TomlFile& file, Scene& scene) {
  scene.layout_in_use = table.whole_number("use");
  for (const std::string& key : table.keys()) {
    const std::optional<int> count = lock_count_of(key);
    if (key == "use") continue;
    if (!count) {
      if (table.has(key))
        file.fault(table.dotted(key), "unknown key " + table.dotted(key),
                   fmt::format("name a layout by its lock count, from 1 to {}", kMaxLocks));
      continue;
    }
    TomlSection entry = table.table(key);
    LockLayout& layout = scene.layouts[*count];
    layout.station_mm = entry.numbers("station_mm");
    layout.clock_rad = degrees(entry, "clock_deg");
    entry.close();
  }
  table.close();
}

LatchHardware read_latch_table(TomlSection table) {
  LatchHardware latch;
  latch.notch_pitch_mm = table.number("notch_pitch_mm");
  latch.backbone_radius_mm = table.number("backbone_radius_mm");
  latch.backbone_angle_rad = degrees(table, "backbone_angles_deg");
  latch.engage_window_mm = table.number("engage_window_mm");
  latch.backlash_mm = table.number("backlash_mm");
  if (table.has("hunt_mm")) latch.hunt_mm = table.number("hunt_mm");
  table.close();
  return latch;
}

TendonHardware read_tendons_table(TomlSection table) {
  TendonHardware tendons;
  tendons.radius_mm = table.number("radius_mm");
  tendons.angle_rad = degrees(table, "angles_deg");
  tendons.disk_spacing_mm = table.number("disk_spacing_mm");
  tendons.stroke_max_mm = table.number("stroke_max_mm");
  tendons.tension_min_N = table.number("tension_min_N");
  tendons.tension_max_N = table.number("tension_max_N");
  tendons.friction_coefficient = table.number("friction_coefficient");
  tendons.motors = table.word<Motors>("motors", {{"ride", Motors::ride}, {"stand", Motors::stand}});
  table.close();
  return tendons;
}

void read_carriage_table(TomlSection table, Carriage& carriage) {
  carriage.kind =
      table.word<CarriageKind>("kind", {{"free", CarriageKind::free}, {"guide", CarriageKind::guide}});
  carriage.insertion_max_mm = table.number("insertion_max_mm");
  table.close();
}

Coil read_coil_table(TomlSection table) {
  Coil coil;
  coil.centre_S = table.vector3("centre_mm");
  coil.axis_S = table.vector3("axis");
  coil.radius_mm = table.number("radius_mm");
  coil.turns = table.number("turns");
  if (table.has("resistance_ohm")) coil.resistance_ohm = table.number("resistance_ohm");
  if (table.has("current_max_A")) coil.current_max_A = table.number("current_max_A");
  table.close();
  return coil;
}

/// One number: the most that an ambient field of any direction has; three: the ambient field itself.
void read_ambient(TomlSection& table, FieldHardware& field) {
  field.ambient_mT = kUsualAmbient_mT;
  if (!table.has("ambient_mT")) return;
  const bool known = table.has_array("ambient_mT");
  field.ambient_mT = known ? 0.0 : table.number("ambient_mT");
  if (known) field.ambient_S = table.vector3("ambient_mT");
}

void read_uniform_field(TomlSection& table, TomlFile& file, FieldHardware& field) {
  field.coil_mT_per_A = table.vector3("coil_mT_per_A");
  const std::vector<Eigen::Vector3d> axes = table.vectors3("coil_axes");
  if (axes.size() == 3) {
    for (int i = 0; i < 3; ++i) field.R_SC.col(i) = axes[static_cast<std::size_t>(i)];
  } else if (table.has("coil_axes")) {
    file.fault("field.coil_axes", fmt::format("field.coil_axes has {} axes", axes.size()),
               "give three orthonormal axes");
  }
}

FieldHardware read_field_table(TomlSection table, TomlFile& file) {
  FieldHardware field;
  field.strength_max_mT = table.number("strength_max_mT");
  if (table.has("reserve_wanted")) field.reserve_wanted = table.number("reserve_wanted");
  read_ambient(table, field);
  for (const TomlSection& coil : table.optional_tables("coil")) field.coils.push_back(read_coil_table(coil));
  if (field.coils.empty()) {
    read_uniform_field(table, file, field);
  } else {
    for (const char* key : {"coil_mT_per_A", "coil_axes"})
      if (table.has(key))
        file.fault(table.dotted(key), fmt::format("field.{} stands beside [[field.coil]]", key),
                   "give coils with their places, or a uniform field's constants and axes");
  }
  table.close();
  return field;
}

ElasticHardware read_elastic_table(TomlSection table) {
  ElasticHardware elastic;
  elastic.mass_g_per_mm = table.number("mass_g_per_mm");
  elastic.lock_mass_g = table.number("lock_mass_g");
  elastic.gravity_S = table.vector3("gravity");
  elastic.tendon_EA_N = table.number("tendon_EA_N");
  elastic.tendon_length_mm = table.number("tendon_length_mm");
  elastic.backbone_EA_N = table.number("backbone_EA_N");
  elastic.torsional_rigidity_Nmm2 = table.number("torsional_rigidity_Nmm2");
  if (table.has("segment_EA_N")) elastic.segment_EA_N = table.number("segment_EA_N");
  if (table.has("backbone_EI_Nmm2")) elastic.backbone_EI_Nmm2 = table.number("backbone_EI_Nmm2");
  table.close();
  return elastic;
}

Actuation read_actuation_table(TomlSection table) {
  Actuation actuation;
  actuation.advance_axis = table.text("advance");
  actuation.tendon_axes = table.texts("tendons");
  if (table.has("coils")) actuation.coil_axes = table.texts("coils");
  TomlSection rates = table.table("rates");
  actuation.advance_mm_per_s = rates.number("advance_mm_per_s");
  actuation.tendon_mm_per_s = rates.number("tendon_mm_per_s");
  actuation.field_settle_s = rates.number("field_settle_s");
  rates.close();
  table.close();
  return actuation;
}

}  // namespace

EntryAsWritten read_scene_tables(TomlFile& file, Scene& scene) {
  TomlSection root = file.root();
  scene.title = root.text("title");
  read_channel_table(root.table("channel"), scene);
  EntryAsWritten entry = read_entry_table(root.table("entry"), file, scene);
  read_target_table(root.table("target"), file, scene.target, entry.target_name);
  for (const TomlSection& via : root.optional_tables("via")) scene.vias.push_back(read_via_table(via));
  TomlSection clearance = root.table("clearance");
  scene.required_clearance_mm = clearance.number("required_mm");
  clearance.close();
  read_segment_table(root.table("segment"), scene.parts.segment);
  if (auto table = root.optional_table("lock")) scene.parts.lock = read_lock_table(*table);
  read_layout_table(root.table("layout"), file, scene);
  if (auto table = root.optional_table("latch")) scene.parts.latch = read_latch_table(*table);
  if (auto table = root.optional_table("tendons")) scene.parts.tendons = read_tendons_table(*table);
  read_carriage_table(root.table("carriage"), scene.parts.carriage);
  if (auto table = root.optional_table("field")) scene.parts.field = read_field_table(*table, file);
  if (auto table = root.optional_table("elastic")) scene.parts.elastic = read_elastic_table(*table);
  if (auto table = root.optional_table("actuation")) scene.actuation = read_actuation_table(*table);
  root.close();
  return entry;
}

}  // namespace withy
