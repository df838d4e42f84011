// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/sheet/build_sheet.h"

#include <algorithm>
#include <cmath>

#include <Eigen/Core>
#include <fmt/format.h>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

// Two lengths on a drawing that differ by less are the same length.
constexpr double kSame_mm = 1e-6;
// A notch whose slide is this much of a pitch past what the bend allows is there all the same: rounding.
constexpr double kNotchRounding = 1e-9;

Eigen::Vector2d middle(const SectionPlace& place) {
  return place.radius_mm * Eigen::Vector2d(std::cos(place.angle_rad), std::sin(place.angle_rad));
}

std::vector<SectionPlace> places(double radius_mm, const std::vector<double>& angles_rad) {
  std::vector<SectionPlace> all;
  for (const double angle : angles_rad) all.push_back({radius_mm, angle});
  return all;
}

/// Most slide of any backbone at a station: (3).
double travel_mm(const Design& design, double station_mm) {
  if (!design.latch()) return 0.0;
  return design.latch()->backbone_radius_mm * design.segment().curvature_max_per_mm *
         design.flexible_length(0.0, station_mm);
}

std::vector<LockPlace> lock_places(const Design& design) {
  std::vector<LockPlace> locks;
  const double pitch = design.latch() ? design.latch()->notch_pitch_mm : 0.0;
  for (int i = 0; i < design.lock_count(); ++i) {
    const double clock = design.layout().clock_rad[static_cast<std::size_t>(i)];
    const RigidSpan& span = design.rigid_spans()[static_cast<std::size_t>(i)];
    LockPlace lock;
    lock.station_mm = design.station_mm(i);
    lock.from_mm = span.from_mm;
    lock.to_mm = span.to_mm;
    lock.magnet_free_rad = design.lock().angle_free_rad + clock;
    lock.magnet_latched_rad = design.lock().angle_latched_rad + clock;
    lock.travel_mm = travel_mm(design, lock.station_mm);
    if (pitch > 0.0)
      lock.notches =
          static_cast<int>(std::min(1e9, std::floor(lock.travel_mm / pitch * (1.0 + kNotchRounding))));
    locks.push_back(lock);
  }
  return locks;
}

std::vector<DiskPlace> disk_places(const Design& design, const std::vector<LockPlace>& locks) {
  std::vector<DiskPlace> disks;
  if (!design.tendons() || design.tendons()->disk_spacing_mm <= 0.0) return disks;
  const double spacing = design.tendons()->disk_spacing_mm;
  const double length = design.length_mm();
  const auto add = [&](double station) {
    DiskPlace disk{station, -1, station > length - design.segment().tip_rigid_mm + kSame_mm};
    for (std::size_t i = 0; i < locks.size(); ++i)
      if (station > locks[i].from_mm - kSame_mm && station < locks[i].to_mm + kSame_mm)
        disk.lock = static_cast<int>(i);
    disks.push_back(disk);
  };
  for (int k = 0; k * spacing < length - kSame_mm; ++k) add(k * spacing);
  add(length);
  return disks;
}

/// Holes of tendons and backbones that have no place beside each other.
void remark_on_holes(BuildSheet& sheet) {
  for (std::size_t t = 0; t < sheet.tendons.size(); ++t)
    for (std::size_t b = 0; b < sheet.backbones.size(); ++b)
      if ((middle(sheet.tendons[t]) - middle(sheet.backbones[b])).norm() < kSame_mm)
        sheet.remarks.push_back(fmt::format(
            "Tendon {} and secondary backbone {} have the same place in the section: turn one of them, or "
            "give them different radii.",
            t + 1, b + 1));
  const double radius = sheet.design.segment().radius_mm;
  const auto outside = [&](const std::vector<SectionPlace>& all, const char* what) {
    if (!all.empty() && all.front().radius_mm >= radius)
      sheet.remarks.push_back(
          fmt::format("The {} run at a radius of {:g} mm, at or outside the segment's own of {:g} mm.", what,
                      all.front().radius_mm, radius));
  };
  outside(sheet.tendons, "tendons");
  outside(sheet.backbones, "secondary backbones");
}

/// Rows of notches of two locks that share a stretch of the same backbone.
void remark_on_notches(BuildSheet& sheet) {
  for (std::size_t i = 0; i + 1 < sheet.locks.size(); ++i)
    for (std::size_t j = i + 1; j < sheet.locks.size(); ++j) {
      const LockPlace &a = sheet.locks[i], &b = sheet.locks[j];
      const double from = notch_mm(sheet, b, b.notches), to = notch_mm(sheet, a, -a.notches);
      if (sheet.pitch_mm <= 0.0 || from > to) continue;
      const double apart = b.station_mm - a.station_mm;
      const double off = apart - sheet.pitch_mm * std::round(apart / sheet.pitch_mm);
      if (std::abs(off) < kSame_mm)
        sheet.remarks.push_back(fmt::format(
            "Locks {} and {} share their notches between {:.4g} and {:.4g} mm: one row serves both.", i + 1,
            j + 1, from, to));
      else
        sheet.remarks.push_back(
            fmt::format("The notches of locks {} and {} lie between one another from {:.4g} to {:.4g} mm, "
                        "{:.4g} mm apart: "
                        "lock {} at {:.4f} mm would let one row serve both.",
                        i + 1, j + 1, from, to, std::abs(off), j + 1, b.station_mm - off));
    }
}

