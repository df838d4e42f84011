// SPDX-License-Identifier: GPL-3.0-or-later
#include <cmath>
#include <numbers>
#include <set>
#include <string_view>

#include <Eigen/Geometry>
#include <fmt/core.h>

#include "planner/files/shown.h"
#include "planner/files/words.h"
#include "planner/scene/scene_parts.h"

namespace withy {
namespace {

/// An axis shorter than this has no direction worth the name.
constexpr double kShortestAxis = 1e-9;

/// Sine of the least angle between `axis` and `x_axis`: below it, making them orthogonal would be a guess.
constexpr double kNotParallel = 1e-3;

/// More gaps between disks than this are no disks: pulls then are those of continuous routing to a millionth.
constexpr double kMostGaps = 1000.0;

/// The letters of machine axes in ISO 6983-1.
constexpr std::string_view kAxisLetters = "XYZABCUVW";

/// The entry's pose; faults where its axes span none.
void place_entry(TomlFile& file, const EntryAsWritten& written, Entry& entry) {
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

/// `name` of the table: "target" or "via".
void check_target(TomlFile& file, Target& target, const std::string& name) {
  if (!target.direction_S) return;
  if (target.direction_S->norm() < kShortestAxis)
    file.fault(name + ".direction", name + ".direction has no length",
               "give the direction the tip should point in");
  else
    target.direction_S->normalize();
}

/// A fault of the design at the scene's key. `layout_key` is the table whose stations were tried.
void blame(TomlFile& file, const DesignRefusal& refusal, const std::string& layout_key) {
  const bool of_layout = refusal.part.starts_with("layout.");
  const std::string key =
      of_layout ? layout_key + refusal.part.substr(std::string("layout").size()) : refusal.part;
  file.fault_of_values_together(refusal.fault == DesignFault::lock_missing ? layout_key : key,
                                refusal.problem, refusal.remedy);
}

/// Tendons at one angle are one: together they neither bend the segment elsewhere nor hold it straight.
void check_tendon_angles(TomlFile& file, const std::vector<double>& angle_rad) {
  constexpr double kSameHole_rad = 1e-3;
  for (std::size_t k = 1; k < angle_rad.size(); ++k)
    for (std::size_t i = 0; i < k; ++i)
      if (std::abs(std::remainder(angle_rad[k] - angle_rad[i], 2.0 * std::numbers::pi)) < kSameHole_rad)
        return file.fault_of_values_together(
            fmt::format("tendons.angles_deg[{}]", k),
            fmt::format("tendon {} has the angle of tendon {}", k + 1, i + 1),
            "give each tendon an angle of its own");
}

void check_disks(TomlFile& file, const DesignParts& parts) {
  const double spacing = parts.tendons->disk_spacing_mm;
  if (spacing > 0.0 && parts.segment.length_mm > kMostGaps * spacing)
    file.fault_of_values_together("tendons.disk_spacing_mm",
                                  fmt::format("tendons.disk_spacing_mm is {} on a segment of {} mm",
                                              shown(spacing), shown(parts.segment.length_mm)),
                                  fmt::format("give at least {} mm, or 0 for continuous routing",
                                              shown_at_least(parts.segment.length_mm / kMostGaps)));
}

/// Tendons and secondary backbones run within the body's outline.
void check_wires_inside(TomlFile& file, const DesignParts& parts) {
  const double body = parts.segment.radius_mm;
  const auto check = [&](const char* key, double radius) {
    if (radius > body)
      file.fault_of_values_together(key,
                                    fmt::format("{} is {}, outside the body, whose segment.radius_mm is {}",
                                                key, shown_at_least(radius), shown_at_most(body)),
                                    fmt::format("give at most {}, or a thicker body", shown_at_most(body)));
  };
  if (parts.latch) check("latch.backbone_radius_mm", parts.latch->backbone_radius_mm);
  if (parts.tendons) check("tendons.radius_mm", parts.tendons->radius_mm);
}

void check_design(TomlFile& file, const Scene& scene) {
  DesignParts parts = scene.parts;
  for (const DesignRefusal& refusal : design_faults(parts)) blame(file, refusal, "layout");
  if (parts.tendons) check_tendon_angles(file, parts.tendons->angle_rad);
  if (parts.tendons) check_disks(file, parts);
  check_wires_inside(file, parts);
  if (file.first_fault()) return;  // layouts are judged on sound hardware only
  for (const auto& [count, layout] : scene.layouts) {
    const std::string key = fmt::format("layout.{}", count);
    if (layout.count() != count) {
      file.fault(key + ".station_mm",
                 fmt::format("{}.station_mm has {}", key, count_of(layout.station_mm.size(), "station")),
                 fmt::format("give {}", count));
      continue;
    }
    parts.layout = layout;
    if (!parts.lock) continue;  // unused layouts may stand in a scene without locks
    for (DesignRefusal refusal : design_faults(parts)) {
      refusal.problem =
          fmt::format("{}, with {}: {}", key, count_of(layout.station_mm.size(), "lock"), refusal.problem);
      blame(file, refusal, key);
    }
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

/// Letters of the coils' axes, where the unit drives them: one for each coil.
void check_coil_axes(TomlFile& file, const Scene& scene, std::set<std::string>& used) {
  const std::vector<std::string>& letters = scene.actuation->coil_axes;
  if (letters.empty()) return;
  for (std::size_t i = 0; i < letters.size(); ++i)
    check_axis(file, fmt::format("actuation.coils[{}]", i), letters[i], used);
  const std::size_t coils = scene.parts.field ? static_cast<std::size_t>(scene.parts.field->coil_count()) : 0;
  if (letters.size() != coils)
    file.fault("actuation.coils",
               fmt::format("actuation.coils has {} for {}", count_of(letters.size(), "letter"),
                           count_of(coils, "coil")),
               "give one letter for each coil of [field], or leave the key out");
}

/// Normalises the coils' axes.
void check_coils(TomlFile& file, Scene& scene) {
  if (!scene.parts.field) return;
  std::vector<Coil>& coils = scene.parts.field->coils;
  for (std::size_t k = 0; k < coils.size(); ++k) {
    if (coils[k].axis_S.norm() >= kShortestAxis) {
      coils[k].axis_S.normalize();
      continue;
    }
    const std::string key = fmt::format("field.coil[{}].axis", k);
    file.fault(key, key + " has no length", "give the direction of the coil's axis");
    coils[k].axis_S = Eigen::Vector3d::UnitZ();
  }
}

/// Normalises the direction of gravity, and asks for the tables that an elastic body is made of.
void check_elastic(TomlFile& file, Scene& scene) {
  ElasticHardware& elastic = *scene.parts.elastic;
  if (elastic.gravity_S.norm() < kShortestAxis)
    file.fault("elastic.gravity", "elastic.gravity has no length", "give the direction that weights fall in");
  else
    elastic.gravity_S.normalize();
  if (!scene.parts.tendons) {
    file.fault("elastic", "[elastic] stands in a scene without [tendons]",
               "describe the tendons that bend the segment, or leave [elastic] out");
    return;
  }
  if (scene.parts.lock && !scene.parts.latch)
    file.fault("elastic", "[elastic] stands in a scene with locks and without [latch]",
               "describe the backbones that a lock holds, or leave [elastic] out");
  const double least_length = elastic.tendon_length_mm + scene.parts.segment.length_mm;
  if (scene.parts.tendons->motors == Motors::stand && least_length <= scene.parts.carriage.insertion_max_mm)
    file.fault(
        "elastic.tendon_length_mm",
        fmt::format("elastic.tendon_length_mm is {}: at the most insertion nothing is left of a tendon "
                    "to a motor that stands",
                    shown(elastic.tendon_length_mm)),
        "give more than insertion_max_mm less length_mm");
}

void check_actuation(TomlFile& file, const Scene& scene) {
  const Actuation& actuation = *scene.actuation;
  std::set<std::string> used;
  check_axis(file, "actuation.advance", actuation.advance_axis, used);
  for (std::size_t i = 0; i < actuation.tendon_axes.size(); ++i)
    check_axis(file, fmt::format("actuation.tendons[{}]", i), actuation.tendon_axes[i], used);
  const std::size_t wanted = scene.parts.tendons ? scene.parts.tendons->angle_rad.size() : 0;
  if (actuation.tendon_axes.size() != wanted)
    file.fault("actuation.tendons",
               fmt::format("actuation.tendons has {} for {}",
                           count_of(actuation.tendon_axes.size(), "letter"), count_of(wanted, "tendon")),
               "give one letter for each angle of [tendons]");
  check_coil_axes(file, scene, used);
}

}  // namespace

void check_scene_values(TomlFile& file, const EntryAsWritten& entry, Scene& scene) {
  place_entry(file, entry, scene.entry);
  check_target(file, scene.target, "target");
  for (Target& via : scene.vias) check_target(file, via, "via");
  scene.parts.R_SE = scene.entry.X_SE.linear();
  scene.parts.p_SE = scene.entry.X_SE.translation();
  check_coils(file, scene);
  if (scene.parts.elastic) check_elastic(file, scene);
  check_design(file, scene);
  if (scene.actuation) check_actuation(file, scene);
}

}  // namespace withy
