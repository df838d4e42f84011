// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/sheet/sheet_table.h"

#include <cmath>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/csv.h"
#include "planner/files/plain_line.h"

namespace withy {
namespace {

/// A length as tables have it: to a nanometre, without the digits that arithmetic leaves.
std::string mm(double value) {
  return fmt::format("{:.10g}", std::round(value * 1e6) / 1e6 + 0.0);
}

std::string deg(double radians) {
  return fmt::format("{:.10g}", degrees_to_write(radians));
}

struct Row {
  std::string part;
  std::string number = {};
  std::string from_mm = {}, station_mm = {}, to_mm = {};
  std::string radius_mm = {}, angle_deg = {}, x_mm = {}, y_mm = {};
  std::string value = {}, unit = {};
  std::string note = {};

  std::string line() const {
    return fmt::format("{},{},{},{},{},{},{},{},{},{},{},{}\n", part, number, from_mm, station_mm, to_mm,
                       radius_mm, angle_deg, x_mm, y_mm, value, unit, csv_quoted(note));
  }
};

Row section_row(const char* part, std::size_t number, const SectionPlace& place, const char* note) {
  return {.part = part,
          .number = std::to_string(number + 1),
          .radius_mm = mm(place.radius_mm),
          .angle_deg = deg(place.angle_rad),
          .x_mm = mm(place.radius_mm * std::cos(place.angle_rad)),
          .y_mm = mm(place.radius_mm * std::sin(place.angle_rad)),
          .note = note};
}

/// The values of the scene that everything else follows from.
std::string given_rows(const BuildSheet& sheet) {
  std::string rows;
  for (const GivenValue& value : sheet.given)
    rows += Row{.part = "given",
                .value = fmt::format("{:.10g}", value.value),
                .unit = value.unit,
                .note = value.key}
                .line();
  return rows;
}

std::string lock_rows(const BuildSheet& sheet) {
  std::string rows;
  for (std::size_t i = 0; i < sheet.locks.size(); ++i) {
    const LockPlace& lock = sheet.locks[i];
    const std::string number = std::to_string(i + 1);
    rows += Row{.part = "lock",
                .number = number,
                .from_mm = mm(lock.from_mm),
                .station_mm = mm(lock.station_mm),
                .to_mm = mm(lock.to_mm),
                .radius_mm = mm(sheet.design.lock().body_radius_mm)}
                .line();
    rows += Row{.part = "magnet",
                .number = number,
                .station_mm = mm(lock.station_mm),
                .angle_deg = deg(lock.magnet_free_rad),
                .note = "moment, lock open"}
                .line();
    rows += Row{.part = "magnet",
                .number = number,
                .station_mm = mm(lock.station_mm),
                .angle_deg = deg(lock.magnet_latched_rad),
                .note = "moment, lock engaged"}
                .line();
    if (sheet.backbones.empty()) continue;
    rows += Row{.part = "travel",
                .number = number,
                .station_mm = mm(lock.station_mm),
                .value = mm(lock.travel_mm),
                .unit = "mm",
                .note = "most slide of a secondary backbone at this lock, either way"}
                .line();
  }
  return rows;
}

std::string disk_note(const DiskPlace& disk) {
  if (disk.lock >= 0) return fmt::format("in the body of lock {}", disk.lock + 1);
  return disk.in_tip ? "in the rigid tip" : "";
}

std::string magnet_text(const LockPlace& lock) {
  return fmt::format("{:.5g} deg open, {:.5g} deg engaged", degrees_to_write(lock.magnet_free_rad),
                     degrees_to_write(lock.magnet_latched_rad));
}

std::string notch_text(const BuildSheet& sheet, const LockPlace& lock) {
  if (sheet.backbones.empty()) return "";
  if (sheet.pitch_mm <= 0.0)
    return fmt::format("; backbones slide up to {:.4g} mm either way", lock.travel_mm);
  if (lock.notches == 0) return fmt::format("; one notch on each backbone, at {:.6g} mm", lock.station_mm);
  return fmt::format("; {} notches on each backbone, {:.6g} to {:.6g} mm", 2 * lock.notches + 1,
                     notch_mm(sheet, lock, lock.notches), notch_mm(sheet, lock, -lock.notches));
}

std::string angles_text(const std::vector<SectionPlace>& all) {
  std::string text;
  for (const SectionPlace& place : all) text += fmt::format(" {:.5g}", degrees_to_write(place.angle_rad));
  return text;
}

}  // namespace

std::string sheet_csv(const BuildSheet& sheet) {
  const Design& design = sheet.design;
  std::string rows = "part,number,from_mm,station_mm,to_mm,radius_mm,angle_deg,x_mm,y_mm,value,unit,note\n";
  rows += Row{.part = "segment",
              .from_mm = "0",
              .to_mm = mm(design.length_mm()),
              .radius_mm = mm(design.segment().radius_mm)}
              .line();
  rows += lock_rows(sheet);
  if (design.segment().tip_rigid_mm > 0.0)
    rows += Row{.part = "rigid tip",
                .from_mm = mm(design.length_mm() - design.segment().tip_rigid_mm),
                .to_mm = mm(design.length_mm()),
                .radius_mm = mm(design.segment().radius_mm)}
                .line();
  for (std::size_t k = 0; k < sheet.tendons.size(); ++k)
    rows += section_row("tendon hole", k, sheet.tendons[k], "").line();
  for (std::size_t k = 0; k < sheet.backbones.size(); ++k)
    rows += section_row("secondary backbone", k, sheet.backbones[k], "fixed at the base, slides elsewhere")
                .line();
  if (!sheet.backbones.empty())
    rows += Row{.part = "travel",
                .station_mm = mm(design.length_mm()),
                .value = mm(sheet.end_travel_mm),
                .unit = "mm",
                .note = "most slide of a secondary backbone's free end, either way"}
                .line();
  for (std::size_t k = 0; k < sheet.disks.size(); ++k)
    rows += Row{.part = "disk",
                .number = std::to_string(k + 1),
                .station_mm = mm(sheet.disks[k].station_mm),
                .note = disk_note(sheet.disks[k])}
                .line();
  rows += given_rows(sheet);
  for (const std::string& remark : sheet.remarks) rows += Row{.part = "remark", .note = remark}.line();
  return rows;
}

std::string notches_csv(const BuildSheet& sheet) {
  std::string rows = "backbone,lock,notch,slide_mm,from_base_mm\n";
  if (sheet.pitch_mm <= 0.0) return rows;
  for (std::size_t k = 0; k < sheet.backbones.size(); ++k)
    for (std::size_t i = 0; i < sheet.locks.size(); ++i)
      for (int n = sheet.locks[i].notches; n >= -sheet.locks[i].notches; --n)
        rows += fmt::format("{},{},{},{},{}\n", k + 1, i + 1, n, mm(n * sheet.pitch_mm),
                            mm(notch_mm(sheet, sheet.locks[i], n)));
  return rows;
}

std::string sheet_text(const BuildSheet& sheet) {
  const Design& design = sheet.design;
  std::string text =
      fmt::format("segment    {:g} mm long, {:g} mm in radius, rigid tip {:g} mm\n", design.length_mm(),
                  design.segment().radius_mm, design.segment().tip_rigid_mm);
  for (std::size_t i = 0; i < sheet.locks.size(); ++i) {
    const LockPlace& lock = sheet.locks[i];
    text += fmt::format("lock {}     at {:.6g} mm ({:.6g} to {:.6g}), magnet {}{}\n", i + 1, lock.station_mm,
                        lock.from_mm, lock.to_mm, magnet_text(lock), notch_text(sheet, lock));
  }
  if (!sheet.tendons.empty())
    text += fmt::format("tendons    radius {:g} mm, at{} deg\n", sheet.tendons.front().radius_mm,
                        angles_text(sheet.tendons));
  if (!sheet.backbones.empty())
    text += fmt::format("backbones  radius {:g} mm, at{} deg; free ends slide up to {:.4g} mm either way\n",
                        sheet.backbones.front().radius_mm, angles_text(sheet.backbones), sheet.end_travel_mm);
  if (!sheet.disks.empty())
    text += fmt::format("disks      {}, every {:g} mm from the base\n", sheet.disks.size(),
                        design.tendons()->disk_spacing_mm);
  for (const std::string& remark : sheet.remarks) text += fmt::format("note       {}\n", remark);
  return text;
}

}  // namespace withy
