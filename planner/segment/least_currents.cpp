// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/least_currents.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <Eigen/LU>
#include <Eigen/QR>

namespace withy {
namespace {

/// A half-space counts as met when it is missed by no more than this share of the fields at hand: rounding of
/// the small solves is some 1e-15 over their determinant, a coil is set to 1e-4 at best.
constexpr double kFieldRounding = 1e-10;

/// Normals whose Gram determinant is below this are taken as dependent; a smaller set then describes the same
/// point.
constexpr double kDependent = 1e-13;

/// Cuts until a programme is given up as unsettled.
constexpr int kMostCuts = 100;

/// Asks of many points whether they lie in all half-spaces: the one that turned away the last point first.
class CommonPart {
 public:
  explicit CommonPart(std::span<const HalfSpace> half_spaces) : half_spaces_(half_spaces) {
    for (const HalfSpace& h : half_spaces) farthest_ = std::max(farthest_, std::abs(h.at_least));
  }

  bool holds(const Eigen::Vector3d& B) {
    const double slack = kFieldRounding * std::max(B.norm(), farthest_);
    const auto missed = [&](const HalfSpace& h) { return !(h.normal.dot(B) >= h.at_least - slack); };
    if (half_spaces_.empty()) return true;
    if (missed(half_spaces_[missed_last_])) return false;
    const auto found = std::find_if(half_spaces_.begin(), half_spaces_.end(), missed);
    if (found == half_spaces_.end()) return true;
    missed_last_ = static_cast<std::size_t>(found - half_spaces_.begin());
    return false;
  }

 private:
  std::span<const HalfSpace> half_spaces_;
  double farthest_ = 0.0;
  std::size_t missed_last_ = 0;
};

std::optional<Eigen::Vector3d> active_pair(const HalfSpace& a, const HalfSpace& b) {
  const double g = a.normal.dot(b.normal);
  const double det = 1.0 - g * g;
  if (det < kDependent) return std::nullopt;
  const double la = (a.at_least - g * b.at_least) / det;
  const double lb = (b.at_least - g * a.at_least) / det;
  if (la < 0.0 || lb < 0.0) return std::nullopt;
  return la * a.normal + lb * b.normal;
}

std::optional<Eigen::Vector3d> active_triple(const HalfSpace& a, const HalfSpace& b, const HalfSpace& c) {
  Eigen::Matrix3d N;
  N << a.normal.transpose(), b.normal.transpose(), c.normal.transpose();
  const double det = N.determinant();
  if (det * det < kDependent) return std::nullopt;
  const Eigen::Matrix3d inverse = N.inverse();
  const Eigen::Vector3d B = inverse * Eigen::Vector3d(a.at_least, b.at_least, c.at_least);
  if ((inverse.transpose() * B).minCoeff() < 0.0) return std::nullopt;
  return B;
}

/// min |E u - f|, u >= 0 (Lawson and Hanson, algorithm NNLS, chapter 23). Returns f - E u; nothing when it
/// does not come to an end.
class NonNegativeLeastSquares {
 public:
  NonNegativeLeastSquares(const Eigen::MatrixXd& E, const Eigen::VectorXd& f)
      : E_(E), f_(f), u_(Eigen::VectorXd::Zero(E.cols())), free_(static_cast<std::size_t>(E.cols()), false) {}

  std::optional<Eigen::VectorXd> residual() {
    // Columns have length 1 and so has f: gradients below this are rounding.
    constexpr double kNoGradient = 1e-14;
    Eigen::VectorXd r = f_;
    for (Eigen::Index step = 0; step < 4 * E_.cols() + 16; ++step) {
      const Eigen::VectorXd gradient = E_.transpose() * r;
      Eigen::Index best = -1;
      for (Eigen::Index j = 0; j < E_.cols(); ++j)
        if (!is_free(j) && gradient(j) > kNoGradient && (best < 0 || gradient(j) > gradient(best))) best = j;
      if (best < 0) return r;
      free_[static_cast<std::size_t>(best)] = true;
      if (!step_inside()) return std::nullopt;
      r = f_ - E_ * u_;
    }
    return std::nullopt;
  }

 private:
  bool is_free(Eigen::Index j) const { return free_[static_cast<std::size_t>(j)]; }

