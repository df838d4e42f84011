// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/greatest_reserve.h"

#include <algorithm>
#include <cmath>
#include <exception>
#include <vector>

#include <nlopt.hpp>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

/// A demand may be missed by this share of the largest one: what least_currents leaves by rounding.
constexpr double kReserveMissed = 1e-8;

/// What the optimiser may break a constraint by, and when it stops: scaled to 1.
constexpr double kWithin = 1e-12;
constexpr double kStep = 1e-13;
/// It ends in ten or twenty where it does.
constexpr int kMostSteps = 200;

double largest_base(std::span<const ReserveDemand> demands) {
  double most = 0.0;
  for (const ReserveDemand& d : demands) most = std::max({most, std::abs(d.base), d.per_reserve});
  return most;
}

/// (1) with demands as shares of the largest, fields as shares of their limits. z = (I, y).
struct Programme {
  std::span<const ReserveDemand> demands;
  const CurrentLimits* limits = nullptr;
  double scale = 1.0;

  std::size_t size() const { return demands.size() + limits->gains.size(); }

  static double value(const std::vector<double>& z, std::vector<double>& gradient, void*) {
    if (!gradient.empty()) {
      std::fill(gradient.begin(), gradient.end(), 0.0);
      gradient.back() = 1.0;
    }
    return z.back();
  }

  /// Values that may not be positive, and their gradients one after another.
  static void constraints(unsigned, double* result, unsigned n, const double* z, double* gradient,
                          void* data) {
    const auto& self = *static_cast<const Programme*>(data);
    const Eigen::Map<const Eigen::VectorXd> I(z, n - 1);
    const double y = z[n - 1];
    Eigen::VectorXd slope(n);
    const auto put = [&](double of) {
      *result++ = of;
      if (gradient != nullptr) gradient = std::copy(slope.begin(), slope.end(), gradient);
    };
    for (const ReserveDemand& d : self.demands) {
      slope.head(n - 1) = -d.row / self.scale;
      slope(n - 1) = -d.per_reserve / self.scale * (d.drives ? 1.0 / (y * y) : 1.0);
      const double asked = d.base + d.per_reserve * (d.drives ? 1.0 / y : -y);
      put((asked - d.row.dot(I)) / self.scale);
    }
    slope(n - 1) = 0.0;
    for (std::size_t k = 0; k < self.limits->gains.size(); ++k) {
      const double most = self.limits->most_mT[k];
      const Eigen::Vector3d B = self.limits->gains[k] * I / most;
      slope.head(n - 1) = 2.0 / most * (self.limits->gains[k].transpose() * B);
      put(B.squaredNorm() - 1.0);
    }
  }
};

/// Brought back within the limits, which rounding may have passed.
Currents within(const CurrentLimits& limits, const Currents& current_A) {
  double over = 1.0;
  for (std::size_t k = 0; k < limits.gains.size(); ++k)
    over = std::max(over, (limits.gains[k] * current_A).norm() / limits.most_mT[k]);
  for (Eigen::Index c = 0; c < limits.most_A.size(); ++c)
    over = std::max(over, std::abs(current_A(c)) / limits.most_A(c));
  return current_A / over;
}

nlopt::opt optimiser(Programme& programme, Eigen::Index currents, double wanted) {
  const auto n = static_cast<std::size_t>(currents) + 1;
  nlopt::opt opt(nlopt::LD_SLSQP, static_cast<unsigned>(n));
  opt.set_min_objective(&Programme::value, nullptr);
  opt.add_inequality_mconstraint(&Programme::constraints, &programme,
                                 std::vector<double>(programme.size(), kWithin));
  std::vector<double> most(n, kInfinity);
  for (Eigen::Index c = 0; c < programme.limits->most_A.size(); ++c)
    most[static_cast<std::size_t>(c)] = programme.limits->most_A(c);
  std::vector<double> least(n);
  std::transform(most.begin(), most.end(), least.begin(), std::negate<>());
  least.back() = 1.0 / wanted;
  opt.set_lower_bounds(least);
  opt.set_upper_bounds(most);
  opt.set_xtol_rel(kStep);
  opt.set_maxeval(kMostSteps);
  return opt;
}

}  // namespace

double reserve_by_demands(std::span<const ReserveDemand> demands, const Currents& current_A) {
  const double missed = kReserveMissed * largest_base(demands);
  double reserve = kInfinity;
  for (const ReserveDemand& d : demands) {
    const double has = d.row.dot(current_A) - d.base;
    if (d.per_reserve <= 0.0 && has < -missed) return 0.0;
    if (d.per_reserve <= 0.0) continue;
    if (d.drives) reserve = std::min(reserve, has / d.per_reserve);
    if (!d.drives && has < 0.0) reserve = std::min(reserve, d.per_reserve / -has);
  }
  return std::max(0.0, reserve);
}

Currents greatest_reserve(std::span<const ReserveDemand> demands, const CurrentLimits& limits,
                          const Currents& start, double wanted) {
  Programme programme{demands, &limits, largest_base(demands)};
  const double had = reserve_by_demands(demands, start);
  if (!(programme.scale > 0.0) || !(had > 0.0) || had >= wanted) return start;
  std::vector<double> z(start.begin(), start.end());
  z.push_back(1.0 / had);
  double y = 0.0;
  try {
    optimiser(programme, start.size(), wanted).optimize(z, y);
  } catch (const std::exception&) {
    // Rounding ended it, as it does next to the optimum: z is where it stood.
  }
  const Currents found = within(limits, Eigen::Map<const Eigen::VectorXd>(z.data(), start.size()));
  return found.allFinite() && reserve_by_demands(demands, found) > had ? found : start;
}

}  // namespace withy
