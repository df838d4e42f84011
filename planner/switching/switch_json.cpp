// SPDX-License-Identifier: GPL-3.0-or-later
#include <cmath>
#include <numbers>

#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/json_numbers.h"
#include "planner/switching/switch_report.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

Json degrees_json(double radians) {
  return Json(degrees_to_write(radians));
}

Json degrees_of(const std::vector<double>& radians) {
  Json list = Json::array();
  for (const double value : radians) list.push_back(degrees_json(value));
  return list;
}

Json map_json(const SwitchMap& map, int lock_count) {
  Json engaged = Json::array();
  for (int i = 0; i < lock_count; ++i) engaged.push_back(map.which.engaged.test(static_cast<std::size_t>(i)));
  Json strengths = Json::array();
  for (const double strength : map.strength_mT) strengths.push_back(number(strength));
  Json reserves = Json::array();
  for (const double reserve : map.reserve) reserves.push_back(number(reserve));
  return {{"lock", map.which.lock + 1},
          {"switch", map.which.to_latched() ? "lock" : "unlock"},
          {"engaged_before", engaged},
          {"least_mT", number(map.least())},
          {"most_mT", number(map.most())},
          {"share_within_limit", map.share_allowed()},
          {"share_without_field", map.share_without()},
          {"least_reserve", number(map.least_reserve())},
          {"strength_mT", strengths},
          {"reserve", reserves}};
}

Json clocking_json(const ClockingResult& result) {
  return {{"clock_deg", degrees_of(result.clock_rad)},
          {"straight", name_of(result.straight)},
          {"share_alone", result.share_alone},
          {"share_together", result.share_together},
          {"share_never", result.share_never},
          {"base_up_share", result.share_usual},
          {"base_up_most_mT", number(result.usual_most_mT)},
          {"base_up_reserve", number(result.usual_reserve)},
          {"tip_down_share", result.reverse_share},
          {"tip_down_most_mT", number(result.reverse_most_mT)}};
}

Json sweep_json(const SwitchReport& report) {
  if (!report.clocking) return nullptr;
  Json rows = Json::array();
  for (const ClockingResult& result : report.clocking->results) rows.push_back(clocking_json(result));
  Json widest = clocking_json(report.clocking->results[report.clocking->widest]);
  widest["slack_deg"] = degrees_json(report.clocking->slack_rad);
  return {{"step_deg", degrees_json(report.clocking->step_rad)},
          {"as_built", clocking_json(*report.as_built)},
          {"widest", widest},
          {"clockings", rows}};
}

Json scaled_json(const ScaledDesign& design) {
  Json needs = Json::array();
  for (const ScaledNeed& need : design.needs)
    needs.push_back({{"name", need.name},
                     {"unit", need.unit},
                     {"need", number(need.need)},
                     {"limit", need.limit > 0.0 ? number(need.limit) : Json(nullptr)},
                     {"reserve", number(need.reserve())},
                     {"broken", need.broken()}});
  const int first = design.first_to_break();
  return {{"scale", design.factor},
          {"magnet_Am2", design.magnet_Am2},
          {"switch_torque_Nmm", design.switch_torque_Nmm},
          {"latch_angle_deg", degrees_json(design.notch_angle_rad)},
          {"backlash_angle_deg", degrees_json(design.backlash_angle_rad)},
          {"switch_reserve", number(design.switch_reserve)},
          {"field_same_torque_mT", number(design.field_same_torque_mT)},
          {"needs", needs},
          {"first_to_break",
           first >= 0 ? Json(design.needs[static_cast<std::size_t>(first)].name) : Json(nullptr)}};
}

}  // namespace

std::string switch_json(const SwitchReport& report) {
  const Design& design = report.design;
  Json poses = Json::array();
  for (const BendPose& pose : report.poses) poses.push_back({pose.u.x() + 0.0, pose.u.y() + 0.0});
  Json maps = Json::array();
  for (const SwitchMap& map : report.maps) maps.push_back(map_json(map, design.lock_count()));
  Json scaled_designs = Json::array();
  for (const ScaledDesign& scaled_design : report.scaled)
    scaled_designs.push_back(scaled_json(scaled_design));
  const Json out = {
      {"format", "withy-switch"},
      {"version", 1},
      {"scene",
       {{"file", report.scene_file}, {"sha256", report.scene.sha256}, {"title", report.scene.title}}},
      {"locks", design.lock_count()},
      {"station_mm", design.layout().station_mm},
      {"clock_deg", degrees_of(design.layout().clock_rad)},
      {"field_limit_mT", design.field() ? number(field_limit_mT(design)) : Json(nullptr)},
      {"reserve_wanted", reserve_wanted(design)},
      {"power_W", report.power_W ? number(*report.power_W) : Json(nullptr)},
      {"voltage_V", report.voltage_V},
      {"curvature_per_mm", poses},
      {"switches", maps},
      {"clocking", sweep_json(report)},
      {"scaling", scaled_designs}};
  return out.dump(1) + "\n";
}

}  // namespace withy