void remark_on_disks(BuildSheet& sheet) {
  for (std::size_t i = 0; i < sheet.locks.size(); ++i) {
    const auto here = std::count_if(sheet.disks.begin(), sheet.disks.end(),
                                    [i](const DiskPlace& d) { return d.lock == static_cast<int>(i); });
    if (here > 0)
      sheet.remarks.push_back(
          fmt::format("{} in the body of lock {}: the tendons' holes go through that body.",
                      here == 1 ? std::string("A disk lies") : fmt::format("{} disks lie", here), i + 1));
  }
  if (sheet.disks.size() < 2) return;
  const double last = sheet.disks.back().station_mm - sheet.disks[sheet.disks.size() - 2].station_mm;
  const double spacing = sheet.design.tendons()->disk_spacing_mm;
  if (last < spacing - kSame_mm)
    sheet.remarks.push_back(
        fmt::format("The last gap between disks is {:.4g} mm, the others {:g} mm.", last, spacing));
}

std::vector<GivenValue> given_values(const Design& design) {
  const Segment& segment = design.segment();
  std::vector<GivenValue> given = {{"segment.length_mm", segment.length_mm, "mm"},
                                   {"segment.radius_mm", segment.radius_mm, "mm"},
                                   {"segment.tip_rigid_mm", segment.tip_rigid_mm, "mm"},
                                   {"segment.curvature_max_per_mm", segment.curvature_max_per_mm, "1/mm"}};
  const auto add = [&given](std::vector<GivenValue> more) {
    given.insert(given.end(), more.begin(), more.end());
  };
  if (design.lock_count() > 0) {
    const LockHardware& lock = design.lock();
    add({{"lock.body_length_mm", lock.body_length_mm, "mm"},
         {"lock.body_radius_mm", lock.body_radius_mm, "mm"},
         {"lock.magnet_Am2", lock.magnet_Am2, "A m^2"},
         {"lock.angle_free_deg", degrees_to_write(lock.angle_free_rad), "deg"},
         {"lock.angle_latched_deg", degrees_to_write(lock.angle_latched_rad), "deg"},
         {"lock.switch_torque_Nmm", lock.switch_torque_Nmm, "N mm"},
         {"lock.hold_torque_Nmm", lock.hold_torque_Nmm, "N mm"},
         {"lock.hold_moment_Nmm", lock.hold_moment_Nmm, "N mm"}});
  }
  if (const auto& latch = design.latch())
    add({{"latch.notch_pitch_mm", latch->notch_pitch_mm, "mm"},
         {"latch.backbone_radius_mm", latch->backbone_radius_mm, "mm"},
         {"latch.engage_window_mm", latch->engage_window_mm, "mm"},
         {"latch.backlash_mm", latch->backlash_mm, "mm"}});
  if (const auto& tendons = design.tendons())
    add({{"tendons.radius_mm", tendons->radius_mm, "mm"},
         {"tendons.disk_spacing_mm", tendons->disk_spacing_mm, "mm"},
         {"tendons.stroke_max_mm", tendons->stroke_max_mm, "mm"}});
  return given;
}

}  // namespace

Result<BuildSheet> make_build_sheet(const Scene& scene, const Design& design, const std::string& scene_file) {
  BuildSheet sheet{scene, design, scene_file, lock_places(design),  {}, {},
                   {},    0.0,    0.0,        given_values(design), {}};
  if (design.latch()) {
    sheet.pitch_mm = design.latch()->notch_pitch_mm;
    sheet.backbones = places(design.latch()->backbone_radius_mm, design.latch()->backbone_angle_rad);
    sheet.end_travel_mm = travel_mm(design, design.length_mm());
  }
  if (design.tendons()) sheet.tendons = places(design.tendons()->radius_mm, design.tendons()->angle_rad);
  sheet.disks = disk_places(design, sheet.locks);

  double notches = 0.0;
  for (const LockPlace& lock : sheet.locks)
    notches += (2.0 * lock.notches + 1.0) * static_cast<double>(sheet.backbones.size());
  if (sheet.pitch_mm > 0.0 && notches > kMostNotches)
    return tl::unexpected(scene.error_at(
        "latch.notch_pitch_mm",
        fmt::format("a pitch of {:g} mm makes {:.0f} notches", sheet.pitch_mm, notches),
        fmt::format("a sheet lists up to {}: a wider pitch, or 0 for a lock that holds by friction",
                    kMostNotches)));
  if (design.layout().assumed && design.lock_count() > 0)
    sheet.remarks.push_back(fmt::format(
        "The scene has no [layout.{}]: even stations and clocking 0 were taken.", design.lock_count()));
  remark_on_holes(sheet);
  remark_on_notches(sheet);
  remark_on_disks(sheet);
  return sheet;
}

}  // namespace withy
