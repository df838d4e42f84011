// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene.h"

#include <algorithm>
#include <cassert>
#include <charconv>
#include <cmath>
#include <numbers>
#include <set>

#include <Eigen/Geometry>
#include <fmt/format.h>

#include "geometry/toml_reader.h"
#include "geometry/wall_distance.h"
#include "planner/sha256.h"

namespace withy {
namespace {

constexpr double kRadPerDeg = std::numbers::pi / 180.0;

/// An axis shorter than this has no direction worth the name.
constexpr double kShortestAxis = 1e-9;

/// Sine of the least angle between `axis` and `x_axis`: below it, making them orthogonal would be a guess.
constexpr double kNotParallel = 1e-3;

/// The letters of machine axes in ISO 6983-1.
constexpr std::string_view kAxisLetters = "XYZABCUVW";

std::vector<double> degrees(TomlSection& table, std::string_view key) {
  std::vector<double> angles = table.numbers(key);
  for (double& angle : angles) angle *= kRadPerDeg;
  return angles;
}

// --- What the file says, table by table. Values are judged later. ---

void read_channel_table(TomlSection table, Scene& scene) {
  scene.mesh_file = scene.file.parent_path() / table.text("mesh");
  scene.mesh_unit = table.word<LengthUnit>(
      "unit",
      {{"mm", LengthUnit::mm}, {"cm", LengthUnit::cm}, {"m", LengthUnit::m}, {"in", LengthUnit::inch}});
  scene.outlets = table.word<Outlets>("outlets", {{"closed", Outlets::closed}, {"open", Outlets::open}});
  table.close();
}

/// The entry as written: its axes are still to be normalised.
struct EntryAsWritten {
  Eigen::Vector3d point_S, axis_S, x_axis_S;
};

EntryAsWritten read_entry_table(TomlSection table, Scene& scene) {
  const EntryAsWritten written{table.vector3("point_mm"), table.vector3("axis"), table.vector3("x_axis")};
  scene.entry.opening_radius_mm = table.number("opening_radius_mm");
  table.close();
  return written;
}

void read_target_table(TomlSection table, Target& target) {
  target.point_S = table.vector3("point_mm");
  target.tolerance_mm = table.number("tolerance_mm");
  const bool directed = table.has("direction") || table.has("direction_tolerance_deg");
  if (directed) {
    target.direction_S = table.vector3("direction");
    target.direction_tolerance_rad = table.number("direction_tolerance_deg") * kRadPerDeg;
  }
  table.close();
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
  lock.angle_free_rad = table.number("angle_free_deg") * kRadPerDeg;
  lock.angle_latched_rad = table.number("angle_latched_deg") * kRadPerDeg;
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

void read_layout_table(TomlSection table, Scene& scene) {
  scene.layout_in_use = table.whole_number("use");
  for (const std::string& key : table.keys()) {
    const std::optional<int> count = lock_count_of(key);
    if (!count) continue;  // close() reports it
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

FieldHardware read_field_table(TomlSection table, TomlFile& file) {
  FieldHardware field;
  field.strength_max_mT = table.number("strength_max_mT");
  field.coil_mT_per_A = table.vector3("coil_mT_per_A");
  const std::vector<Eigen::Vector3d> axes = table.vectors3("coil_axes");
  if (axes.size() == 3) {
    for (int i = 0; i < 3; ++i) field.R_SC.col(i) = axes[static_cast<std::size_t>(i)];
  } else if (table.has("coil_axes")) {
    file.fault("field.coil_axes", fmt::format("field.coil_axes has {} axes", axes.size()),
               "give three orthonormal axes");
  }
  table.close();
  return field;
}

Actuation read_actuation_table(TomlSection table) {
  Actuation actuation;
  actuation.advance_axis = table.text("advance");
  actuation.tendon_axes = table.texts("tendons");
  TomlSection rates = table.table("rates");
  actuation.advance_mm_per_s = rates.number("advance_mm_per_s");
  actuation.tendon_mm_per_s = rates.number("tendon_mm_per_s");
  actuation.field_settle_s = rates.number("field_settle_s");
  rates.close();
  table.close();
  return actuation;
}

EntryAsWritten read_tables(TomlFile& file, Scene& scene) {
  TomlSection root = file.root();
  scene.title = root.text("title");
  read_channel_table(root.table("channel"), scene);
  const EntryAsWritten entry = read_entry_table(root.table("entry"), scene);
  read_target_table(root.table("target"), scene.target);
  TomlSection clearance = root.table("clearance");
  scene.required_clearance_mm = clearance.number("required_mm");
  clearance.close();
  read_segment_table(root.table("segment"), scene.parts.segment);
  if (auto table = root.optional_table("lock")) scene.parts.lock = read_lock_table(*table);
  read_layout_table(root.table("layout"), scene);
  if (auto table = root.optional_table("latch")) scene.parts.latch = read_latch_table(*table);
  if (auto table = root.optional_table("tendons")) scene.parts.tendons = read_tendons_table(*table);
  read_carriage_table(root.table("carriage"), scene.parts.carriage);
  if (auto table = root.optional_table("field")) scene.parts.field = read_field_table(*table, file);
  if (auto table = root.optional_table("actuation")) scene.actuation = read_actuation_table(*table);
  root.close();
  return entry;
}

// --- What the values must be. ---

void check_positive(TomlFile& file, const std::string& key, double value) {
  if (!(value > 0.0)) file.fault(key, fmt::format("{} is {}", key, value), "give a number above 0");
}

void check_not_negative(TomlFile& file, const std::string& key, double value) {
  if (!(value >= 0.0)) file.fault(key, fmt::format("{} is {}", key, value), "give 0 or a number above 0");
}

/// The entry's pose; faults where its axes span none.
void place_entry(TomlFile& file, const EntryAsWritten& written, Entry& entry) {
  check_positive(file, "entry.opening_radius_mm", entry.opening_radius_mm);
  if (written.axis_S.norm() < kShortestAxis) {
    file.fault("entry.axis", "entry.axis has no length", "give the direction into the channel");
    return;
  }
  const Eigen::Vector3d z_S = written.axis_S.normalized();
  const Eigen::Vector3d across_S = written.x_axis_S - written.x_axis_S.dot(z_S) * z_S;
  if (written.x_axis_S.norm() < kShortestAxis) {
    file.fault("entry.x_axis", "entry.x_axis has no length", "give a direction across entry.axis");
    return;
  }
  if (across_S.norm() < kNotParallel * written.x_axis_S.norm()) {
    file.fault("entry.x_axis", "entry.x_axis is parallel to entry.axis",
               "give a direction across entry.axis");
    return;
  }
  const Eigen::Vector3d x_S = across_S.normalized();
  entry.X_SE.linear().col(0) = x_S;
  entry.X_SE.linear().col(1) = z_S.cross(x_S);
  entry.X_SE.linear().col(2) = z_S;
  entry.X_SE.translation() = written.point_S;
}

void check_target(TomlFile& file, Target& target) {
  check_positive(file, "target.tolerance_mm", target.tolerance_mm);
  if (!target.direction_S) return;
  if (target.direction_S->norm() < kShortestAxis)
    file.fault("target.direction", "target.direction has no length",
               "give the direction the tip should point in");
  else
    target.direction_S->normalize();
  const double tolerance = target.direction_tolerance_rad;
  if (!(tolerance > 0.0 && tolerance <= std::numbers::pi * (1.0 + 1e-12)))
    file.fault("target.direction_tolerance_deg",
               fmt::format("target.direction_tolerance_deg is {}", tolerance / kRadPerDeg),
               "give an angle above 0 and up to 180");
}

/// A fault of the design at the scene's key. `layout_key` is the table whose stations were tried.
void blame(TomlFile& file, const DesignRefusal& refusal, const std::string& layout_key) {
  const bool of_layout = refusal.part.starts_with("layout.");
  const std::string key =
      of_layout ? layout_key + refusal.part.substr(std::string("layout").size()) : refusal.part;
  file.fault(refusal.fault == DesignFault::lock_missing ? layout_key : key, refusal.problem, refusal.remedy);
}

void check_design(TomlFile& file, const Scene& scene) {
  DesignParts parts = scene.parts;
  for (const DesignRefusal& refusal : design_faults(parts)) blame(file, refusal, "layout");
  if (file.first_fault()) return;  // layouts are judged on sound hardware only
  for (const auto& [count, layout] : scene.layouts) {
    const std::string key = fmt::format("layout.{}", count);
    if (layout.count() != count) {
      file.fault(key + ".station_mm", fmt::format("{}.station_mm has {} stations", key, layout.count()),
                 fmt::format("give {}", count));
      continue;
    }
    parts.layout = layout;
    if (!parts.lock) continue;  // unused layouts may stand in a scene without locks
    for (const DesignRefusal& refusal : design_faults(parts)) blame(file, refusal, key);
  }
  if (scene.layout_in_use < 0 || scene.layout_in_use > kMaxLocks) {
    file.fault("layout.use", fmt::format("layout.use is {}", scene.layout_in_use),
               fmt::format("give a lock count from 0 to {}", kMaxLocks));
    return;
  }
  if (scene.layouts.contains(scene.layout_in_use) && parts.lock) return;
  parts.layout = assumed_layout(parts.segment, scene.layout_in_use);
  for (const DesignRefusal& refusal : design_faults(parts)) blame(file, refusal, "layout.use");
}

/// "advance" or one of "tendons": a single axis letter, used once.
void check_axis(TomlFile& file, const std::string& key, const std::string& letter,
                std::set<std::string>& used) {
  if (letter.size() != 1 || kAxisLetters.find(letter.front()) == std::string_view::npos)
    file.fault(key, fmt::format("{} is \"{}\", no axis letter of ISO 6983", key, letter),
               "give one of X, Y, Z, A, B, C, U, V, W");
  else if (!used.insert(letter).second)
    file.fault(key, fmt::format("{} is \"{}\", a letter that another axis has", key, letter),
               "give each axis a letter of its own");
}

void check_actuation(TomlFile& file, const Scene& scene) {
  const Actuation& actuation = *scene.actuation;
  std::set<std::string> used;
  check_axis(file, "actuation.advance", actuation.advance_axis, used);
  for (std::size_t i = 0; i < actuation.tendon_axes.size(); ++i)
    check_axis(file, fmt::format("actuation.tendons[{}]", i), actuation.tendon_axes[i], used);
  const std::size_t wanted = scene.parts.tendons ? scene.parts.tendons->angle_rad.size() : 0;
  if (actuation.tendon_axes.size() != wanted)
    file.fault(
        "actuation.tendons",
        fmt::format("actuation.tendons has {} letters for {} tendons", actuation.tendon_axes.size(), wanted),
        "give one letter for each angle of [tendons]");
  check_positive(file, "actuation.rates.advance_mm_per_s", actuation.advance_mm_per_s);
  check_positive(file, "actuation.rates.tendon_mm_per_s", actuation.tendon_mm_per_s);
  check_not_negative(file, "actuation.rates.field_settle_s", actuation.field_settle_s);
}

void check_values(TomlFile& file, const EntryAsWritten& entry, Scene& scene) {
  place_entry(file, entry, scene.entry);
  check_target(file, scene.target);
  check_not_negative(file, "clearance.required_mm", scene.required_clearance_mm);
  scene.parts.R_SE = scene.entry.X_SE.linear();
  check_design(file, scene);
  if (scene.actuation) check_actuation(file, scene);
}

// --- The channel. ---

/// Does this fault of the mesh come of where the scene places its entry?
std::optional<std::string> placing_key(MeshFault fault) {
  switch (fault) {
    case MeshFault::no_entry:
      return "entry.point_mm";
    case MeshFault::entry_off_plane:
      return "entry.point_mm";
    case MeshFault::axis_points_out:
      return "entry.axis";
    default:
      return std::nullopt;
  }
}

std::optional<InputError> placing_fault(const Scene& scene, const WallDistance& wall) {
  const Eigen::Vector3d target_E = scene.target_point_E();
  if (!wall.inside(target_E))
    return scene.error_at(
        "target.point_mm",
        fmt::format("the target lies {:.3f} mm outside the channel", wall.distance(target_E)),
        "give a point inside its lumen");
  const double room = wall.distance(Eigen::Vector3d::Zero());
  const double radius = scene.parts.segment.radius_mm;
  if (room < radius + scene.required_clearance_mm)
    return scene.error_at(
        "entry.point_mm",
        fmt::format("the wall is {:.3f} mm from the entry point, too near for a body of radius {} mm "
                    "with {} mm of clearance",
                    room, radius, scene.required_clearance_mm),
        "give a point in the middle of a wide enough opening");
  return std::nullopt;
}

}  // namespace

SourcePosition Scene::where(const std::string& dotted_key) const {
  return find_position(position, dotted_key);
}

InputError Scene::error_at(const std::string& dotted_key, std::string problem, std::string remedy) const {
  const SourcePosition at = where(dotted_key);
  return {file.string(), at.line, at.column, std::move(problem), std::move(remedy)};
}

Result<Design> Scene::design(int locks) const {
  const auto refuse = [&](std::string key, std::string problem, std::string remedy) {
    return tl::unexpected<InputError>(error_at(key, std::move(problem), std::move(remedy)));
  };
  if (locks < 0 || locks > kMaxLocks)
    return refuse("layout", fmt::format("{} locks are asked for", locks),
                  fmt::format("ask for a lock count from 0 to {}", kMaxLocks));
  DesignParts wanted = parts;
  const auto given = layouts.find(locks);
  wanted.layout = given != layouts.end() ? given->second : assumed_layout(parts.segment, locks);
  wanted.layout.assumed = locks > 0 && given == layouts.end();
  auto design = Design::make(std::move(wanted));
  if (design) return std::move(*design);
  const DesignRefusal& refusal = design.error();
  const bool of_layout = refusal.part.starts_with("layout.") || refusal.fault == DesignFault::lock_missing;
  return refuse(of_layout ? fmt::format("layout.{}", locks) : refusal.part, refusal.problem, refusal.remedy);
}

Eigen::Vector3d Scene::target_point_E() const {
  return entry.X_SE.inverse() * target.point_S;
}

std::optional<Eigen::Vector3d> Scene::target_direction_E() const {
  if (!target.direction_S) return std::nullopt;
  return entry.X_SE.linear().transpose() * *target.direction_S;
}

Result<Scene> read_scene(const std::filesystem::path& path) {
  auto file = TomlFile::open(path);
  if (!file) return tl::unexpected<InputError>(file.error());
  Scene scene;
  scene.file = path;
  scene.sha256 = sha256((*file)->bytes());
  const EntryAsWritten entry = read_tables(**file, scene);
  if (const auto fault = (*file)->first_fault()) return tl::unexpected<InputError>(*fault);
  check_values(**file, entry, scene);
  if (const auto fault = (*file)->first_fault()) return tl::unexpected<InputError>(*fault);
  scene.position = (*file)->positions();

  const Result<std::string> mesh = read_bytes(scene.mesh_file);
  if (!mesh)
    return tl::unexpected<InputError>(
        scene.error_at("channel.mesh", fmt::format("the mesh {} can't be read", scene.mesh_file.string()),
                       "give the path of a mesh, seen from the scene's folder"));
  scene.mesh_sha256 = sha256(*mesh);
  return scene;
}

Result<std::shared_ptr<const Channel>> read_channel(const Scene& scene) {
  const Result<TriangleMesh> mesh = read_mesh(scene.mesh_file, scene.mesh_unit);
  if (!mesh) return tl::unexpected<InputError>(mesh.error());
  auto made = make_channel(*mesh, scene.entry, scene.outlets);
  if (!made) {
    const MeshRefusal& refusal = made.error();
    if (const auto key = placing_key(refusal.fault))
      return tl::unexpected<InputError>(scene.error_at(*key, refusal.problem, refusal.remedy));
    return input_error(scene.mesh_file.string(), 1, 1, refusal.problem, refusal.remedy);
  }
  const auto channel = std::make_shared<const Channel>(std::move(*made));
  if (const auto fault = placing_fault(scene, WallDistance(channel)))
    return tl::unexpected<InputError>(*fault);
  return channel;
}

}  // namespace withy
