// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/anatomy/hardware_draft.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

namespace withy {
namespace {

constexpr double kStep_mm = 10.0;  // lengths of a draft are whole multiples of this
constexpr double kShortest_mm = 60.0;
constexpr double kLongest_mm = 400.0;
constexpr double kSpareInsertion_mm = 30.0;
/// A body is scaled down to leave so much of the room free.
constexpr double kRoomShare = 0.9;

double rounded_up(double value) {
  return kStep_mm * std::ceil(value / kStep_mm);
}

std::string stations(double length_mm, int locks) {
  std::string out;
  for (int i = 1; i <= locks; ++i)
    out += fmt::format("{}{}", i > 1 ? ", " : "", draft_number(std::round(length_mm * i / (locks + 1))));
  return out;
}

std::string why_this_size(double s, double length_mm, const WayToTarget& way) {
  const Eigen::Vector3d p = (way.narrowest_S.array() * 100.0).round() / 100.0 + 0.0;
  return fmt::format(
      "# The way to the target is {:.1f} mm long along the middle line.\n"
      "# It has {:.2f} mm of room at its narrowest, at ({:.2f}, {:.2f}, {:.2f}) mm, and {:.2f} mm where "
      "locks come to.\n"
      "# {}\n"
      "# The segment is {} mm long, {}.\n",
      way.depth_mm, way.narrowest_mm, p.x(), p.y(), p.z(), way.for_locks_mm,
      s < 1.0 ? fmt::format(
                    "So that body and locks fit through there the hardware is {:.2f} of its usual size.", s)
              : std::string("The usual hardware fits through there."),
      draft_number(length_mm),
      length_mm > way.depth_mm ? "enough to bend all along the way" : "the longest that is usual");
}

std::string body_tables(double s, double length_mm, const WayToTarget& way) {
  const auto n = [](double value) { return draft_number(value); };
  std::string out =
      fmt::format("[clearance]\nrequired_mm = {}        # kept from the wall, everywhere and always\n\n",
                  n(kDraftClearance_mm)) +
      why_this_size(s, length_mm, way);
  out += fmt::format(
      "[segment]\nlength_mm = {}            # the part that bends\nradius_mm = {}\ntip_rigid_mm = {}\n"
      "curvature_max_per_mm = {}  # 1 / the tightest radius\nflexural_rigidity_Nmm2 = {}\n\n",
      n(length_mm), n(kDraftBodyRadius_mm * s), n(3.0 * s), n(0.04 / s), n(400.0 * std::pow(s, 4)));
  out += fmt::format(
      "[lock]                     # one lock's hardware; all are alike\nbody_length_mm = {}\nbody_radius_mm "
      "= {}\n"
      "magnet_Am2 = {}\nangle_free_deg = 0.0\nangle_latched_deg = 90.0\nswitch_torque_Nmm = {}\n"
      "hold_torque_Nmm = {}\nhold_moment_Nmm = {}\n\n",
      n(4.0 * s), n(kDraftLockRadius_mm * s), n(0.004 * std::pow(s, 3)), n(0.01 * std::pow(s, 3)),
      n(0.004 * std::pow(s, 3)), n(60.0 * std::pow(s, 3)));
  return out;
}

std::string layout_tables(double length_mm) {
  return fmt::format(
      "[layout]                   # where the locks sit, by how many there are: withy place finds better "
      "ones\n"
      "use = 1\n\n"
      "[layout.1]\nstation_mm = [{}]\nclock_deg = [0.0]\n\n"
      "[layout.2]\nstation_mm = [{}]\nclock_deg = [0.0, 135.0]\n\n"
      "[layout.3]\nstation_mm = [{}]\nclock_deg = [0.0, 330.0, 300.0]\n\n",
      stations(length_mm, 1), stations(length_mm, 2), stations(length_mm, 3));
}

std::string drive_tables(double s, double insertion_mm) {
  const auto n = [](double value) { return draft_number(value); };
  std::string out = fmt::format(
      "[latch]\nnotch_pitch_mm = {}       # 0: a friction lock\nbackbone_radius_mm = {}\n"
      "backbone_angles_deg = [45.0, 135.0, 225.0, 315.0]\nengage_window_mm = {}\nbacklash_mm = {}\nhunt_mm = "
      "{}\n\n",
      n(0.5 * s), n(1.2 * s), n(0.02 * s), n(0.02 * s), n(0.1 * s));
  out += fmt::format(
      "[tendons]\nradius_mm = {}\nangles_deg = [0.0, 90.0, 180.0, 270.0]\ndisk_spacing_mm = "
      "0.0\nstroke_max_mm = {}\n"
      "tension_min_N = {}\ntension_max_N = {}\nfriction_coefficient = 0.1\nmotors = \"ride\"\n\n",
      n(1.2 * s), n(8.0 * s), n(0.2 * std::pow(s, 2)), n(20.0 * std::pow(s, 2)));
  out += fmt::format(
      "[carriage]\nkind = \"free\"\ninsertion_max_mm = {}\n\n"
      "[field]\nstrength_max_mT = 10.0\ncoil_mT_per_A = [1.8, 1.8, 1.8]\n"
      "coil_axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]\n\n"
      "[actuation]\nadvance = \"Z\"\ntendons = [\"A\", \"B\", \"C\", \"U\"]\n"
      "rates = {{ advance_mm_per_s = 2.0, tendon_mm_per_s = 1.0, field_settle_s = 1.0 }}\n",
      n(insertion_mm));
  return out;
}

}  // namespace

std::string draft_number(double value) {
  const std::string text = fmt::format("{:.6g}", value + 0.0);
  return text.find_first_of(".e") == std::string::npos ? text + ".0" : text;
}

double hardware_scale(const WayToTarget& way) {
  const auto fits = [](double room_mm, double radius_mm) {
    return std::floor(100.0 * kRoomShare * (room_mm - kDraftClearance_mm) / radius_mm) / 100.0;
  };
  return std::min({1.0, fits(std::min(way.narrowest_mm, way.at_target_mm), kDraftBodyRadius_mm),
                   fits(way.for_locks_mm, kDraftLockRadius_mm)});
}

double draft_length_mm(double depth_mm) {
  return std::clamp(rounded_up(depth_mm), kShortest_mm, kLongest_mm);
}

std::string hardware_toml(double scale, const WayToTarget& way) {
  const double length_mm = draft_length_mm(way.depth_mm);
  const double insertion_mm = rounded_up(way.depth_mm + kSpareInsertion_mm);
  return body_tables(scale, length_mm, way) + layout_tables(length_mm) + drive_tables(scale, insertion_mm);
}

}  // namespace withy
