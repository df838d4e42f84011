// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/coils.h"

#include <cmath>
#include <numbers>

#include <Eigen/Geometry>
#include <boost/math/special_functions/ellint_1.hpp>
#include <boost/math/special_functions/ellint_2.hpp>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// Below this k^2 the bracket of (2) is its series (3): the series is off by some k^4 of itself, the
/// difference of the integrals by some 1e-16 / k^4 of itself; as a share of the whole field both are below
/// 1e-12 there.
constexpr double kSeriesBelow = 1e-4;

/// Height above the coil's plane and distance from its axis.
struct Cylindrical {
  double z = 0.0;
  double rho = 0.0;
  Eigen::Vector3d outward_S;  ///< unit vector away from the axis; zero on it
};

Cylindrical about_axis(const Coil& coil, const Eigen::Vector3d& p_S) {
  const Eigen::Vector3d from_centre = p_S - coil.centre_S;
  Cylindrical at;
  at.z = from_centre.dot(coil.axis_S);
  const Eigen::Vector3d across = from_centre - at.z * coil.axis_S;
  at.rho = across.norm();
  at.outward_S = at.rho > 0.0 ? Eigen::Vector3d(across / at.rho) : Eigen::Vector3d::Zero();
  return at;
}

}  // namespace

Eigen::Vector3d coil_field_mT_per_A(const Coil& coil, const Eigen::Vector3d& p_S) {
  const Cylindrical at = about_axis(coil, p_S);
  const double a = coil.radius_mm;
  const double alpha2 = (a + at.rho) * (a + at.rho) + at.z * at.z;
  const double beta2 = (a - at.rho) * (a - at.rho) + at.z * at.z;
  if (beta2 <= 0.0) return Eigen::Vector3d::Constant(kInfinity);
  const double k2 = 4.0 * a * at.rho / alpha2;
  const double k = std::sqrt(k2);
  const double K = boost::math::ellint_1(k);
  const double E = boost::math::ellint_2(k);
  const double r2 = at.rho * at.rho + at.z * at.z;
  const double strength = kMu0_mT_mm_per_A * coil.turns / (2.0 * std::numbers::pi * std::sqrt(alpha2));
  const double along = strength * (K + (a * a - r2) / beta2 * E);
  if (at.rho <= 0.0) return along * coil.axis_S;
  const double bracket = k2 < kSeriesBelow ? 3.0 * std::numbers::pi / 32.0 * k2 * k2 * (1.0 + 1.25 * k2)
                                           : (a * a + r2) / beta2 * E - K;
  return along * coil.axis_S + strength * at.z / at.rho * bracket * at.outward_S;
}

double distance_to_wire_mm(const Coil& coil, const Eigen::Vector3d& p_S) {
  const Cylindrical at = about_axis(coil, p_S);
  return std::hypot(at.rho - coil.radius_mm, at.z);
}

double coil_field_bound(const Coil& coil, double wire_mm) {
  if (!(wire_mm > 0.0)) return kInfinity;
  return kMu0_mT_mm_per_A * coil.turns * coil.radius_mm / (2.0 * wire_mm * wire_mm);
}

double coil_gradient_bound(const Coil& coil, double wire_mm) {
  if (!(wire_mm > 0.0)) return kInfinity;
  return kMu0_mT_mm_per_A * coil.turns * coil.radius_mm / (wire_mm * wire_mm * wire_mm);
}

int current_count(const Design& design) {
  return design.field() ? design.field()->coil_count() : 3;
}

CoilGains coil_gains_E(const Design& design, const Eigen::Vector3d& p_E) {
  const Eigen::Matrix3d R_ES = design.R_SE().transpose();
  if (!design.field()) return R_ES;
  const FieldHardware& field = *design.field();
  if (field.coils.empty()) return R_ES * field.R_SC * field.coil_mT_per_A.asDiagonal();
  const Eigen::Vector3d p_S = design.R_SE() * p_E + design.p_SE();
  CoilGains gains(3, field.coil_count());
  for (std::size_t k = 0; k < field.coils.size(); ++k)
    gains.col(static_cast<Eigen::Index>(k)) = R_ES * coil_field_mT_per_A(field.coils[k], p_S);
  return gains;
}

std::optional<double> coil_power_W(const FieldHardware& field, const Currents& current_A) {
  if (field.coils.empty()) return std::nullopt;
  double power_W = 0.0;
  for (std::size_t k = 0; k < field.coils.size(); ++k) {
    if (!field.coils[k].resistance_ohm) return std::nullopt;
    const double I = current_A(static_cast<Eigen::Index>(k));
    power_W += *field.coils[k].resistance_ohm * I * I;
  }
  return power_W;
}

double helmholtz_mT_per_A(double turns, double radius_mm) {
  return std::pow(0.8, 1.5) * kMu0_mT_mm_per_A * turns / radius_mm;
}

}  // namespace withy
