// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/anywhere.h"

#include <chrono>
#include <cmath>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/proof/layouts/all_layouts.h"
#include "planner/search/ask/certify.h"
#include "planner/show/place_report.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

std::string listed(const std::vector<double>& values, double factor) {
  std::string out;
  for (const double value : values) out += fmt::format("{}{:.4g}", out.empty() ? "" : ", ", value * factor);
  return out;
}

/// Where the best layout's locks sit, or what is proved.
std::string what_of(const AnywhereRow& row) {
  if (!row.answer.best) return row.answer.why;
  const LockLayout& layout = row.answer.best->layout;
  return fmt::format("locks at {} mm, clocked by {} degrees", listed(layout.station_mm, 1.0),
                     listed(layout.clock_rad, kDegreesPerRadian));
}

std::string figure(double value, int digits) {
  return std::isfinite(value) ? fmt::format("{:.{}f}", value, digits) : "-";
}

std::string_view verdict_words(Verdict verdict) {
  return verdict == Verdict::unreachable ? "no layout" : name_of(verdict);
}

Json finite(double value) {
  return std::isfinite(value) ? Json(value) : Json(nullptr);
}

}  // namespace

Result<AnywhereRow> ask_anywhere(const PreparedScene& prepared, int locks, const AnywhereOptions& options,
                                 Progress& progress) {
  const auto since = Effort::Clock::now();
  const auto problem = make_problem(prepared, locks, options.clearance_mm);
  if (!problem) return tl::unexpected(problem.error());
  AnywhereSettings settings;
  settings.effort = options.effort;
  settings.progress = [&](const std::string& what, double done) {
    progress.stage(options.heading + what);
    progress.fraction(done);
  };
  std::string certificates;
  std::size_t count = 0;
  if (options.proofs)
    settings.certified = [&](recheck::Certificate certificate) {
      name_scene(certificate, prepared.scene, prepared.wall().channel(), options.scene_file);
      certificates += recheck::write_certificate(certificate);
      ++count;
    };
  AnywhereRow row;
  row.locks = locks;
  row.answer = reach_anywhere(*problem, settings);
  // What the tip alone proves is one certificate, of every layout.
  if (row.answer.verdict == Verdict::unreachable && count > 0)
    row.proofs = (row.answer.by_tip_alone ? "" : recheck::layout_proofs_header(locks, count)) + certificates;
  row.seconds = std::chrono::duration<double>(Effort::Clock::now() - since).count();
  return row;
}

std::string why_no_proofs(const AnywhereRow& row) {
  if (row.answer.verdict != Verdict::unreachable) return "that no layout reaches is not proved";
  return "the tip alone proves it, and the cubes that it may pass were not found again within the time";
}

std::string anywhere_table(const std::vector<AnywhereRow>& rows) {
  std::string out =
      fmt::format("{:>5}  {:<11}  {:>9}  {:>8}  {:>7}  {:>8}  {:>7}  {:>6}  {}\n", "locks", "anywhere",
                  "clear mm", "switches", "actions", "field mT", "reserve", "s", "");
  for (const AnywhereRow& row : rows) {
    const auto& best = row.answer.best;
    const auto switched = [&](double value, int digits) {
      return best && best->switches > 0 ? figure(value, digits) : std::string("-");
    };
    out += fmt::format("{:>5}  {:<11}  {:>9}  {:>8}  {:>7}  {:>8}  {:>7}  {:>6.1f}  {}\n", row.locks,
                       verdict_words(row.answer.verdict), best ? figure(best->plan.clearance_mm, 2) : "-",
                       best ? std::to_string(best->switches) : "-",
                       best ? std::to_string(best->plan.actions.size()) : "-",
                       best ? switched(best->field_mT, 1) : "-",
                       best ? switched(best->field_reserve, 2) : "-", row.seconds, what_of(row));
  }
  return out;
}

std::string anywhere_json(const std::vector<AnywhereRow>& rows) {
  Json list = Json::array();
  for (const AnywhereRow& row : rows) {
    const AnywhereAnswer& answer = row.answer;
    Json out = {
        {"locks", row.locks},
        {"verdict", name_of(answer.verdict)},
        {"why", answer.why},
        {"by_tip_alone", answer.by_tip_alone},
        {"boxes_proved", answer.boxes_proved},
        {"boxes_by_place", answer.boxes_by_place},
        {"layouts_tried", answer.layouts_tried},
        {"share_proved", answer.verdict == Verdict::reached ? Json(nullptr) : Json(answer.share_proved)},
        {"boxes_open", answer.open.size()},
        {"widest_open", nullptr},
        {"best", nullptr},
        {"seconds", row.seconds}};
    if (!answer.open.empty())
      out["widest_open"] = {{"station_mm", answer.open.front().middle_mm},
                            {"within_mm", answer.open.front().half_mm}};
    if (const auto& best = answer.best) {
      std::vector<double> clock_deg;
      for (const double clock : best->layout.clock_rad) clock_deg.push_back(degrees_to_write(clock));
      out["best"] = {{"station_mm", best->layout.station_mm},
                     {"clock_deg", clock_deg},
                     {"clearance_mm", finite(best->plan.clearance_mm)},
                     {"switches", best->switches},
                     {"actions", best->plan.actions.size()},
                     {"field_max_mT", best->field_mT},
                     {"field_reserve", finite(best->field_reserve)},
                     {"tension_max_N",
                      best->plan.largest.tension_N ? Json(*best->plan.largest.tension_N) : Json(nullptr)}};
    }
    list.push_back(std::move(out));
  }
  return list.dump();
}

std::string anywhere_scene_name(int locks) {
  return fmt::format("anywhere-{}.toml", locks);
}

Result<void> add_best_scenes(FileBatch& batch, const std::filesystem::path& folder, const Scene& scene,
                             const std::vector<AnywhereRow>& rows) {
  for (const AnywhereRow& row : rows) {
    if (!row.answer.best) continue;
    auto text = scene_with_layout(scene, row.answer.best->layout, folder);
    if (!text) return tl::unexpected<InputError>(text.error());
    batch.add(folder / anywhere_scene_name(row.locks), std::move(*text));
  }
  return {};
}

}  // namespace withy
