// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/page.h"

#include <cassert>
#include <cmath>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/cautions.h"
#include "planner/files/markup.h"
#include "planner/show/motion_samples.h"
#include "planner/show/page_bundle.h"
#include "planner/show/page_facts.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

// Samples are for the eye: a tenth of a micrometre is plenty, and short numbers keep the page small.
constexpr double kSampleSteps = 1e4;

Json sample(double value) {
  return std::isfinite(value) ? Json(std::round(value * kSampleSteps) / kSampleSteps + 0.0) : Json(nullptr);
}

template <class Range>
Json sample_list(const Range& values) {
  Json list = Json::array();
  for (const double value : values) list.push_back(sample(value));
  return list;
}

Json samples_json(const ActionSamples& samples) {
  Json clearance = Json::array(), station = Json::array(), wall = Json::array();
  for (const auto& spot : samples.spot) {
    clearance.push_back(spot ? sample(spot->clearance_mm) : Json(nullptr));
    station.push_back(spot ? sample(spot->station_mm) : Json(nullptr));
    wall.push_back(spot ? sample_list(spot->wall_S) : Json(nullptr));
  }
  Json out = {{"t", sample_list(samples.t)},
              {"clearance_mm", clearance},
              {"station_mm", station},
              {"wall_mm", wall},
              {"seconds", samples.seconds}};
  const auto add = [&out](const char* key, const std::vector<std::vector<double>>& lists) {
    if (lists.empty()) return;
    out[key] = Json::array();
    for (const auto& list : lists) out[key].push_back(sample_list(list));
  };
  if (!samples.swept_u.empty()) {
    out["swept_u"] = Json::array();
    for (const Eigen::Vector2d& u : samples.swept_u) out["swept_u"].push_back({u.x(), u.y()});
  }
  add("pull_mm", samples.pull_mm);
  add("tension_N", samples.tension_N);
  return out;
}

/// Centrelines are for the eye: single precision is finer than a screen.
Json way_json(const PageWay& way) {
  Json actions = Json::array();
  std::size_t stations = 0;
  for (const FollowedAction& action : way.followed.actions) {
    Json t = Json::array();
    std::vector<float> points;
    for (const FollowedBody& body : action.bodies) {
      t.push_back(sample(body.t));
      stations = body.points_E.size();
      for (const Eigen::Vector3d& p : body.points_E)
        for (const double c : p) points.push_back(static_cast<float>(c));
    }
    actions.push_back({{"t", t}, {"points", base64_of(points)}});
  }
  return {{"name", way.name}, {"stations", stations}, {"actions", actions}};
}

Json plan_json(const PageInput& input, const PagePlan& page_plan) {
  Json samples = Json::array();
  if (page_plan.plan)
    for (const ActionSamples& s : sample_motions(input.scene, page_plan.design, *page_plan.plan, input.wall))
      samples.push_back(samples_json(s));
  Json out = {{"plan", Json::parse(page_plan.json)},
              {"design", design_facts(page_plan.design)},
              {"samples", samples}};
  if (!page_plan.elastic.empty()) out["elastic"] = Json::array();
  for (const PageWay& way : page_plan.elastic) out["elastic"].push_back(way_json(way));
  return out;
}

/// JSON that can stand inside a script element: no "<" is left, so neither "</script" nor "<!--" can close or
/// change it.
std::string for_script_element(const Json& data) {
  const std::string text = data.dump();
  std::string out;
  out.reserve(text.size());
  for (const char c : text) {
    if (c == '<')
      out += "\\u003c";
    else
      out += c;
  }
  return out;
}

/// `text` with the first `mark` replaced. Precondition: there is one.
std::string filled(std::string_view text, std::string_view mark, std::string_view value) {
  const std::size_t at = text.find(mark);
  assert(at != std::string_view::npos);
  std::string out(text.substr(0, at));
  out += value;
  out += text.substr(at + mark.size());
  return out;
}

}  // namespace

std::optional<std::string> page_missing() {
  if (kPageBundleFault.empty()) return std::nullopt;
  return fmt::format(
      "this program was built without its page: {}; run cmake and build again once that is mended",
      kPageBundleFault);
}

std::string page_html(const PageInput& input) {
  assert(!page_missing() && !input.plans.empty());
  Json data = {{"program", "withy " WITHY_VERSION},
               {"cautions", kCautions},
               {"timed", has_rates(input.scene, input.plans.front().design)},
               {"scene", scene_facts(input.scene)},
               {"channel", channel_facts(input.wall.channel(), input.display)},
               {"plans", Json::array()}};
  for (const PagePlan& plan : input.plans) data["plans"].push_back(plan_json(input, plan));
  // Data first: the title's mark stands before them, so nothing that they say can be taken for it.
  const std::string with_data = filled(kPageBundle, kPageDataMark, for_script_element(data));
  return filled(with_data, kPageTitleMark, escaped_for_markup(input.scene.title));
}

std::string live_page_html(const std::string& title) {
  assert(!page_missing());
  return filled(kLiveBundle, kPageTitleMark, escaped_for_markup(title));
}

}  // namespace withy
