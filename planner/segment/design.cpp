// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/design.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <fmt/core.h>

#include "planner/files/shown.h"
#include "planner/files/words.h"
#include "planner/segment/hunt.h"

namespace withy {
namespace {

/// Lock bodies may touch; an overlap below this (mm) is rounding in a sum of stations, not a collision.
constexpr double kTouching_mm = 1e-9;

/// Coil axes are typed with six or so digits.
constexpr double kOrthonormal = 1e-6;

/// Gathers faults; each check is one call.
class Faults {
 public:
  void add(DesignFault fault, std::string part, std::string problem, std::string remedy) {
    found_.push_back({fault, std::move(problem), std::move(remedy), std::move(part)});
  }

  void positive(DesignFault fault, const char* part, double value) {
    if (!(std::isfinite(value) && value > 0.0))
      add(fault, part, fmt::format("{} is {}", part, shown(value)), "give a number above 0");
  }

  void not_negative(DesignFault fault, const char* part, double value) {
    if (!(std::isfinite(value) && value >= 0.0))
      add(fault, part, fmt::format("{} is {}", part, shown(value)), "give 0 or a number above 0");
  }

  void finite(DesignFault fault, const char* part, double value) {
    if (!std::isfinite(value)) add(fault, part, fmt::format("{} is {}", part, value), "give a finite number");
  }

  void finite(DesignFault fault, const char* part, const std::vector<double>& values) {
    for (const double value : values) finite(fault, part, value);
  }

  std::vector<DesignRefusal> take() { return std::move(found_); }
  bool empty() const { return found_.empty(); }

