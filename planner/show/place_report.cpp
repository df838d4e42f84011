// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/place_report.h"

#include <cmath>
#include <numbers>

#include <fmt/core.h>
#include <nlohmann/json.hpp>
#include <toml++/toml.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/words.h"
#include "planner/scene/scene_json.h"
#include "planner/switching/switch_clocking.h"

namespace withy {

namespace {

using Json = nlohmann::ordered_json;

// Bends over which it is judged how well locks are told apart: as the clocking sweep of `withy switch` takes
// them.
constexpr BendGrid kBends{4, 24};

std::vector<double> degrees_of(const std::vector<double>& rad) {
  std::vector<double> out;
  for (const double value : rad) out.push_back(degrees_to_write(value));
  return out;
}

/// Share of bends in which the locks can be locked from the base up and released in reverse, one by one;
/// nothing for one lock or without a field.
std::optional<double> separable_share(const Scene& scene, const LockLayout& layout) {
  if (layout.count() < 2 || !scene.parts.field) return std::nullopt;
  const auto design = design_with(scene.parts, layout.station_mm, layout.clock_rad);
  return judge_clocking(*design, bend_poses(*design, kBends)).share_usual;
}

/// Least reserve of a switch, rounded down; a dash without a field or switches.
std::string reserve_text(const Scene& scene, const PlacedDesign& design) {
  if (!scene.parts.field || !std::isfinite(design.field_reserve)) return "-";
  return fmt::format("{:.2f}", std::floor(design.field_reserve * 100.0 + 1e-3) / 100.0);
}

/// Layouts of so many combinations of stations.
double layouts(const PlaceReport& report, std::size_t stations) {
  return static_cast<double>(stations) * report.result.clockings;
}

/// Which places to pass decided that layouts don't reach; nothing where none did.
std::string places_phrase(const PlaceResult& r) {
  std::string out;
  for (std::size_t k = 0; k < r.stopped_at_place.size(); ++k)
    if (r.stopped_at_place[k] > 0)
      out += fmt::format("; the place to pass {} decided it at {} of stations", k + 1,
                         count_of(r.stopped_at_place[k], "combination"));
  return out;
}

}  // namespace

Verdict verdict_of(const PlaceResult& result) {
  if (!result.best.empty()) return Verdict::reached;
  return result.undecided == 0 ? Verdict::unreachable : Verdict::undecided;
}

std::string place_sentence(const PlaceReport& report) {
  const PlaceResult& r = report.result;
  const double all = layouts(report, r.stations);
  const std::string proved = fmt::format("{:g} proved unreachable", layouts(report, r.unreachable));
  if (r.stations == 0)
    return fmt::format("the grid has no layout: {} don't fit on the segment at a step of {:g} mm",
                       count_of(static_cast<std::size_t>(report.locks), "lock"), report.station_step_mm);
  if (r.best.empty() && r.undecided == 0)
    return fmt::format("none of the {:g} layouts of the grid reaches, proved{}", all, places_phrase(r));
  if (r.best.empty())
    return fmt::format("none of the {:g} layouts of the grid was found to reach: {}, {:g} undecided{}", all,
                       proved, layouts(report, r.undecided), places_phrase(r));
  return fmt::format(
      "clearance at least {:.2f} mm; of the {:g} layouts of the grid {}, {:g} not found to do better, "
      "{:g} undecided, the others reach or share their stations with one that does{}",
      r.best.front().plan.clearance_mm, all, proved, layouts(report, r.no_better_found),
      layouts(report, r.undecided), places_phrase(r));
}

std::string place_table(const PlaceReport& report) {
  std::string out = fmt::format("{:>4}  {:>7}  {:>6}  {:>12}  {:>8}  {:>8}  {:>7}  {:>9}  {}\n", "rank",
                                "fails %", "stands", "clearance mm", "switches", "field mT", "reserve",
                                "separable", "stations mm @ clocking deg");
  for (std::size_t i = 0; i < report.result.best.size(); ++i) {
    const PlacedDesign& d = report.result.best[i];
    const auto share = separable_share(report.scene, d.layout);
    std::string where;
    for (int k = 0; k < d.layout.count(); ++k) {
      const auto at = static_cast<std::size_t>(k);
      where += fmt::format("{}{:.2f} @ {:g}", k == 0 ? "" : ", ", d.layout.station_mm[at],
                           degrees_to_write(d.layout.clock_rad[at]));
    }
    out += fmt::format("{:>4}  {:>7}  {:>6}  {:>12.2f}  {:>8}  {:>8}  {:>7}  {:>9}  {}\n", i + 1,
                       d.standing ? fmt::format("{:.2f}", 100.0 * d.standing->fails.high) : "-",
                       d.standing ? fmt::format("{:.2f}", d.standing->reserve) : "-", d.plan.clearance_mm,
                       d.switches, report.scene.parts.field ? fmt::format("{:.2f}", d.field_mT) : "-",
                       reserve_text(report.scene, d), share ? fmt::format("{:.0f} %", 100.0 * *share) : "-",
                       where);
  }
  return out;
}

std::string place_json(const PlaceReport& report) {
  const PlaceResult& r = report.result;
  Json out;
  out["format"] = "withy-place";
  out["version"] = 1;
  out["scene"] = scene_json(report.scene, report.scene_file);
  out["partial"] = report.partial;
  out["locks"] = report.locks;
  out["verdict"] = name_of(verdict_of(r));
  out["why"] = place_sentence(report);
  out["required_clearance_mm"] = report.required_clearance_mm;
  out["grid"] = {{"station_step_mm", report.station_step_mm},
                 {"clock_step_deg", degrees_to_write(report.clock_step_rad)},
                 {"station_combinations", r.stations},
                 {"clockings_of_each", r.clockings},
                 {"reached", r.reached},
                 {"unreachable", r.unreachable},
                 {"no_better_found", r.no_better_found},
                 {"undecided", r.undecided}};
  out["work"] = r.work;
  out["seconds"] = report.seconds;
  out["designs"] = Json::array();
  for (std::size_t i = 0; i < r.best.size(); ++i) {
    const PlacedDesign& d = r.best[i];
    const auto share = separable_share(report.scene, d.layout);
    out["designs"].push_back(
        {{"scene", place_scene_name(i)},
         {"station_mm", d.layout.station_mm},
         {"clock_deg", degrees_of(d.layout.clock_rad)},
         {"clearance_mm", d.plan.clearance_mm},
         {"chance_to_fail_high", d.standing ? Json(d.standing->fails.high) : Json(nullptr)},
         {"reserve", d.standing ? Json(d.standing->reserve) : Json(nullptr)},
         {"reserve_limited_by", d.standing ? Json(d.standing->limited_by) : Json(nullptr)},
         {"switches", d.switches},
         {"field_max_mT", report.scene.parts.field ? Json(d.field_mT) : Json(nullptr)},
         {"field_reserve",
          report.scene.parts.field && std::isfinite(d.field_reserve) ? Json(d.field_reserve) : Json(nullptr)},
         {"separable_share", share ? Json(*share) : Json(nullptr)}});
  }
  return out.dump(2) + "\n";
}

std::string place_scene_name(std::size_t rank) {
  return fmt::format("place-{}.toml", rank + 1);
}

Result<std::string> scene_with_layout(const Scene& scene, const LockLayout& layout,
                                      const std::filesystem::path& folder) {
  auto file = TomlFile::open(scene.file);
  if (!file) return tl::unexpected<InputError>(file.error());
  toml::array stations, clockings;
  for (const double s : layout.station_mm) stations.push_back(s);
  for (const double c : layout.clock_rad) clockings.push_back(degrees_to_write(c));
  const auto mesh = std::filesystem::proximate(std::filesystem::absolute(scene.mesh_file),
                                               std::filesystem::absolute(folder));
  (*file)->amend(toml::table{
      {"channel", toml::table{{"mesh", mesh.generic_string()}}},
      {"layout", toml::table{{"use", layout.count()},
                             {std::to_string(layout.count()),
                              toml::table{{"station_mm", stations}, {"clock_deg", clockings}}}}}});
  return (*file)->text();
}

}  // namespace withy
