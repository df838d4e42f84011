// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/draft.h"

#include <cmath>
#include <fstream>
#include <map>
#include <numbers>
#include <stdexcept>
#include <utility>
#include <vector>

#include <toml++/toml.h>

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;

template <class Numbers>
toml::array array_of(const Numbers& numbers, double factor = 1.0) {
  toml::array out;
  for (const double x : numbers) out.push_back(x * factor);
  return out;
}

toml::array degrees(const std::vector<double>& angles_rad) {
  return array_of(angles_rad, 180.0 / kPi);
}

toml::table target_table(const Target& target) {
  toml::table t{{"point_mm", array_of(target.point_S)}, {"tolerance_mm", target.tolerance_mm}};
  if (target.direction_S) {
    t.insert("direction", array_of(*target.direction_S));
    t.insert("direction_tolerance_deg", target.direction_tolerance_rad * 180.0 / kPi);
  }
  return t;
}

toml::table lock_table(const LockHardware& lock) {
  return toml::table{{"body_length_mm", lock.body_length_mm},
                     {"body_radius_mm", lock.body_radius_mm},
                     {"magnet_Am2", lock.magnet_Am2},
                     {"angle_free_deg", lock.angle_free_rad * 180.0 / kPi},
                     {"angle_latched_deg", lock.angle_latched_rad * 180.0 / kPi},
                     {"switch_torque_Nmm", lock.switch_torque_Nmm},
                     {"hold_torque_Nmm", lock.hold_torque_Nmm},
                     {"hold_moment_Nmm", lock.hold_moment_Nmm}};
}

toml::table latch_table(const LatchHardware& latch) {
  return toml::table{{"notch_pitch_mm", latch.notch_pitch_mm},
                     {"backbone_radius_mm", latch.backbone_radius_mm},
                     {"backbone_angles_deg", degrees(latch.backbone_angle_rad)},
                     {"engage_window_mm", latch.engage_window_mm},
                     {"backlash_mm", latch.backlash_mm}};
}

toml::table tendons_table(const TendonHardware& tendons) {
  return toml::table{{"radius_mm", tendons.radius_mm},
                     {"angles_deg", degrees(tendons.angle_rad)},
                     {"disk_spacing_mm", tendons.disk_spacing_mm},
                     {"stroke_max_mm", tendons.stroke_max_mm},
                     {"tension_min_N", tendons.tension_min_N},
                     {"tension_max_N", tendons.tension_max_N},
                     {"friction_coefficient", tendons.friction_coefficient},
                     {"motors", tendons.motors == Motors::ride ? "ride" : "stand"}};
}

toml::table field_table(const FieldHardware& field) {
  toml::array axes;
  for (int i = 0; i < 3; ++i) axes.push_back(array_of(Eigen::Vector3d(field.R_SC.col(i))));
  return toml::table{{"strength_max_mT", field.strength_max_mT},
                     {"coil_mT_per_A", array_of(field.coil_mT_per_A)},
                     {"coil_axes", std::move(axes)}};
}

toml::table layout_table(const LockLayout& layout) {
  toml::table t{{"use", layout.count()}};
  if (layout.count() > 0)
    t.insert(std::to_string(layout.count()), toml::table{{"station_mm", array_of(layout.station_mm)},
                                                         {"clock_deg", degrees(layout.clock_rad)}});
  return t;
}

toml::table segment_table(const Segment& segment) {
  return toml::table{{"length_mm", segment.length_mm},
                     {"radius_mm", segment.radius_mm},
                     {"tip_rigid_mm", segment.tip_rigid_mm},
                     {"curvature_max_per_mm", segment.curvature_max_per_mm},
                     {"flexural_rigidity_Nmm2", segment.flexural_rigidity_Nmm2}};
}

toml::table scene_table(const Draft& draft, const std::string& mesh) {
  const DesignParts& parts = draft.parts;
  const Eigen::Isometry3d& X = draft.entry.X_SE;
  toml::table root{
      {"title", "asked in many ways"},
      {"channel",
       toml::table{
           {"mesh", mesh}, {"unit", "mm"}, {"outlets", draft.outlets == Outlets::open ? "open" : "closed"}}},
      {"entry", toml::table{{"point_mm", array_of(Eigen::Vector3d(X.translation()))},
                            {"axis", array_of(Eigen::Vector3d(X.linear().col(2)))},
                            {"x_axis", array_of(Eigen::Vector3d(X.linear().col(0)))},
                            {"opening_radius_mm", draft.entry.opening_radius_mm}}},
      {"target", target_table(draft.target)},
      {"clearance", toml::table{{"required_mm", draft.required_clearance_mm}}},
      {"segment", segment_table(parts.segment)},
      {"layout", layout_table(parts.layout)},
      {"carriage", toml::table{{"kind", parts.carriage.kind == CarriageKind::free ? "free" : "guide"},
                               {"insertion_max_mm", parts.carriage.insertion_max_mm}}}};
  if (parts.lock) root.insert("lock", lock_table(*parts.lock));
  if (parts.latch) root.insert("latch", latch_table(*parts.latch));
  if (parts.tendons) root.insert("tendons", tendons_table(*parts.tendons));
  if (parts.field) root.insert("field", field_table(*parts.field));
  return root;
}

