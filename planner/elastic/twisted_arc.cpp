// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/twisted_arc.h"

#include <array>

namespace withy {
namespace {

/// Terms of each series: the next one is below 1e-16 of the sum for |a| up to half a turn, and below 1e-8 up
/// to one and a half.
constexpr int kTerms = 12;

/// 1 / (first)!, -1 / (first + 2)!, ...
constexpr std::array<double, kTerms> alternating_factorials(int first) {
  std::array<double, kTerms> out{};
  double factorial = 1.0;
  for (int i = 2; i <= first; ++i) factorial *= i;
  double sign = 1.0;
  for (int k = 0; k < kTerms; ++k) {
    out[static_cast<std::size_t>(k)] = sign / factorial;
    factorial *= (first + 2.0 * k + 1.0) * (first + 2.0 * k + 2.0);
    sign = -sign;
  }
  return out;
}

constexpr std::array<double, kTerms> kB = alternating_factorials(2);
constexpr std::array<double, kTerms> kC = alternating_factorials(3);

/// Value and first two derivatives of a polynomial, by Horner's scheme.
void sum(const std::array<double, kTerms>& coefficient, double x, double& f, double& f1, double& f2) {
  f = f1 = f2 = 0.0;
  for (int k = kTerms - 1; k >= 0; --k) {
    f2 = f2 * x + 2.0 * f1;
    f1 = f1 * x + f;
    f = f * x + coefficient[static_cast<std::size_t>(k)];
  }
}

}  // namespace

Eigen::Matrix3d cross_matrix(const Eigen::Vector3d& v) {
  Eigen::Matrix3d M;
  M << 0.0, -v.z(), v.y(), v.z(), 0.0, -v.x(), -v.y(), v.x(), 0.0;
  return M;
}

TwistedArc::TwistedArc(const Eigen::Vector3d& a) : a_(a) {
  const double x = a.squaredNorm();
  sum(kB, x, b_, b1_, b2_);
  sum(kC, x, c_, c1_, c2_);
}

// [a]x^2 = a a^T - x I.
Eigen::Matrix3d TwistedArc::rotation() const {
  const double x = a_.squaredNorm();
  Eigen::Matrix3d R = b_ * a_ * a_.transpose() + (1.0 - x * c_) * cross_matrix(a_);
  R.diagonal().array() += 1.0 - b_ * x;
  return R;
}

Eigen::Matrix3d TwistedArc::left_jacobian() const {
  Eigen::Matrix3d J = c_ * a_ * a_.transpose() + b_ * cross_matrix(a_);
  J.diagonal().array() += 1.0 - c_ * a_.squaredNorm();
  return J;
}

// J v = v + b a x v + c (a (a . v) - x v); grad b = 2 b' a, grad c = 2 c' a.
Eigen::Matrix3d TwistedArc::jacobian_change(const Eigen::Vector3d& v) const {
  const double along = a_.dot(v);
  const Eigen::Vector3d once = a_.cross(v);
  const Eigen::Vector3d twice = a_ * along - a_.squaredNorm() * v;
  Eigen::Matrix3d M = (2.0 * b1_ * once + 2.0 * c1_ * twice) * a_.transpose() - b_ * cross_matrix(v) +
                      c_ * (a_ * v.transpose() - 2.0 * v * a_.transpose());
  M.diagonal().array() += c_ * along;
  return M;
}

// J(a)^T = J(-a).
Eigen::Matrix3d TwistedArc::transposed_change(const Eigen::Vector3d& v) const {
  TwistedArc reversed = *this;
  reversed.a_ = -a_;
  return -reversed.jacobian_change(v);
}

// f . J e_z = f_z + b s1 + c s2, s1 = a . (e_z x f), s2 = (f . a) a_z - f_z x.
Eigen::Matrix3d TwistedArc::second_change(const Eigen::Vector3d& f) const {
  const Eigen::Vector3d e_z = Eigen::Vector3d::UnitZ();
  const Eigen::Vector3d g1 = e_z.cross(f);
  const double s1 = a_.dot(g1);
  const double s2 = f.dot(a_) * a_.z() - f.z() * a_.squaredNorm();
  const Eigen::Vector3d g2 = f * a_.z() + e_z * f.dot(a_) - 2.0 * f.z() * a_;
  const Eigen::Vector3d mixed = 2.0 * (b1_ * g1 + c1_ * g2);
  Eigen::Matrix3d H = a_ * mixed.transpose() + mixed * a_.transpose() +
                      4.0 * (s1 * b2_ + s2 * c2_) * a_ * a_.transpose() +
                      c_ * (f * e_z.transpose() + e_z * f.transpose());
  H.diagonal().array() += 2.0 * (s1 * b1_ + s2 * c1_) - 2.0 * c_ * f.z();
  return H;
}

}  // namespace withy