  /// To the least squares of the free columns, as far as all stay positive; those that come to 0 are fixed.
  bool step_inside() {
    for (Eigen::Index tries = 0; tries <= E_.cols(); ++tries) {
      const Eigen::VectorXd z = free_solution();
      double share = 1.0;
      for (Eigen::Index j = 0; j < E_.cols(); ++j)
        if (is_free(j) && z(j) <= 0.0) share = std::min(share, u_(j) / (u_(j) - z(j)));
      if (share >= 1.0) {
        u_ = z;
        return true;
      }
      u_ += share * (z - u_);
      for (Eigen::Index j = 0; j < E_.cols(); ++j)
        if (is_free(j) && u_(j) <= 1e-15) {
          u_(j) = 0.0;
          free_[static_cast<std::size_t>(j)] = false;
        }
    }
    return false;
  }

  Eigen::VectorXd free_solution() const {
    const auto count = std::count(free_.begin(), free_.end(), true);
    Eigen::MatrixXd part(E_.rows(), count);
    Eigen::Index at = 0;
    for (Eigen::Index j = 0; j < E_.cols(); ++j)
      if (is_free(j)) part.col(at++) = E_.col(j);
    const Eigen::VectorXd solved = part.colPivHouseholderQr().solve(f_);
    Eigen::VectorXd z = Eigen::VectorXd::Zero(E_.cols());
    at = 0;
    for (Eigen::Index j = 0; j < E_.cols(); ++j)
      if (is_free(j)) z(j) = solved(at++);
    return z;
  }

