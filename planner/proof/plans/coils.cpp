// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/plans/coils.h"

#include <cassert>
#include <cmath>

namespace withy::recheck {
namespace {

constexpr int kPoints = 256;
// mu0 by 4 pi, mT mm / A: 1e-7 T m / A to within 1e-9 of itself (CODATA 2018).
const Interval kBy4Pi(0.1 * (1.0 - 2e-9), 0.1 * (1.0 + 2e-9));
// Frames of files are orthogonal to this.
constexpr double kFrameRounding = 1e-12;

Interval dot(const Interval3& a, const Eigen::Vector3d& b) {
  return a[0] * Interval(b.x()) + a[1] * Interval(b.y()) + a[2] * Interval(b.z());
}

Interval3 everything() {
  const Interval all(-kInfinity, kInfinity);
  return {all, all, all};
}

/// Turned by R, or by its transpose.
Interval3 turned(const Eigen::Matrix3d& R, const Interval3& v) {
  Interval3 out;
  for (std::size_t i = 0; i < 3; ++i) {
    out[i] = dot(v, R.row(static_cast<Eigen::Index>(i)).transpose());
    const double off =
        kFrameRounding * (std::abs(v[0].middle()) + std::abs(v[1].middle()) + std::abs(v[2].middle()));
    out[i] = out[i] + Interval(-off, off);
  }
  return out;
}

struct Integrals {
  Interval along;   // of (a - rho cos phi) / D^(3/2)
  Interval across;  // of cos phi / D^(3/2)
};

/// What the trapezoidal rule is off by at most, for integrands of `most` in the strip.
double left_out(double q, double most) {
  const double cosh_s = 0.5 * (1.0 + q);
  const double s = std::log(cosh_s + std::sqrt(std::max(0.0, cosh_s * cosh_s - 1.0))) * (1.0 - 1e-9);
  return s * kPoints > 700.0 ? 1e-290 * most : 4.0 * 3.1416 * most / std::expm1(s * kPoints) * (1.0 + 1e-6);
}

Integrals integrals(double a, const Interval& rho, const Interval& z) {
  const Interval A(a);
  const Interval size = square(A) + square(rho) + square(z);
  const Interval twice = Interval(2.0) * A * rho;
  Integrals sum{Interval(0.0), Interval(0.0)};
  const Interval two_pi = radians(Interval(360.0));
  const double beta2 = (square(A - rho) + square(z)).lo * (1.0 - 1e-9);  // D is nowhere less
  for (int k = 0; k < kPoints; ++k) {
    const Interval cosine = sine_cosine(two_pi * Interval(static_cast<double>(k) / kPoints)).cosine;
    const Interval D = max(size - twice * cosine, Interval(beta2));
    const Interval weight = Interval(1.0) / (D * sqrt(D));
    sum.along = sum.along + (A - rho * cosine) * weight;
    sum.across = sum.across + cosine * weight;
  }
  const Interval step = two_pi * Interval(1.0 / kPoints);
  const double least = std::pow(0.5 * beta2, 1.5) * (1.0 - 1e-9);
  const double q = rho.hi > 0.0 ? size.lo / twice.hi : 1e300;
  // On the axis nothing is left out; the strip may be as wide as one likes.
  const double cosh_s = std::min(0.5 * (1.0 + q), 1e100);
  const double off_along = rho.hi > 0.0 ? left_out(std::min(q, 1e100), (a + rho.hi * cosh_s) / least) : 0.0;
  const double off_across = rho.hi > 0.0 ? left_out(std::min(q, 1e100), cosh_s / least) : 0.0;
  return {step * sum.along + Interval(-off_along, off_along),
          step * sum.across + Interval(-off_across, off_across)};
}

}  // namespace

Interval3 loop_field(const Coil& coil, const Interval3& p_S) {
  Interval3 from;
  for (std::size_t i = 0; i < 3; ++i)
    from[i] = p_S[i] - Interval(coil.centre_S[static_cast<Eigen::Index>(i)]);
  const Interval z = dot(from, coil.axis_S);
  Interval3 outward;
  for (std::size_t i = 0; i < 3; ++i)
    outward[i] = from[i] - z * Interval(coil.axis_S[static_cast<Eigen::Index>(i)]);
  const Interval rho = sqrt(square(outward[0]) + square(outward[1]) + square(outward[2]));
  const double a = coil.radius_mm;
  const Interval wire = square(Interval(a) - rho) + square(z);
  if (!(wire.lo > 1e-6 * a * a)) return everything();
  const Integrals integral = integrals(a, rho, z);
  const Interval scale = kBy4Pi * Interval(coil.turns) * Interval(a);
  // The direction away from the axis times B_rho; near the axis any direction across it.
  const Interval across = scale * z * integral.across;
  Interval3 B;
  for (std::size_t i = 0; i < 3; ++i) {
    const Interval direction = rho.lo > 1e-6 * a ? outward[i] / rho : Interval(-1.0, 1.0);
    B[i] = scale * integral.along * Interval(coil.axis_S[static_cast<Eigen::Index>(i)]) + across * direction;
  }
  return B;
}

Interval3 in_scene(const Eigen::Matrix3d& R_SE, const Interval3& v_E) {
  return turned(R_SE, v_E);
}

std::vector<Interval3> coils_field(const FieldHardware& field, const Eigen::Isometry3d& X_SE,
                                   const std::vector<double>& current_A,
                                   const std::vector<Interval3>& places_E) {
  assert(current_A.size() == static_cast<std::size_t>(field.coil_count()));
  const Eigen::Matrix3d R_SE = X_SE.linear();
  const Eigen::Matrix3d R_ES = R_SE.transpose();
  std::vector<Interval3> out;
  for (const Interval3& p_E : places_E) {
    Interval3 B_S{};
    if (field.coils.empty()) {
      Interval3 B_C;
      for (std::size_t k = 0; k < 3; ++k)
        B_C[k] = Interval(field.coil_mT_per_A[static_cast<Eigen::Index>(k)]) * Interval(current_A[k]);
      B_S = turned(field.R_SC, B_C);
    } else {
      Interval3 p_S = turned(R_SE, p_E);
      for (std::size_t i = 0; i < 3; ++i)
        p_S[i] = p_S[i] + Interval(X_SE.translation()[static_cast<Eigen::Index>(i)]);
      for (std::size_t k = 0; k < field.coils.size(); ++k) {
        const Interval3 one = loop_field(field.coils[k], p_S);
        for (std::size_t i = 0; i < 3; ++i) B_S[i] = B_S[i] + one[i] * Interval(current_A[k]);
      }
    }
    out.push_back(turned(R_ES, B_S));
  }
  return out;
}

}  // namespace withy::recheck
