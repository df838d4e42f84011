// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/switching/switch_report.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/plain_line.h"

namespace withy {
namespace {

/// Steps of the clocking sweep. They divide a turn; three locks have one more dimension to go through.
constexpr int kStepTwoLocks_deg = 3;
constexpr int kStepMoreLocks_deg = 15;

/// Bends of the clocking sweep: every ring and direction that separability changes over is some tens of
/// degrees wide.
constexpr BendGrid kClockingGrid{4, 24};

/// Rows of the clocking table are this far apart; the JSON has all.
constexpr int kTableStep_deg = 15;

/// Remanence of a sintered neodymium magnet of common grade (T): 1.2 to 1.4 in makers' tables.
constexpr double kUsualRemanence_T = 1.3;

/// Radius of a table-top coil pair, to make a coil constant palpable (mm).
constexpr double kTableTopCoil_mm = 150.0;

std::string field_text(double mT) {
  return std::isfinite(mT) ? fmt::format("{:.2f}", mT) : std::string("none");
}

/// Reserves are rounded down: 1.499 is not 1.50.
std::string reserve_text(double reserve) {
  if (std::isinf(reserve)) return "any";
  return reserve > 0.0 ? fmt::format("{:.2f}", std::floor(reserve * 100.0 + 1e-3) / 100.0)
                       : std::string("none");
}

std::string percent(double share) {
  return fmt::format("{:.0f} %", 100.0 * share);
}

std::string lock_list(const LockSet& locks, int except) {
  std::string text;
  for (int i = 0; i < kMaxLocks; ++i)
    if (i != except && locks.test(static_cast<std::size_t>(i)))
      text += fmt::format("{}{}", text.empty() ? "" : " ", i + 1);
  return text.empty() ? "none" : text;
}

std::string clock_text(const std::vector<double>& clock_rad) {
  std::string text;
  for (const double clock : clock_rad) {
    const double turned = clock * kDegreesPerRadian - 360.0 * std::floor(clock / (2.0 * std::numbers::pi));
    text += fmt::format("{}{:.0f}", text.empty() ? "" : " ", turned);
  }
  return text;
}

std::string limit_text(const Design& design) {
  return design.field() ? fmt::format("{:g} mT", field_limit_mT(design))
                        : std::string("none given: no [field]");
}

std::string ambient_text(const FieldHardware& field) {
  return field.ambient_S.isZero(0.0) ? fmt::format("any of up to {:g} mT", field.ambient_mT)
                                     : fmt::format("({:g}, {:g}, {:g}) mT", field.ambient_S.x(),
                                                   field.ambient_S.y(), field.ambient_S.z());
}

/// Where the coils are, what they may carry; for a uniform field what kind of pair would make it.
std::string coils_text(const FieldHardware& field) {
  std::string text =
      fmt::format("reserve      {:g} wanted; ambient field {}\n", field.reserve_wanted, ambient_text(field));
  if (field.coils.empty()) {
    const double constant = field.coil_mT_per_A.cwiseAbs().minCoeff();
    return text +
           fmt::format(
               "coils        {:g} mT/A on the weakest axis: a Helmholtz pair of radius {:g} mm has that "
               "with {:.0f} turns a coil\n",
               constant, kTableTopCoil_mm, constant / helmholtz_mT_per_A(1.0, kTableTopCoil_mm));
  }
  for (std::size_t k = 0; k < field.coils.size(); ++k) {
    const Coil& coil = field.coils[k];
    text += fmt::format("{:<13}{} turns of radius {:g} mm at ({:g}, {:g}, {:g}) mm",
                        fmt::format("coil {}", k + 1), coil.turns, coil.radius_mm, coil.centre_S.x(),
                        coil.centre_S.y(), coil.centre_S.z());
    if (coil.resistance_ohm) text += fmt::format(", {:g} ohm", *coil.resistance_ohm);
    if (coil.current_max_A) text += fmt::format(", at most {:g} A", *coil.current_max_A);
    text += "\n";
  }
  return text;
}

std::string head(const SwitchReport& report) {
  const Design& design = report.design;
  const LockHardware& lock = design.lock();
  const double bend = design.segment().curvature_max_per_mm * design.flexible_length(0.0, design.length_mm());
  std::string text =
      fmt::format("{} lock{} at {} mm, clocked at {} deg: {}\n", design.lock_count(),
                  design.lock_count() == 1 ? "" : "s", fmt::join(design.layout().station_mm, ", "),
                  clock_text(design.layout().clock_rad), without_controls(report.scene.title));
  text += fmt::format(
      "bends        0 to {:g} per mm (0 to {:.0f} deg over the whole segment), {} directions, {} poses\n",
      design.segment().curvature_max_per_mm, bend * kDegreesPerRadian, report.grid.directions,
      report.poses.size());
  text += fmt::format(
      "magnet       {:.3g} A m2, as {:.2f} mm3 of remanence {:g} T have; stroke {:g} to {:g} deg\n",
      lock.magnet_Am2, lock.magnet_Am2 / magnet_moment_Am2(kUsualRemanence_T, 1.0), kUsualRemanence_T,
      lock.angle_free_rad * kDegreesPerRadian, lock.angle_latched_rad * kDegreesPerRadian);
  text += fmt::format("torques      {:.3g} N mm to switch, at most {:.3g} N mm away from a stop\n",
                      lock.switch_torque_Nmm, lock.hold_torque_Nmm);
  text += fmt::format("field limit  {}\n", limit_text(design));
  if (design.field() && !design.field()->coils.empty())
    text += fmt::format(
        "insertion    {:g} mm, as far as the carriage goes; the coils' field differs at other depths\n",
        design.carriage().insertion_max_mm);
  return text + (design.field() ? coils_text(*design.field()) : std::string());
}

/// The most power and voltage that any switch of the maps takes, where the coils' resistance is given.
std::string power_text(const SwitchReport& report) {
  if (!report.power_W) return {};
  std::string text = fmt::format("power        at most {:.3g} W while a lock switches", *report.power_W);
  for (std::size_t k = 0; k < report.voltage_V.size(); ++k)
    text += fmt::format("{} coil {} {:.3g} V", k == 0 ? ";" : ",", k + 1, report.voltage_V[k]);
  return text + "\n";
}

std::string map_table(const SwitchReport& report) {
  std::string text =
      fmt::format("\n{:<5} {:<7} {:<15} {:>9} {:>9} {:>13} {:>8} {:>16}\n", "lock", "switch",
                  "others engaged", "least mT", "most mT", "within limit", "reserve", "no field at all");
  for (const SwitchMap& map : report.maps)
    text +=
        fmt::format("{:<5} {:<7} {:<15} {:>9} {:>9} {:>13} {:>8} {:>16}\n", map.which.lock + 1,
                    map.which.to_latched() ? "lock" : "unlock", lock_list(map.which.engaged, map.which.lock),
                    field_text(map.least()), field_text(map.most()), percent(map.share_allowed()),
                    reserve_text(map.least_reserve()), percent(map.share_without()));
  return text +
         "fields in mT with a reserve of 1; within limit: of the bends; reserve: the least in those bends, "
         "as far "
         "as it is wanted\n" +
         power_text(report);
}

std::string clocking_row(const std::string& clock, const ClockingResult& result) {
  return fmt::format("{:<12} {:<11} {:>7} {:>10} {:>7} {:>9} {:>9} {:>8} {:>9} {:>9}\n", clock,
                     name_of(result.straight), percent(result.share_alone), percent(result.share_together),
                     percent(result.share_never), percent(result.share_usual),
                     field_text(result.usual_most_mT), reserve_text(result.usual_reserve),
                     percent(result.reverse_share), field_text(result.reverse_most_mT));
}

bool in_table(const ClockingResult& result) {
  return std::all_of(result.clock_rad.begin(), result.clock_rad.end(), [](double clock) {
    return std::lround(clock * kDegreesPerRadian) % kTableStep_deg == 0;
  });
}

std::string margin_sentence(const Design& design, const ClockingSweep& sweep) {
  const ClockingResult& widest = sweep.results[sweep.widest];
  if (!std::isfinite(widest.usual_most_mT))
    return "widest margin: none, at no clocking can the locks be engaged from the base up within the field "
           "limit\n";
  std::string text =
      fmt::format("widest margin: clocking {} deg against lock 1", clock_text(widest.clock_rad));
  if (sweep.slack_rad > 0.0)
    text +=
        fmt::format(" (anything within {:.0f} deg of it is as good)", sweep.slack_rad * kDegreesPerRadian);
  text += fmt::format(
      ": locking from the base up and releasing in reverse works in {} of the bends with at most {:.2f} mT",
      percent(widest.share_usual), widest.usual_most_mT);
  if (design.field())
    text += fmt::format(", {:.2f} mT below the limit, and with a reserve of {}",
                        field_limit_mT(design) - widest.usual_most_mT, reserve_text(widest.usual_reserve));
  return text + "\n";
}

std::string clocking_table(const SwitchReport& report) {
  std::string text = fmt::format("\nclocking     straight    {:>7} {:>10} {:>7} {:>28} {:>19}\n", "alone",
                                 "together", "never", "from the base up", "from the tip down");
  text += fmt::format("{:<24} {:>7} {:>10} {:>7} {:>9} {:>9} {:>8} {:>9} {:>9}\n", "deg", "of bends",
                      "of bends", "of bends", "works in", "most mT", "reserve", "works in", "most mT");
  const bool all_rows = report.design.lock_count() == 2;
  for (const ClockingResult& result : report.clocking->results)
    if (all_rows && in_table(result)) text += clocking_row(clock_text(result.clock_rad), result);
  text += clocking_row("as built", *report.as_built);
  text += clocking_row("widest", report.clocking->results[report.clocking->widest]);
  return text + margin_sentence(report.design, *report.clocking);
}

std::string scaled_row(const ScaledDesign& design) {
  std::string text = fmt::format("\nscale {:g}: magnet {:.3g} A m2, switch torque {:.3g} N mm", design.factor,
                                 design.magnet_Am2, design.switch_torque_Nmm);
  if (design.notch_angle_rad > 0.0)
    text += fmt::format(", latch angle {:.2f} deg, backlash {:.2f} deg",
                        design.notch_angle_rad * kDegreesPerRadian,
                        design.backlash_angle_rad * kDegreesPerRadian);
  text += fmt::format(", reserve of a switch {}", reserve_text(design.switch_reserve));
  text += fmt::format("; with the torques of scale 1 the field would be {} mT\n",
                      field_text(design.field_same_torque_mT));
  for (const ScaledNeed& need : design.needs) {
    const std::string against = need.limit > 0.0
                                    ? fmt::format("limit {:.4g}, reserve x{:.3g}", need.limit, need.reserve())
                                    : std::string("no limit given");
    text += fmt::format("  {:<10} {:>10.4g} {:<5} {}{}\n", need.name, need.need, need.unit, against,
                        need.broken() ? ", BROKEN" : "");
  }
  const int first = design.first_to_break();
  if (first >= 0)
    text +=
        fmt::format("  {}: {}\n",
                    design.needs[static_cast<std::size_t>(first)].broken() ? "breaks first" : "least reserve",
                    design.needs[static_cast<std::size_t>(first)].name);
  return text;
}

/// How a quantity went with the scale, as the exponent between the smallest and the largest factor.
std::string exponent(const std::string& name, double at_small, double at_large, double ratio) {
  if (!(at_small > 0.0) || !(at_large > 0.0) || !std::isfinite(at_small) || !std::isfinite(at_large))
    return {};
  const double power = std::log(at_large / at_small) / std::log(ratio);
  return fmt::format("  {:<14} x scale^{:.2f}{}\n", name, power + 0.0,
                     std::abs(power) < 0.005 ? " (stays)"
                     : power > 0.0           ? " (falls with the size)"
                                             : " (rises as it gets smaller)");
}

std::string scaling_table(const std::vector<ScaledDesign>& designs) {
  std::string text =
      "\nscaling: lengths x k, curvature / k, rigidity x k^4, magnet, torques and hold moment x k^3, "
      "pretension x k^2;\n"
      "motors, coils, ambient field, engage window and backlash stay what they are\n";
  for (const ScaledDesign& design : designs) text += scaled_row(design);
  const auto [small, large] = std::minmax_element(
      designs.begin(), designs.end(), [](const auto& a, const auto& b) { return a.factor < b.factor; });
  if (small->factor == large->factor) return text;
  const double ratio = large->factor / small->factor;
  text += "\nfrom the smallest to the largest:\n";
  for (std::size_t i = 0; i < small->needs.size(); ++i)
    if (small->needs[i].name != "latch")
      text += exponent(small->needs[i].name, small->needs[i].need, large->needs[i].need, ratio);
  text += exponent("switch torque", small->switch_torque_Nmm, large->switch_torque_Nmm, ratio);
  text += exponent("latch angle", small->notch_angle_rad, large->notch_angle_rad, ratio);
  text += exponent("backlash angle", small->backlash_angle_rad, large->backlash_angle_rad, ratio);
  return text;
}

}  // namespace

namespace {

/// What the maps' switches take of the coils at most, where every coil's resistance is given.
void add_power(SwitchReport& report) {
  const auto& field = report.design.field();
  if (!field || field->coils.empty()) return;
  for (const SwitchMap& map : report.maps)
    for (const BendPose& pose : report.poses) {
      const LockSet switching = only(map.which.lock);
      const auto currents = best_currents(report.design, pose.locks, map.which.engaged, switching,
                                          reserve_wanted(report.design), 1.0);
      if (!currents) continue;
      const auto power = coil_power_W(*field, currents->current_A);
      if (!power) return;
      report.power_W = std::max(report.power_W.value_or(0.0), *power);
      report.voltage_V.resize(field->coils.size(), 0.0);
      for (std::size_t k = 0; k < field->coils.size(); ++k)
        report.voltage_V[k] =
            std::max(report.voltage_V[k], *field->coils[k].resistance_ohm *
                                              std::abs(currents->current_A(static_cast<Eigen::Index>(k))));
    }
}

}  // namespace

tl::expected<SwitchReport, CutShort> make_switch_report(const Scene& scene, const Design& design,
                                                        const std::string& scene_file,
                                                        const std::vector<double>& factors,
                                                        const Effort& effort) {
  SwitchReport report{scene, design, scene_file, BendGrid{}, {}, {}, std::nullopt, std::nullopt, {}, {}, {}};
  report.poses = bend_poses(design, report.grid);
  const std::vector<SwitchCase> cases = switch_cases(design);
  for (const SwitchCase& which : cases) {
    report.maps.push_back(switch_map(design, report.poses, which, effort));
    if (effort.cut_short())
      return tl::unexpected(
          CutShort{fmt::format("{} of {} maps of the field over bends", report.maps.size() - 1, cases.size()),
                   "the other maps; the clockings; other sizes"});
  }
  add_power(report);
  const int locks = design.lock_count();
  if (locks == 2) report.clocking = sweep_clockings(design, kClockingGrid, kStepTwoLocks_deg, effort);
  if (locks == 3) report.clocking = sweep_clockings(design, kClockingGrid, kStepMoreLocks_deg, effort);
  if (locks > 3) report.clocking = search_clockings(design, kClockingGrid, kStepMoreLocks_deg, effort);
  if (report.clocking) report.as_built = judge_clocking(design, bend_poses(design, kClockingGrid), effort);
  if (effort.cut_short())
    return tl::unexpected(CutShort{fmt::format("the maps of the field over bends; {} clockings looked at",
                                               report.clocking ? report.clocking->results.size() : 0),
                                   "the other clockings; other sizes"});
  if (!factors.empty()) report.scaled = scale_designs(design, kClockingGrid, factors, effort);
  if (effort.cut_short())
    return tl::unexpected(CutShort{"the maps of the field over bends; the clockings", "other sizes"});
  return report;
}

std::string switch_table(const SwitchReport& report) {
  std::string text = head(report) + map_table(report);
  if (report.clocking) text += clocking_table(report);
  if (!report.scaled.empty()) text += scaling_table(report.scaled);
  return text;
}

}  // namespace withy
