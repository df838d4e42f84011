// SPDX-License-Identifier: GPL-3.0-or-later
// A scene: the channel, where to go in, where to get to, and the hardware. Read whole or not at all.
#pragma once

#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>

#include "geometry/channel/channel.h"
#include "planner/files/input_error.h"
#include "planner/files/toml_reader.h"
#include "planner/segment/design.h"

namespace withy {

class WallDistance;

/// Where the tip should get to, in the scene frame S.
struct Target {
  Eigen::Vector3d point_S = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
  std::optional<Eigen::Vector3d> direction_S;  ///< unit vector
  double direction_tolerance_rad = 0.0;
};

/// How the actuation unit letters its axes in an ISO 6983 program, and how fast it moves.
struct Actuation {
  std::string advance_axis;
  std::vector<std::string> tendon_axes;
  std::vector<std::string> coil_axes;  ///< empty: an operator sets the coil currents
  double advance_mm_per_s = 0.0;
  double tendon_mm_per_s = 0.0;
  double field_settle_s = 0.0;
};

struct Scene {
  std::filesystem::path file;
  std::string sha256;       ///< of the scene file's bytes
  std::string mesh_sha256;  ///< of the mesh file's bytes
  std::string title;

  std::filesystem::path mesh_file;
  LengthUnit mesh_unit = LengthUnit::mm;
  Outlets outlets = Outlets::closed;
  Entry entry;
  Target target;
  std::vector<Target> vias;  ///< places that the tip passes on the way to the target, in this order
  double required_clearance_mm = 0.0;

  DesignParts parts;                  ///< all but the layout
  std::map<int, LockLayout> layouts;  ///< by lock count, as the scene gives them
  int layout_in_use = 0;
  std::optional<Actuation> actuation;

  /// Dotted key ("target.point_mm") -> where its value stands, so that later checks can point at the key to
  /// blame.
  std::map<std::string, FilePosition> position;

  /// The position of a dotted key, or of its nearest ancestor that stands in the file.
  FilePosition where(const std::string& dotted_key) const;

  /// An error that points at a key of this scene.
  InputError error_at(const std::string& dotted_key, std::string problem, std::string remedy) const;

  /// The design with `locks` locks: the scene's layout for that count, or the assumed one.
  Result<Design> design(int locks) const;

  /// The target's point and direction in the entry frame.
  Eigen::Vector3d target_point_E() const;
  std::optional<Eigen::Vector3d> target_direction_E() const;
};

/// Reads and checks a scene file (TOML 1.0, keys as the README's table). Requires that the mesh file
/// exists and hashes it; reads it only where entry or target have names (`at`).
/// `amend` may change the file's content before it is checked.
Result<Scene> read_scene(
    const std::filesystem::path& file, const std::function<void(TomlFile&)>& amend = [](TomlFile&) {});

/// The scene's mesh, checked and made into a channel with its exact distances; the target must lie inside its
/// lumen and the body must fit its opening. Faults of the mesh point at the mesh file, faults of the placing
/// at the scene's key. The distances' tree is built once, here.
Result<std::shared_ptr<const WallDistance>> read_wall(const Scene& scene);

/// The same, where distances are not wanted.
Result<std::shared_ptr<const Channel>> read_channel(const Scene& scene);

/// The two parts of read_wall, for scenes that share a channel: what depends on mesh, entry and outlets only,
/// and what depends on target, body and required clearance.
Result<std::shared_ptr<const WallDistance>> read_wall_only(const Scene& scene);
std::optional<InputError> placing_fault(const Scene& scene, const WallDistance& wall);

}  // namespace withy
