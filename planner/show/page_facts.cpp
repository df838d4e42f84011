// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/page_facts.h"

#include <bit>
#include <cmath>
#include <cstdint>
#include <vector>

#include <nlohmann/json.hpp>
#include <openssl/evp.h>

#include "geometry/numbers/numbers.h"

namespace withy {

using Json = nlohmann::ordered_json;

namespace {

// The page is written on little-endian machines only: its arrays are raw memory, and browsers read them as
// little-endian.
static_assert(std::endian::native == std::endian::little);

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

}  // namespace

Json scene_facts(const Scene& scene) {
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

Json channel_facts(const Channel& channel, const DisplayMesh& display) {
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
          {"deviation_mm",
           display.deviation_points > 0 ? Json(std::round(display.deviation_mm * 1e4) / 1e4) : Json(nullptr)},
          {"deviation_points", display.deviation_points},
          {"vertices", base64(vertices)},
          {"triangles", base64(triangles)},
          {"openings", openings}};
}

Json design_facts(const Design& design) {
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

std::string base64_of(const std::vector<float>& values) {
  return base64(values);
}

}  // namespace withy