  const Eigen::MatrixXd& E_;
  const Eigen::VectorXd& f_;
  Eigen::VectorXd u_;
  std::vector<bool> free_;
};

/// A demand that no current helps: met as it is, or never.
bool nothing_to_do(const CurrentDemand& demand) {
  return demand.row.isZero(0.0);
}

/// Least distance programming: with the columns (a_r, c_r) and f = (0, .., 0, 1) the residual r = f - E u of
/// the non-negative least squares is zero when the demands have nothing in common, and otherwise the point is
/// -r_1..n / r_n+1 (Lawson and Hanson, algorithm LDP). Demands are scaled to length 1, distances to the
/// farthest single demand; then r_n+1 = 1 / (1 + distance^2).
LeastCurrents least_distance(std::span<const CurrentDemand> demands) {
  constexpr double kNoPoint = 1e-12;  // a distance of 1e6
  constexpr double kMissed = 1e-9;
  assert(!demands.empty());
  const Eigen::Index n = demands.front().row.size();
  double farthest = 0.0;
  for (const CurrentDemand& d : demands) {
    if (nothing_to_do(d) && d.at_least > 0.0) return {};
    if (!nothing_to_do(d)) farthest = std::max(farthest, d.at_least / d.row.norm());
  }
  if (farthest <= 0.0) return {CurrentsVerdict::found, Currents::Zero(n)};
  Eigen::MatrixXd E = Eigen::MatrixXd::Zero(n + 1, static_cast<Eigen::Index>(demands.size()));
  for (std::size_t r = 0; r < demands.size(); ++r) {
    if (nothing_to_do(demands[r])) continue;
    Eigen::VectorXd column(n + 1);
    const double size = demands[r].row.norm();
    column << demands[r].row / size, demands[r].at_least / (size * farthest);
    E.col(static_cast<Eigen::Index>(r)) = column / column.norm();
  }
  const Eigen::VectorXd f = Eigen::VectorXd::Unit(n + 1, n);
  const auto r = NonNegativeLeastSquares(E, f).residual();
  if (!r) return {CurrentsVerdict::unsettled, {}};
  // u >= 0 with |E u - f| <= 1e-6 proves by itself that no point lies within a distance of 1e6: such a point
  // would have x . (rows' sum) >= (right sides' sum), of some 1e-6 and some 1.
  if (!((*r)(n) > kNoPoint)) return {};
  const Currents point = -farthest / (*r)(n)*r->head(n);
  // What is next to infeasible, with cuts next to parallel, may come out wrong.
  for (const CurrentDemand& d : demands)
    if (d.row.dot(point) < d.at_least - kMissed * (farthest + std::abs(d.at_least)) * (1.0 + d.row.norm()))
      return {CurrentsVerdict::unsettled, {}};
  return {CurrentsVerdict::found, point};
}

/// `cut`: limits have been cut off, so demands may be next to parallel, which the sets of three don't take.
LeastCurrents optimum(std::span<const CurrentDemand> demands, bool cut) {
  if (cut || demands.front().row.size() != 3) return least_distance(demands);
  std::vector<HalfSpace> half_spaces;
  half_spaces.reserve(demands.size());
  for (const CurrentDemand& d : demands) {
    if (nothing_to_do(d)) {
      if (d.at_least > 0.0) return {};
      continue;
    }
    const double size = d.row.norm();
    half_spaces.push_back({d.row / size, d.at_least / size});
  }
  const auto point = least_norm_point(half_spaces);
  if (!point) return {};
  return {CurrentsVerdict::found, *point};
}

/// Adds what the limits that I breaks allow. Says whether I breaks any.
bool cut_off(const CurrentLimits& limits, const Currents& I, std::vector<CurrentDemand>& demands) {
  bool broken = false;
  for (std::size_t k = 0; k < limits.gains.size(); ++k) {
    const Eigen::Vector3d B = limits.gains[k] * I;
    const double strength = B.norm();
    if (!(strength > limits.most_mT[k] * (1.0 + kCurrentRounding))) continue;
    demands.push_back({-(limits.gains[k].transpose() * B) / strength, -limits.most_mT[k]});
    broken = true;
  }
  for (Eigen::Index c = 0; c < limits.most_A.size(); ++c) {
    if (!(std::abs(I(c)) > limits.most_A(c) * (1.0 + kCurrentRounding))) continue;
    Currents row = Currents::Zero(I.size());
    row(c) = I(c) > 0.0 ? -1.0 : 1.0;
    demands.push_back({row, -limits.most_A(c)});
    broken = true;
  }
  return broken;
}

}  // namespace

std::optional<Eigen::Vector3d> least_norm_point(std::span<const HalfSpace> half_spaces) {
  const Eigen::Vector3d origin = Eigen::Vector3d::Zero();
  CommonPart common(half_spaces);
  if (common.holds(origin)) return origin;
  const std::size_t n = half_spaces.size();
  for (const HalfSpace& h : half_spaces) {
    const Eigen::Vector3d B = h.at_least * h.normal;
    if (h.at_least > 0.0 && common.holds(B)) return B;
  }
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = i + 1; j < n; ++j) {
      const auto B = active_pair(half_spaces[i], half_spaces[j]);
      if (B && common.holds(*B)) return B;
    }
  for (std::size_t i = 0; i < n; ++i)
    for (std::size_t j = i + 1; j < n; ++j)
      for (std::size_t k = j + 1; k < n; ++k) {
        const auto B = active_triple(half_spaces[i], half_spaces[j], half_spaces[k]);
        if (B && common.holds(*B)) return B;
      }
  return std::nullopt;
}

std::optional<Currents> least_distance_point(std::span<const CurrentDemand> demands) {
  const LeastCurrents least = least_distance(demands);
  if (least.verdict != CurrentsVerdict::found) return std::nullopt;
  return least.current_A;
}

LeastCurrents least_currents(std::span<const CurrentDemand> demands, const CurrentLimits& limits) {
  for (const CurrentDemand& d : demands)
    if (!d.row.allFinite() || !std::isfinite(d.at_least)) return {CurrentsVerdict::unsettled, {}};
  std::vector<CurrentDemand> all(demands.begin(), demands.end());
  const bool bounded = limits.most_A.size() > 0 && limits.most_A.allFinite();
  for (int cut = 0; cut < kMostCuts; ++cut) {
    LeastCurrents least = optimum(all, cut > 0);
    if (least.verdict != CurrentsVerdict::found) return least;
    const Currents& I = least.current_A;
    if (!cut_off(limits, I, all)) return least;
    // Where the strength is a constant times |I|, the least currents are those of the weakest field.
    if (limits.same_everywhere && limits.most_A.size() == 0) return {};
    if (bounded && I.norm() > limits.most_A.norm() * (1.0 + 2.0 * kCurrentRounding)) return {};
  }
  return {CurrentsVerdict::unsettled, {}};
}

}  // namespace withy