 private:
  std::vector<DesignRefusal> found_;
};

void check_segment(const Segment& segment, Faults& faults) {
  using enum DesignFault;
  faults.positive(length, "segment.length_mm", segment.length_mm);
  faults.positive(length, "segment.radius_mm", segment.radius_mm);
  faults.not_negative(length, "segment.tip_rigid_mm", segment.tip_rigid_mm);
  faults.positive(length, "segment.curvature_max_per_mm", segment.curvature_max_per_mm);
  faults.positive(length, "segment.flexural_rigidity_Nmm2", segment.flexural_rigidity_Nmm2);
  if (segment.tip_rigid_mm >= segment.length_mm && segment.length_mm > 0.0)
    faults.add(length, "segment.tip_rigid_mm",
               fmt::format("segment.tip_rigid_mm is {}, the whole segment of {} mm",
                           shown(segment.tip_rigid_mm), shown(segment.length_mm)),
               "give a tip span shorter than the segment");
  if (segment.curvature_max_per_mm * segment.radius_mm >= 1.0)
    faults.add(
        length, "segment.curvature_max_per_mm",
        fmt::format("segment.curvature_max_per_mm is {}, a bend tighter than the body's own radius of {} mm",
                    shown(segment.curvature_max_per_mm), shown(segment.radius_mm)),
        "give a curvature below 1 / radius_mm");
}

void check_lock(const LockHardware& lock, Faults& faults) {
  using enum DesignFault;
  faults.not_negative(hardware, "lock.body_length_mm", lock.body_length_mm);
  faults.positive(hardware, "lock.body_radius_mm", lock.body_radius_mm);
  faults.positive(hardware, "lock.magnet_Am2", lock.magnet_Am2);
  faults.finite(hardware, "lock.angle_free_deg", lock.angle_free_rad);
  faults.finite(hardware, "lock.angle_latched_deg", lock.angle_latched_rad);
  faults.not_negative(hardware, "lock.switch_torque_Nmm", lock.switch_torque_Nmm);
  faults.not_negative(hardware, "lock.hold_torque_Nmm", lock.hold_torque_Nmm);
  faults.positive(hardware, "lock.hold_moment_Nmm", lock.hold_moment_Nmm);
  if (lock.angle_free_rad == lock.angle_latched_rad)
    faults.add(hardware, "lock.angle_latched_deg", "lock.angle_latched_deg equals lock.angle_free_deg",
               "give the magnet a stroke between two different angles");
}

/// A lock body that leaves the segment's outline thinner than beside it is refused: bounds of a body that
/// slides into its own place (planner/proof/lemmas/cell_slide.h) count with locks that are no thinner.
void check_lock_radius(const DesignParts& parts, Faults& faults) {
  const double lock = parts.lock->body_radius_mm;
  const double segment = parts.segment.radius_mm;
  if (lock > 0.0 && segment > 0.0 && lock < segment)
    faults.add(DesignFault::hardware, "lock.body_radius_mm",
               fmt::format("lock.body_radius_mm is {}, thinner than the segment, whose radius_mm is {}",
                           shown(lock), shown_at_least(segment)),
               fmt::format("give at least {}: a lock body is as thick as the segment or thicker",
                           shown_at_least(segment)));
}

void check_latch(const LatchHardware& latch, Faults& faults) {
  using enum DesignFault;
  faults.not_negative(hardware, "latch.notch_pitch_mm", latch.notch_pitch_mm);
  faults.positive(hardware, "latch.backbone_radius_mm", latch.backbone_radius_mm);
  faults.finite(hardware, "latch.backbone_angles_deg", latch.backbone_angle_rad);
  faults.not_negative(hardware, "latch.engage_window_mm", latch.engage_window_mm);
  faults.not_negative(hardware, "latch.backlash_mm", latch.backlash_mm);
  if (latch.notch_pitch_mm <= 0.0) return;
  if (latch.backbone_angle_rad.empty())
    faults.add(hardware, "latch.backbone_angles_deg",
               "latch.backbone_angles_deg is empty, so no notch holds anything",
               "give the angle of each notched backbone, or notch_pitch_mm = 0 for a friction lock");
  if (latch.engage_window_mm > latch.notch_pitch_mm / 2.0)
    faults.add(hardware, "latch.engage_window_mm",
               fmt::format("latch.engage_window_mm is {}, more than half the notch pitch of {} mm",
                           shown(latch.engage_window_mm), shown_at_most(latch.notch_pitch_mm)),
               "give at most half of notch_pitch_mm, or notch_pitch_mm = 0 for a friction lock");
  if (latch.engage_window_mm > latch.backlash_mm)
    faults.add(
        hardware, "latch.engage_window_mm",
        fmt::format(
            "latch.engage_window_mm is {}, more than the backlash_mm of {}: the latch does not pull the "
            "body onto a notch",
            shown(latch.engage_window_mm), shown_at_most(latch.backlash_mm)),
        "give at most backlash_mm, how far a latched backbone may still move");
}

/// What a sweep about a notch may be: it must cover its own size and find no other notch. The bench's slide
/// error takes its share of the room to the next notch too; that is judged where errors are known.
void check_hunt(const LatchHardware& latch, Faults& faults) {
  using enum DesignFault;
  const char* part = "latch.hunt_mm";
  faults.not_negative(hardware, part, latch.hunt_mm);
  if (!(latch.hunt_mm > 0.0)) return;
  const auto refuse = [&](const std::string& why, const std::string& remedy) {
    faults.add(hardware, part, fmt::format("latch.hunt_mm is {}, {}", shown(latch.hunt_mm), why), remedy);
  };
  if (latch.notch_pitch_mm <= 0.0)
    return refuse("but a friction lock has no notch to hunt for", "leave it out, or give notch_pitch_mm");
  if (!(latch.hunt_mm + latch.engage_window_mm < 0.5 * latch.notch_pitch_mm))
    return refuse(
        fmt::format("which with the engage window of {} mm reaches half way to the next notch, {} mm away",
                    shown(latch.engage_window_mm), shown_at_most(latch.notch_pitch_mm)),
        "keep hunt_mm + engage_window_mm below half of notch_pitch_mm");
  if (hunt_turns(latch.hunt_mm, latch.engage_window_mm) > kMostHuntTurns)
    refuse(fmt::format("which takes more than {} turns with an engage window of {} mm", kMostHuntTurns,
                       shown(latch.engage_window_mm)),
           "give a smaller hunt or a wider window");
}

void check_tendons(const TendonHardware& tendons, Faults& faults) {
  using enum DesignFault;
  faults.positive(hardware, "tendons.radius_mm", tendons.radius_mm);
  faults.finite(hardware, "tendons.angles_deg", tendons.angle_rad);
  faults.not_negative(hardware, "tendons.disk_spacing_mm", tendons.disk_spacing_mm);
  faults.positive(hardware, "tendons.stroke_max_mm", tendons.stroke_max_mm);
  faults.not_negative(hardware, "tendons.tension_min_N", tendons.tension_min_N);
  faults.positive(hardware, "tendons.tension_max_N", tendons.tension_max_N);
  faults.not_negative(hardware, "tendons.friction_coefficient", tendons.friction_coefficient);
  if (tendons.angle_rad.size() < 2)
    faults.add(hardware, "tendons.angles_deg",
               "tendons.angles_deg names " + count_of(tendons.angle_rad.size(), "tendon"),
               "give two tendons for bends in one plane, three or more for bends in space");
  if (tendons.tension_max_N > 0.0 && tendons.tension_min_N >= tendons.tension_max_N)
    faults.add(hardware, "tendons.tension_max_N",
               fmt::format("tendons.tension_max_N is {}, not above tension_min_N = {}",
                           shown(tendons.tension_max_N), shown_at_least(tendons.tension_min_N)),
               "give a limit above the pretension");
}

void check_coil(const Coil& coil, const std::string& part, Faults& faults) {
  using enum DesignFault;
  const auto positive = [&](const char* key, std::optional<double> value) {
    if (value) faults.positive(hardware, (part + key).c_str(), *value);
  };
  positive(".radius_mm", coil.radius_mm);
  positive(".turns", coil.turns);
  positive(".resistance_ohm", coil.resistance_ohm);
  positive(".current_max_A", coil.current_max_A);
  if (!coil.centre_S.allFinite())
    faults.add(hardware, part + ".centre_mm", part + ".centre_mm is not finite", "give a place");
  if (!(std::abs(coil.axis_S.norm() - 1.0) <= kOrthonormal))
    faults.add(hardware, part + ".axis", part + ".axis has no length",
               "give the direction of the coil's axis");
}

void check_uniform_field(const FieldHardware& field, Faults& faults) {
  using enum DesignFault;
  for (int axis = 0; axis < 3; ++axis)
    if (!std::isfinite(field.coil_mT_per_A[axis]) || field.coil_mT_per_A[axis] == 0.0)
      faults.add(
          hardware, "field.coil_mT_per_A",
          fmt::format("field.coil_mT_per_A is {} on axis {}", shown(field.coil_mT_per_A[axis]), axis + 1),
          "give each axis a constant other than 0");
  const Eigen::Matrix3d gram = field.R_SC.transpose() * field.R_SC;
  if (!((gram - Eigen::Matrix3d::Identity()).cwiseAbs().maxCoeff() <= kOrthonormal))
    faults.add(hardware, "field.coil_axes",
               "field.coil_axes are not at right angles to one another and of length 1",
               "give three orthonormal axes");
}

void check_field(const FieldHardware& field, Faults& faults) {
  using enum DesignFault;
  faults.positive(hardware, "field.strength_max_mT", field.strength_max_mT);
  faults.not_negative(hardware, "field.ambient_mT", field.ambient_mT);
  if (!field.ambient_S.allFinite())
    faults.add(hardware, "field.ambient_mT", "field.ambient_mT is not finite", "give three finite numbers");
  if (!(std::isfinite(field.reserve_wanted) && field.reserve_wanted >= 1.0))
    faults.add(hardware, "field.reserve_wanted",
               fmt::format("field.reserve_wanted is {}", shown(field.reserve_wanted)),
               "give 1 or more: below 1 a switch is not allowed");
  if (field.coils.empty()) return check_uniform_field(field, faults);
  if (field.coil_count() > kMaxCoils)
    faults.add(hardware, "field.coil", count_of(field.coils.size(), "coil") + " about one bench",
               fmt::format("give at most {}", kMaxCoils));
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    check_coil(field.coils[k], fmt::format("field.coil[{}]", k), faults);
}

void check_stations(const DesignParts& parts, Faults& faults) {
  using enum DesignFault;
  const auto& station = parts.layout.station_mm;
  const double L = parts.segment.length_mm;
  for (std::size_t i = 0; i < station.size(); ++i) {
    if (!(station[i] > 0.0 && station[i] < L)) {
      faults.add(station_order, "layout.station_mm",
                 fmt::format("lock {} sits at station {} mm, off the segment", i + 1, shown(station[i])),
                 fmt::format("give a station between 0 and length_mm = {}", shown_at_most(L)));
      return;
    }
    if (i > 0 && !(station[i] > station[i - 1])) {
      faults.add(station_order, "layout.station_mm",
                 fmt::format("lock {} at station {} mm is not beyond lock {} at {} mm", i + 1,
                             shown(station[i]), i, shown(station[i - 1])),
                 "give stations from the base to the tip, each beyond the one before");
      return;
    }
  }
}

void check_spans(const DesignParts& parts, Faults& faults) {
  const auto& station = parts.layout.station_mm;
  const double half = parts.lock->body_length_mm / 2.0;
  double free_from = 0.0;
  std::string before = "the base";
  for (std::size_t i = 0; i < station.size(); ++i) {
    if (station[i] - half < free_from - kTouching_mm) {
      faults.add(DesignFault::spans_overlap, "layout.station_mm",
                 fmt::format("the body of lock {} ({:.6g} to {:.6g} mm) overlaps {}", i + 1,
                             station[i] - half, station[i] + half, before),
                 fmt::format("give it a station of at least {:.6g} mm", free_from + half));
      return;
    }
    free_from = station[i] + half;
    before = fmt::format("that of lock {}", i + 1);
  }
  const double tip_from = parts.segment.length_mm - parts.segment.tip_rigid_mm;
  if (free_from > tip_from + kTouching_mm)
    faults.add(DesignFault::spans_overlap, "layout.station_mm",
               fmt::format("the body of lock {} ({:.6g} to {:.6g} mm) overlaps the rigid tip", station.size(),
                           free_from - 2.0 * half, free_from),
               fmt::format("give it a station of at most {:.6g} mm", tip_from - half));
}

void check_layout(const DesignParts& parts, Faults& faults) {
  using enum DesignFault;
  const LockLayout& layout = parts.layout;
  if (layout.count() > kMaxLocks)
    faults.add(too_many_locks, "layout.station_mm",
               count_of(layout.station_mm.size(), "lock") + " on one segment",
               fmt::format("give at most {}", kMaxLocks));
  if (layout.clock_rad.size() != layout.station_mm.size())
    faults.add(clock_count, "layout.clock_deg",
               count_of(layout.clock_rad.size(), "clocking angle") + " for " +
                   count_of(layout.station_mm.size(), "station"),
               "give one clocking angle for each station");
  faults.finite(hardware, "layout.clock_deg", layout.clock_rad);
  if (layout.count() == 0) return;
  if (!parts.lock) {
    faults.add(lock_missing, "lock",
               count_of(layout.station_mm.size(), "lock") + " without [lock], so the hardware is unknown",
               "add the table [lock]");
    return;
  }
  check_stations(parts, faults);
}

double total_flexible(const DesignParts& parts) {
  const double locks = parts.layout.count() == 0 ? 0.0 : parts.layout.count() * parts.lock->body_length_mm;
  return parts.segment.length_mm - parts.segment.tip_rigid_mm - locks;
}

}  // namespace

LockLayout assumed_layout(const Segment& segment, int count) {
  assert(count >= 0);
  LockLayout layout;
  layout.assumed = true;
  for (int i = 1; i <= count; ++i)
    layout.station_mm.push_back(i * (segment.length_mm - segment.tip_rigid_mm) / (count + 1));
  layout.clock_rad.assign(static_cast<std::size_t>(count), 0.0);
  return layout;
}

std::vector<DesignRefusal> design_faults(const DesignParts& parts) {
  Faults faults;
  check_segment(parts.segment, faults);
  if (parts.lock) check_lock(*parts.lock, faults);
  if (parts.lock) check_lock_radius(parts, faults);
  if (parts.latch) check_latch(*parts.latch, faults);
  if (parts.latch) check_hunt(*parts.latch, faults);
  if (parts.tendons) check_tendons(*parts.tendons, faults);
  faults.positive(DesignFault::hardware, "carriage.insertion_max_mm", parts.carriage.insertion_max_mm);
  if (parts.field) check_field(*parts.field, faults);
  check_layout(parts, faults);
  // Spans are judged only where lengths and stations make sense.
  if (faults.empty() && parts.layout.count() > 0) check_spans(parts, faults);
  if (faults.empty() && total_flexible(parts) <= kTouching_mm)
    faults.add(DesignFault::no_flexible_length, "segment.length_mm",
               "lock bodies and the rigid tip take up the whole segment, nothing of it can bend",
               "give a longer segment or shorter rigid spans");
  return faults.take();
}

tl::expected<Design, DesignRefusal> Design::make(DesignParts parts) {
  std::vector<DesignRefusal> faults = design_faults(parts);
  if (!faults.empty()) return tl::unexpected<DesignRefusal>(std::move(faults.front()));
  return Design(std::move(parts));
}

Design::Design(DesignParts parts) : parts_(std::move(parts)) {
  for (const double station : parts_.layout.station_mm) {
    const double half = parts_.lock->body_length_mm / 2.0;
    rigid_.push_back({station - half, station + half});
  }
  if (parts_.segment.tip_rigid_mm > 0.0)
    rigid_.push_back({parts_.segment.length_mm - parts_.segment.tip_rigid_mm, parts_.segment.length_mm});
}

double Design::flexible_length(double from_mm, double to_mm) const {
  assert(from_mm <= to_mm);
  double length = to_mm - from_mm;
  for (const RigidSpan& span : rigid_)
    length -= std::max(0.0, std::min(to_mm, span.to_mm) - std::max(from_mm, span.from_mm));
  return std::max(0.0, length);
}

double Design::body_radius(double s_mm) const {
  for (int lock = 0; lock < lock_count(); ++lock) {
    const RigidSpan& span = rigid_[static_cast<std::size_t>(lock)];
    if (s_mm >= span.from_mm && s_mm <= span.to_mm) return parts_.lock->body_radius_mm;
  }
  return parts_.segment.radius_mm;
}

double Design::largest_radius() const {
  const double segment = parts_.segment.radius_mm;
  return lock_count() == 0 ? segment : std::max(segment, parts_.lock->body_radius_mm);
}

}  // namespace withy