/// Every angle of the section replaced by f(angle).
template <class F>
void change_angles(DesignParts& parts, F f) {
  for (double& a : parts.layout.clock_rad) a = f(a);
  if (parts.latch)
    for (double& a : parts.latch->backbone_angle_rad) a = f(a);
  if (parts.tendons)
    for (double& a : parts.tendons->angle_rad) a = f(a);
}

}  // namespace

void write_channel(const TriangleMesh& mesh_S, const std::filesystem::path& file) {
  if (const auto written = write_mesh(mesh_S, file); !written)
    throw std::runtime_error(written.error().message());
}

void write_scene(const Draft& draft, const std::string& mesh, const std::filesystem::path& file) {
  std::ofstream out(file, std::ios::binary);
  out << scene_table(draft, mesh) << '\n';
  if (!out.flush()) throw std::runtime_error("can't write " + file.string());
}

Draft turned(const Draft& draft, const Eigen::Isometry3d& X, double turn_rad) {
  Draft out = draft;
  for (Eigen::Vector3d& p : out.mesh_S.vertices) p = X * p;
  const Eigen::Isometry3d about_axis(Eigen::AngleAxisd(turn_rad, Eigen::Vector3d::UnitZ()));
  out.entry.X_SE = X * draft.entry.X_SE * about_axis;
  out.target.point_S = X * draft.target.point_S;
  if (out.target.direction_S) out.target.direction_S = X.linear() * *draft.target.direction_S;
  change_angles(out.parts, [&](double a) { return std::remainder(a - turn_rad, 2.0 * kPi); });
  return out;
}

Draft mirrored(const Draft& draft) {
  Draft out = draft;
  const Eigen::Isometry3d& X_SE = draft.entry.X_SE;
  const auto direction = [&](const Eigen::Vector3d& v_S) -> Eigen::Vector3d {
    const Eigen::Vector3d v_E = X_SE.linear().transpose() * v_S;
    return X_SE.linear() * Eigen::Vector3d(-v_E.x(), v_E.y(), v_E.z());
  };
  const auto point = [&](const Eigen::Vector3d& p_S) -> Eigen::Vector3d {
    return X_SE.translation() + direction(p_S - X_SE.translation());
  };
  for (Eigen::Vector3d& p : out.mesh_S.vertices) p = point(p);
  for (auto& t : out.mesh_S.triangles) std::swap(t[1], t[2]);
  out.target.point_S = point(draft.target.point_S);
  if (out.target.direction_S) out.target.direction_S = direction(*draft.target.direction_S);
  change_angles(out.parts, [](double a) { return std::remainder(kPi - a, 2.0 * kPi); });
  if (out.parts.lock) {
    out.parts.lock->angle_free_rad *= -1.0;
    out.parts.lock->angle_latched_rad *= -1.0;
  }
  return out;
}

TriangleMesh refined(const TriangleMesh& mesh_S, const Entry& entry, double above_mm) {
  TriangleMesh out{mesh_S.vertices, {}};
  const Eigen::Isometry3d X_ES = entry.X_SE.inverse();
  const auto above = [&](int v) {
    return (X_ES * mesh_S.vertices[static_cast<std::size_t>(v)]).z() > above_mm;
  };
  std::map<std::pair<int, int>, int> middles;
  const auto middle = [&](int a, int b) {
    const auto [at, fresh] = middles.try_emplace(std::minmax(a, b), static_cast<int>(out.vertices.size()));
    if (fresh)
      out.vertices.push_back(0.5 * (mesh_S.vertices[static_cast<std::size_t>(a)] +
                                    mesh_S.vertices[static_cast<std::size_t>(b)]));
    return at->second;
  };
  for (const auto& [a, b, c] : mesh_S.triangles) {
    const bool in[] = {above(a), above(b), above(c)};
    if (in[0] && in[1] && in[2]) {
      const int ab = middle(a, b), bc = middle(b, c), ca = middle(c, a);
      out.triangles.insert(out.triangles.end(), {{a, ab, ca}, {ab, b, bc}, {ca, bc, c}, {ab, bc, ca}});
    } else if (in[0] + in[1] + in[2] == 2) {  // one edge is halved
      const int apex = !in[0] ? a : !in[1] ? b : c;
      const int next = apex == a ? b : apex == b ? c : a;
      const int last = apex == a ? c : apex == b ? a : b;
      const int m = middle(next, last);
      out.triangles.insert(out.triangles.end(), {{apex, next, m}, {apex, m, last}});
    } else {
      out.triangles.push_back({a, b, c});
    }
  }
  return out;
}

}  // namespace withy::consistency
