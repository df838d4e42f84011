// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/ranges.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

namespace withy {
namespace {

constexpr Range from(double least, double most) {
  return {least, most, false, false};
}
constexpr Range above(double least, double most) {
  return {least, most, true, false};
}
constexpr Range zero_or(double least, double most) {
  return {least, most, false, true};
}
constexpr Range either_way(double most) {
  return {-most, most, false, false};
}

constexpr Range kPlace = either_way(1e4);  // mm: ten metres either way from a scanner's or a drawing's origin
constexpr Range kAngle = either_way(360.0);
constexpr Range kDirection = either_way(1e6);  // normalised on reading

constexpr std::string_view kBench = "larger than any bench";
constexpr std::string_view kTurn = "one turn either way says it all";
constexpr std::string_view kNormalised = "only its direction counts";
constexpr std::string_view kField = "distances are kept on a grid no finer than 0.05 mm";
constexpr std::string_view kMachine = "larger than any machine of this kind";

constexpr Quantity kQuantities[] = {
    // Scenes.
    {"entry.point_mm", kPlace, "mm", kBench},
    {"entry.axis", kDirection, "", kNormalised},
    {"entry.x_axis", kDirection, "", kNormalised},
    {"entry.opening_radius_mm", from(0.2, 1e3), "mm", "the lumen is looked for 0.1 mm past the entry point"},
    {"target.point_mm", kPlace, "mm", kBench},
    {"target.tolerance_mm", from(1e-3, 1e3), "mm", "scripts carry six decimals of a mm"},
    {"target.direction", kDirection, "", kNormalised},
    {"target.direction_tolerance_deg", above(0.0, 180.0), "deg", "180 is every direction"},
    {"via.point_mm", kPlace, "mm", kBench},
    {"via.tolerance_mm", from(1e-3, 1e3), "mm", "scripts carry six decimals of a mm"},
    {"via.direction", kDirection, "", kNormalised},
    {"via.direction_tolerance_deg", above(0.0, 180.0), "deg", "180 is every direction"},
    {"clearance.required_mm", from(0.0, 100.0), "mm", kBench},
    {"segment.length_mm", from(1.0, 5e3), "mm", kBench},
    {"segment.radius_mm", from(0.05, 100.0), "mm", kField},
    {"segment.tip_rigid_mm", from(0.0, 5e3), "mm", kBench},
    {"segment.curvature_max_per_mm", from(1e-6, 100.0), "per mm", "below, the segment is straight"},
    {"segment.flexural_rigidity_Nmm2", from(1e-6, 1e9), "N mm^2", "a steel rod of 12 mm is at the upper end"},
    {"lock.body_length_mm", from(0.0, 1e3), "mm", kBench},
    {"lock.body_radius_mm", from(0.05, 100.0), "mm", kField},
    {"lock.magnet_Am2", from(1e-9, 100.0), "A m^2", "a kilogram of rare-earth magnet is at the upper end"},
    {"lock.angle_free_deg", kAngle, "deg", kTurn},
    {"lock.angle_latched_deg", kAngle, "deg", kTurn},
    {"lock.switch_torque_Nmm", from(0.0, 1e4), "N mm", kMachine},
    {"lock.hold_torque_Nmm", from(0.0, 1e4), "N mm", kMachine},
    {"lock.hold_moment_Nmm", from(1e-6, 1e6), "N mm", kMachine},
    {"layout.N.station_mm", from(0.0, 5e3), "mm", kBench},
    {"layout.N.clock_deg", kAngle, "deg", kTurn},
    {"latch.notch_pitch_mm", zero_or(1e-3, 100.0), "mm", "a finer notch holds as a friction lock does: 0"},
    {"latch.backbone_radius_mm", from(1e-3, 100.0), "mm", kBench},
    {"latch.backbone_angles_deg", kAngle, "deg", kTurn},
    {"latch.engage_window_mm", from(0.0, 100.0), "mm", kBench},
    {"latch.backlash_mm", from(0.0, 10.0), "mm", kBench},
    {"latch.hunt_mm", from(0.0, 100.0), "mm", kBench},
    {"tendons.radius_mm", from(1e-3, 100.0), "mm", kBench},
    {"tendons.angles_deg", kAngle, "deg", kTurn},
    {"tendons.disk_spacing_mm", zero_or(0.1, 5e3), "mm", "closer disks are continuous routing: 0"},
    {"tendons.stroke_max_mm", from(1e-3, 1e3), "mm", kMachine},
    {"tendons.tension_min_N", from(0.0, 1e4), "N", kMachine},
    {"tendons.tension_max_N", from(1e-3, 1e4), "N", kMachine},
    {"tendons.friction_coefficient", from(0.0, 2.0), "", "dry rubber is at the upper end"},
    {"carriage.insertion_max_mm", from(1e-3, 1e4), "mm", kBench},
    {"field.strength_max_mT", from(1e-3, 1e4), "mT", "a clinical magnet is a third of the upper end"},
    {"field.coil_mT_per_A", either_way(1e4), "mT per A", kMachine},
    {"field.coil_axes", either_way(2.0), "", "axes have length 1"},
    {"field.coil.centre_mm", kPlace, "mm", kBench},
    {"field.coil.axis", kDirection, "", kNormalised},
    {"field.coil.radius_mm", from(0.1, 1e4), "mm", kBench},
    {"field.coil.turns", from(1.0, 1e6), "", kMachine},
    {"field.coil.resistance_ohm", from(0.0, 1e6), "ohm", kMachine},
    {"field.coil.current_max_A", from(1e-3, 1e6), "A", kMachine},
    {"field.ambient_mT", either_way(1e3), "mT", kMachine},
    {"field.reserve_wanted", from(0.0, 1e3), "", kMachine},
    {"elastic.mass_g_per_mm", from(0.0, 1e4), "g per mm", "a steel rod of 40 mm is at the upper end"},
    {"elastic.lock_mass_g", from(0.0, 1e5), "g", kMachine},
    {"elastic.gravity", kDirection, "", kNormalised},
    {"elastic.tendon_EA_N", from(1.0, 1e9), "N", "a steel rod of 80 mm is at the upper end"},
    {"elastic.tendon_length_mm", from(0.0, 1e5), "mm", kBench},
    {"elastic.backbone_EA_N", from(1.0, 1e9), "N", "a steel rod of 80 mm is at the upper end"},
    {"elastic.torsional_rigidity_Nmm2", from(1e-6, 1e9), "N mm^2", "as the flexural rigidity"},
    {"elastic.segment_EA_N", from(1.0, 1e9), "N", "a steel rod of 80 mm is at the upper end"},
    {"elastic.backbone_EI_Nmm2", from(1e-6, 1e9), "N mm^2", "as the flexural rigidity"},
    {"actuation.rates.advance_mm_per_s", from(1e-3, 1e3), "mm per s", kMachine},
    {"actuation.rates.tendon_mm_per_s", from(1e-3, 1e3), "mm per s", kMachine},
    {"actuation.rates.field_settle_s", from(0.0, 3600.0), "s", "coils do not stand a field for hours"},
    // Recipes of channels; their [entry] is a scene's.
    {"edge_length_mm", from(1e-2, 1e3), "mm", "a finer mesh has too many triangles"},
    {"blend_mm", from(0.0, 1e3), "mm", kBench},
    {"tube.at_mm", from(0.0, 1e4), "mm", kBench},
    {"tube.turn_deg", kAngle, "deg", kTurn},
    {"tube.plane_deg", kAngle, "deg", kTurn},
    {"tube.points_mm", kPlace, "mm", kBench},
    {"tube.pieces.length_mm", from(1e-6, 1e4), "mm", kBench},
    {"tube.pieces.bend_deg", from(0.0, 360.0), "deg", "turn plane_deg for another direction"},
    {"tube.pieces.plane_deg", kAngle, "deg", kTurn},
    {"tube.radius.station_mm", from(0.0, 1e5), "mm", kBench},
    {"tube.radius.radius_mm", from(1e-3, 1e3), "mm", kBench},
    // Sizes of errors.
    {"backlash_mm", from(0.0, 10.0), "mm", kBench},
    {"pull_gain", {0.0, 0.499, false, false}, "", "a share of one half is no error but another bench"},
    {"pull_offset_mm", from(0.0, 100.0), "mm", kBench},
    {"entry_position_mm", from(0.0, 100.0), "mm", kBench},
    {"entry_angle_deg", from(0.0, 45.0), "deg", "beyond, it is another entry"},
    {"registration_position_mm", from(0.0, 100.0), "mm", kBench},
    {"registration_angle_deg", from(0.0, 45.0), "deg", "beyond, it is another channel"},
    {"lumen_scale", {0.0, 0.499, false, false}, "", "a share of one half is no error but another channel"},
    // Studies.
    {"budget_work_s", from(1e-3, 1e7), "s", "a third of a year for one run"},
    // Plans, scripts and tables of measurements.
    {"plan.insertion_mm", from(0.0, 1e4), "mm", kBench},
    {"plan.curvature_per_mm", either_way(100.0), "per mm", "as a scene's"},
    {"plan.from_mm", from(0.0, 5e3), "mm", kBench},
    {"plan.to_mm", from(0.0, 5e3), "mm", kBench},
    {"plan.field_mT", either_way(1e4), "mT", kMachine},
    {"plan.current_A", either_way(1e6), "A", kMachine},
    {"plan.clearance_required_mm", from(0.0, 100.0), "mm", kBench},
    {"script.insertion_mm", kPlace, "mm", kBench},
    {"script.pull_mm", either_way(1e4), "mm", kMachine},
    {"script.field_mT", either_way(1e4), "mT", kMachine},
    {"script.current_A", either_way(1e6), "A", kMachine},
    {"script.dwell_s", from(0.0, 1e6), "s", kMachine},
    {"script.feed_mm_per_min", above(0.0, 1e6), "mm per min", kMachine},
    {"measured.insertion_mm", kPlace, "mm", kBench},
    {"measured.pull_mm", either_way(1e3), "mm", kMachine},
    {"measured.tip_mm", kPlace, "mm", kBench},
    {"measured.tension_N", either_way(1e4), "N", kMachine},
    {"targets.point_mm", kPlace, "mm", kBench},
    {"mesh.vertex_mm", either_way(1e6), "mm", "a kilometre: the unit is wrong"},
    // Options.
    {"--budget", from(1e-3, 1e7), "s", "a third of a year"},
    {"--clearance", from(0.0, 100.0), "mm", kBench},
    {"--tolerance", from(1e-3, 1e3), "mm", "scripts carry six decimals of a mm"},
    {"--step", from(0.1, 1e3), "mm", kBench},
    {"--scale", from(0.01, 100.0), "", "beyond, the hardware is another"},
    {"--mesh-scale", from(1e-6, 1e6), "", "from a micrometre to a metre"},
    {"--close-below", from(0.0, 1e3), "mm", kBench},
    {"--wrap", from(1e-3, 1e3), "mm", kBench},
    {"--smooth", from(0.0, 100.0), "mm", kBench},
    {"--label", either_way(1e9), "", "no segmentation has so many"},
    {"--range", either_way(1e9), "", "no scanner has such values"},
    {"--keep-at", kPlace, "mm", kBench},
    {"--cut", kPlace, "mm", kBench},
    {"--crop", kPlace, "mm", kBench},
    {"--spacing", from(0.1, 1e3), "mm", "a finer lattice has too many targets"},
    {"--pull-noise", from(1e-9, 100.0), "mm", kMachine},
    {"--tension-noise", from(1e-9, 1e4), "N", kMachine},
    {"--tip-noise", from(1e-9, 100.0), "mm", kMachine},
};

/// "layout.2.station_mm[1]" as the table has it: "layout.N.station_mm".
std::string plain_name(std::string_view key) {
  std::string out;
  std::size_t at = 0;
  while (at < key.size()) {
    if (key[at] == '[') {
      at = std::min(key.find(']', at), key.size() - 1) + 1;
      continue;
    }
    const std::size_t end = std::min(key.find_first_of(".[", at + 1), key.size());
    std::string_view part = key.substr(at, end - at);
    const bool dot = part.front() == '.';
    if (dot) part.remove_prefix(1);
    const bool number = !part.empty() && part.find_first_not_of("0123456789") == part.npos;
    out += dot ? "." : "";
    out += number ? "N" : part;
    at = end;
  }
  return out;
}

}  // namespace

bool Range::holds(double value) const {
  if (or_zero && value == 0.0) return true;
  return (above ? value > least : value >= least) && value <= most;
}

std::string Range::words(std::string_view unit) const {
  const std::string space = unit.empty() ? "" : " ";
  if (above) return fmt::format("a number above {:g} and up to {:g}{}{}", least, most, space, unit);
  return fmt::format("{}a number from {:g} to {:g}{}{}", or_zero ? "0 or " : "", least, most, space, unit);
}

std::span<const Quantity> all_quantities() {
  return kQuantities;
}

const Quantity* quantity(std::string_view dotted_key) {
  const std::string name = plain_name(dotted_key);
  const auto found = std::find_if(std::begin(kQuantities), std::end(kQuantities),
                                  [&](const Quantity& q) { return q.name == name; });
  return found == std::end(kQuantities) ? nullptr : found;
}

std::optional<std::string> range_fault(std::string_view dotted_key, double value) {
  if (!std::isfinite(value)) return "a finite number";
  if (const Quantity* known = quantity(dotted_key))
    return known->range.holds(value) ? std::nullopt : std::optional(known->words());
  if (std::abs(value) <= kLargestNumber) return std::nullopt;
  return fmt::format("a number within {:g} either way", kLargestNumber);
}

}  // namespace withy
