// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/page.h"

#include <bit>
#include <cassert>
#include <cmath>
#include <cstdint>

#include <fmt/core.h>
#include <nlohmann/json.hpp>
#include <openssl/evp.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/cautions.h"
#include "planner/files/markup.h"
#include "planner/show/motion_samples.h"
#include "planner/show/page_bundle.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

// The page is written on little-endian machines only: its arrays are raw memory, and browsers read them as
// little-endian.
static_assert(std::endian::native == std::endian::little);

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

Json vector(const Eigen::Vector3d& v) {
  return {v.x(), v.y(), v.z()};
}

template <class T>
std::string base64(const std::vector<T>& values) {
  const std::size_t bytes = values.size() * sizeof(T);
  std::string out(4 * ((bytes + 2) / 3) + 1, '\0');
  const int length =
      EVP_EncodeBlock(reinterpret_cast<unsigned char*>(out.data()),
                      reinterpret_cast<const unsigned char*>(values.data()), static_cast<int>(bytes));
  out.resize(static_cast<std::size_t>(length));
  return out;
}

Json entry_json(const Entry& entry) {
  const Eigen::Matrix3d& R = entry.X_SE.linear();
  Json rows = Json::array();
  for (int i = 0; i < 3; ++i)
    for (int j = 0; j < 3; ++j) rows.push_back(R(i, j));
  return {
      {"R", rows}, {"p", vector(entry.X_SE.translation())}, {"opening_radius_mm", entry.opening_radius_mm}};
}

Json target_json(const Target& target) {
  return {{"point_mm", vector(target.point_S)},
          {"tolerance_mm", target.tolerance_mm},
          {"direction", target.direction_S ? vector(*target.direction_S) : Json(nullptr)},
          {"direction_tolerance_deg", degrees_to_write(target.direction_tolerance_rad)}};
}

Json scene_json(const Scene& scene) {
  const auto& tendons = scene.parts.tendons;
  const auto tendon = [&](auto member) { return tendons ? Json((*tendons).*member) : Json(nullptr); };
  return {{"title", scene.title},
          {"file", scene.file.filename().string()},
          {"mesh_file", scene.mesh_file.filename().string()},
          {"required_clearance_mm", scene.required_clearance_mm},
          {"entry", entry_json(scene.entry)},
          {"target", target_json(scene.target)},
          {"insertion_max_mm", scene.parts.carriage.insertion_max_mm},
          {"curvature_max_per_mm", scene.parts.segment.curvature_max_per_mm},
          {"stroke_max_mm", tendon(&TendonHardware::stroke_max_mm)},
          {"tension_min_N", tendon(&TendonHardware::tension_min_N)},
          {"tension_max_N", tendon(&TendonHardware::tension_max_N)},
          {"field_max_mT", scene.parts.field ? Json(scene.parts.field->strength_max_mT) : Json(nullptr)}};
}

Json channel_json(const Channel& channel, const DisplayMesh& display) {
  const Eigen::Isometry3d& X_SE = channel.entry.X_SE;
  std::vector<float> vertices;
  for (const Eigen::Vector3d& v_E : display.wall_E.vertices)
    for (const double c : X_SE* v_E) vertices.push_back(static_cast<float>(c));
  std::vector<std::uint32_t> triangles;
  for (const auto& t : display.wall_E.triangles)
    for (const int corner : t) triangles.push_back(static_cast<std::uint32_t>(corner));
  Json openings = Json::array();
  for (const Opening& o : channel.openings)
    openings.push_back(
        {{"centre_mm", vector(X_SE * o.centre_E)}, {"radius_mm", o.radius_mm}, {"is_entry", o.is_entry}});
  return {{"triangles_in_file", display.triangles_before},
          {"triangles_shown", display.wall_E.triangles.size()},
          {"deviation_mm", display.deviation_points > 0 ? sample(display.deviation_mm) : Json(nullptr)},
          {"deviation_points", display.deviation_points},
          {"vertices", base64(vertices)},
          {"triangles", base64(triangles)},
          {"openings", openings}};
}

Json design_json(const Design& design) {
  Json rigid = Json::array();
  for (const RigidSpan& span : design.rigid_spans())
    rigid.push_back({{"from_mm", span.from_mm},
                     {"to_mm", span.to_mm},
                     {"radius_mm", design.body_radius(0.5 * (span.from_mm + span.to_mm))}});
  return {{"length_mm", design.length_mm()},
          {"radius_mm", design.segment().radius_mm},
          {"guide", design.carriage().kind == CarriageKind::guide},
          {"rigid", rigid},
          {"station_mm", design.layout().station_mm},
          {"clock_rad", design.layout().clock_rad}};
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
    actions.push_back({{"t", t}, {"points", base64(points)}});
  }
  return {{"name", way.name}, {"stations", stations}, {"actions", actions}};
}

Json plan_json(const PageInput& input, const PagePlan& page_plan) {
  Json samples = Json::array();
  if (page_plan.plan)
    for (const ActionSamples& s : sample_motions(input.scene, page_plan.design, *page_plan.plan, input.wall))
      samples.push_back(samples_json(s));
  Json out = {
      {"plan", Json::parse(page_plan.json)}, {"design", design_json(page_plan.design)}, {"samples", samples}};
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
               {"scene", scene_json(input.scene)},
               {"channel", channel_json(input.wall.channel(), input.display)},
               {"plans", Json::array()}};
  for (const PagePlan& plan : input.plans) data["plans"].push_back(plan_json(input, plan));
  // Data first: the title's mark stands before them, so nothing that they say can be taken for it.
  const std::string with_data = filled(kPageBundle, kPageDataMark, for_script_element(data));
  return filled(with_data, kPageTitleMark, escaped_for_markup(input.scene.title));
}

}  // namespace withy
