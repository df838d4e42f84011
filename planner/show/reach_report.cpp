// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/reach_report.h"

#include <algorithm>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "planner/files/words.h"
#include "planner/scene/scene_json.h"

namespace withy {

namespace {

using Json = nlohmann::ordered_json;

constexpr Verdict kVerdicts[] = {Verdict::reached, Verdict::unreachable, Verdict::undecided};

/// Targets that at least one of the counts reaches.
std::size_t reached_by_any(const ReachReport& report) {
  std::size_t reached = 0;
  for (std::size_t i = 0; i < report.targets_S.size(); ++i)
    reached += std::any_of(report.counts.begin(), report.counts.end(), [i](const ReachCount& count) {
      return count.result.verdict[i] == Verdict::reached;
    });
  return reached;
}

Json count_json(const ReachCount& count) {
  Json out;
  out["locks"] = count.locks;
  for (const Verdict verdict : kVerdicts) out[std::string(name_of(verdict))] = count.targets_with(verdict);
  out["checked"] = count.checked;
  out["not_checked"] = count.not_checked;
  out["stood"] = count.result.stood.empty()
                     ? Json(nullptr)
                     : Json(std::count(count.result.stood.begin(), count.result.stood.end(), true));
  out["work"] = count.result.work;
  out["seconds"] = count.seconds;
  return out;
}

}  // namespace

std::size_t ReachCount::targets_with(Verdict verdict) const {
  return static_cast<std::size_t>(std::count(result.verdict.begin(), result.verdict.end(), verdict));
}

std::string share_reached(const ReachCount& count) {
  const auto all = static_cast<double>(count.result.verdict.size());
  const auto reached = static_cast<double>(count.targets_with(Verdict::reached));
  const auto open = static_cast<double>(count.targets_with(Verdict::undecided));
  if (open == 0.0) return fmt::format("{:.1f} %", 100.0 * reached / all);
  return fmt::format("{:.1f} to {:.1f} %", 100.0 * reached / all, 100.0 * (reached + open) / all);
}

std::string share_stood(const ReachCount& count) {
  if (count.result.stood.empty()) return "-";
  const auto stood = std::count(count.result.stood.begin(), count.result.stood.end(), true);
  return fmt::format("{:.1f} %",
                     100.0 * static_cast<double>(stood) / static_cast<double>(count.result.stood.size()));
}

std::string share_stood_note() {
  return fmt::format(
      "share stood: a plan is reached that fails on fewer than {:g} % of benches with usual errors",
      100.0 * kReachChance);
}

std::string reach_table(const ReachReport& report) {
  std::string out;
  if (report.spacing_mm)
    out += fmt::format("{} in the lumen, {:g} mm apart, where the tip fits and insertion gets near\n",
                       count_of(report.targets_S.size(), "target"), *report.spacing_mm);
  else
    out += fmt::format("{}\n", count_of(report.targets_S.size(), "target"));
  out += fmt::format("{:>5}  {:>8}  {:>11}  {:>9}  {:>16}  {:>11}\n", "locks", "reached", "unreachable",
                     "undecided", "share reached", "share stood");
  for (const ReachCount& count : report.counts)
    out += fmt::format("{:>5}  {:>8}  {:>11}  {:>9}  {:>16}  {:>11}\n", count.locks,
                       count.targets_with(Verdict::reached), count.targets_with(Verdict::unreachable),
                       count.targets_with(Verdict::undecided), share_reached(count), share_stood(count));
  out += share_stood_note() + "\n";
  if (report.counts.size() > 1)
    out += fmt::format("reached by at least one of these counts: {} of {}\n", reached_by_any(report),
                       report.targets_S.size());
  return out;
}

std::string reach_csv(const ReachReport& report) {
  std::string out = "x_mm,y_mm,z_mm";
  for (const ReachCount& count : report.counts) out += fmt::format(",locks_{}", count.locks);
  out += "\r\n";
  for (std::size_t i = 0; i < report.targets_S.size(); ++i) {
    const Eigen::Vector3d& p = report.targets_S[i];
    out += fmt::format("{},{},{}", p.x(), p.y(), p.z());
    for (const ReachCount& count : report.counts) out += fmt::format(",{}", name_of(count.result.verdict[i]));
    out += "\r\n";
  }
  return out;
}

std::string reach_json(const ReachReport& report) {
  Json out;
  out["format"] = "withy-reach";
  out["version"] = 1;
  out["scene"] = scene_json(report.scene, report.scene_file);
  out["partial"] = report.partial;
  out["lattice_spacing_mm"] = report.spacing_mm ? Json(*report.spacing_mm) : Json(nullptr);
  out["tolerance_mm"] = report.tolerance_mm;
  out["required_clearance_mm"] = report.required_clearance_mm;
  out["targets"] = report.targets_S.size();
  out["reached_by_any"] = reached_by_any(report);
  out["counts"] = Json::array();
  for (const ReachCount& count : report.counts) out["counts"].push_back(count_json(count));
  out["points"] = Json::array();
  for (std::size_t i = 0; i < report.targets_S.size(); ++i) {
    const Eigen::Vector3d& p = report.targets_S[i];
    Json verdicts = Json::array();
    for (const ReachCount& count : report.counts) verdicts.push_back(name_of(count.result.verdict[i]));
    out["points"].push_back({{"point_mm", {p.x(), p.y(), p.z()}}, {"verdicts", verdicts}});
  }
  return out.dump(1) + "\n";
}

}  // namespace withy
