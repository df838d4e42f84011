// SPDX-License-Identifier: GPL-3.0-or-later
// The greatest reserve within the limits against a general optimiser: sequential quadratic programming (D.
// Kraft, "A software package for sequential quadratic programming", DFVLR-FB 88-28, 1988, as NLopt has it) on
// the plain implementation's conditions. In (I, y = 1 / reserve) the programme
//     min y  with  row . I >= base + tau / y  at both ends of the stroke,  row . I >= base - hold y
//     elsewhere,
//                  |G_k I|^2 <= B^2,  |I_c| <= most_c
// is convex, so that what it comes to is the greatest there is.
#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>
#include <nlopt.hpp>

#include "tests/support/field_benches.h"

namespace {

using namespace withy;
using namespace withy_test;

/// The programme's data, scaled so that torques are shares of the switch torque and fields of the limit.
struct Programme {
  std::vector<Eigen::VectorXd> row;
  std::vector<double> base;
  std::vector<double> per_y;  ///< of 1 / y where drives, of y elsewhere
  std::vector<bool> drives;
  std::vector<Eigen::MatrixXd> gain;
  int currents = 0;

  static double value(const std::vector<double>& z, std::vector<double>& gradient, void* data) {
    if (!gradient.empty()) {
      std::fill(gradient.begin(), gradient.end(), 0.0);
      gradient.back() = 1.0;
    }
    static_cast<void>(data);
    return z.back();
  }

  /// Values at most 0, with their gradients row by row.
  static void constraints(unsigned, double* result, unsigned n, const double* z, double* gradient,
                          void* data) {
    const auto& p = *static_cast<const Programme*>(data);
    const Eigen::Map<const Eigen::VectorXd> I(z, p.currents);
    const double y = z[n - 1];
    Eigen::VectorXd g(n);
    std::size_t m = 0;
    const auto put = [&](double of) {
      result[m] = of;
      if (gradient != nullptr) std::copy(g.data(), g.data() + n, gradient + m * n);
      ++m;
    };
    for (std::size_t r = 0; r < p.row.size(); ++r) {
      g.head(p.currents) = -p.row[r];
      g(n - 1) = p.drives[r] ? -p.per_y[r] / (y * y) : -p.per_y[r];
      put(p.base[r] + (p.drives[r] ? p.per_y[r] / y : -p.per_y[r] * y) - p.row[r].dot(I));
    }
    for (const Eigen::MatrixXd& G : p.gain) {
      const Eigen::VectorXd B = G * I;
      g.head(p.currents) = 2.0 * G.transpose() * B;
      g(n - 1) = 0.0;
      put(B.squaredNorm() - 1.0);
    }
  }
};

Programme programme(const withy_plain::Robot& robot, const withy_plain::State& state, int lock) {
  const withy_plain::Lock& hardware = *robot.scene.lock;
  const double tau = hardware.switch_torque_Nmm;
  const auto one = withy_plain::conditions(robot, state, lock, 1.0);
  const auto half = withy_plain::conditions(robot, state, lock, 0.5);
  Programme p;
  p.currents = withy_plain::current_count(robot);
  for (std::size_t r = 0; r < one.size(); ++r) {
    // A demand that grows with the reserve by the switch torque drives; the others by what hold torque
    // allows.
    const bool drives = std::abs(one[r].least - half[r].least - 0.5 * tau) < 1e-9 * tau;
    p.drives.push_back(drives);
    p.row.push_back(one[r].row / tau);
    p.per_y.push_back((drives ? tau : hardware.hold_torque_Nmm) / tau);
    p.base.push_back((one[r].least + (drives ? -tau : hardware.hold_torque_Nmm)) / tau);
  }
  for (int i = 0; i < robot.locks(); ++i)
    p.gain.push_back(withy_plain::gains(robot, state, i) / robot.scene.field->strength_max_mT);
  return p;
}

/// From a start: the greatest reserve that the optimiser comes to; 0 where it does not end within its limits.
double greatest_from(Programme& p, const withy_plain::Robot& robot, std::vector<double> z) {
  constexpr double kWithin = 1e-9;
  nlopt::opt opt(nlopt::LD_SLSQP, static_cast<unsigned>(p.currents) + 1);
  opt.set_min_objective(&Programme::value, nullptr);
  opt.add_inequality_mconstraint(&Programme::constraints, &p,
                                 std::vector<double>(p.row.size() + p.gain.size(), kWithin));
  std::vector<double> most(z.size(), HUGE_VAL);
  const auto& coils = robot.scene.field->coils;
  for (std::size_t c = 0; c < coils.size(); ++c)
    if (coils[c].current_max_A) most[c] = *coils[c].current_max_A;
  std::vector<double> least(most);
  for (double& x : least) x = -x;
  least.back() = 1e-3;
  opt.set_upper_bounds(most);
  opt.set_lower_bounds(least);
  for (std::size_t c = 0; c < z.size(); ++c) z[c] = std::clamp(z[c], least[c], most[c]);
  opt.set_xtol_rel(1e-12);
  opt.set_maxeval(400);
  double y = 0.0;
  try {
    opt.optimize(z, y);
  } catch (const std::exception&) {
    return 0.0;  // round-off stopped it
  }
  const std::size_t count = p.row.size() + p.gain.size();
  std::vector<double> left(count);
  Programme::constraints(static_cast<unsigned>(count), left.data(), static_cast<unsigned>(z.size()), z.data(),
                         nullptr, &p);
  return *std::max_element(left.begin(), left.end()) <= 1e-7 ? 1.0 / z.back() : 0.0;
}

/// A bench whose limits bind more often than not.
Design tight(RandomStates& random, int trial) {
  static const std::vector<double> clocks = {0, 60, 150, 300, 330};
  DesignParts parts = parts_with({25, 50, 75}, {0, clocks[static_cast<std::size_t>(trial) % 5],
                                                clocks[static_cast<std::size_t>(trial / 5) % 5]});
  if (trial % 3 == 0) parts = parts_with({33, 67}, {0, 330});
  parts.field->ambient_mT = random.between(0, 0.2);
  parts.field->strength_max_mT = random.between(3.5, 9);
  parts.field->reserve_wanted = 20;  // more than there is
  if (trial % 4 == 1) parts.field->coils = three_pairs(parts);
  if (trial % 4 == 2) parts.field->coils = three_pairs(parts, random.between(0.8, 2.5));
  if (trial % 4 == 3) parts.field->coil_mT_per_A = {1.8, 0.9, 2.5};
  return design_of(parts);
}

}  // namespace

// WITHY_RESERVE_CASES asks for more than the few that the tests have time for.
TEST_CASE("no general optimiser finds more reserve within the limits than is chosen, nor less") {
  RandomStates random(69);
  INFO("seed 69");
  const char* asked = std::getenv("WITHY_RESERVE_CASES");
  const int cases = asked != nullptr ? std::atoi(asked) : 400;
  int had = 0;
  int field_binds = 0;
  int none = 0;
  for (int trial = 0; trial < cases; ++trial) {
    const Design design = tight(random, trial);
    const State state = random.state(design);
    if (!keeps_curvature(design, state)) continue;
    const auto robot = plain_robot(design);
    const auto plain = plain_state(design, state);
    const int lock = trial / 4 % design.lock_count();
    const auto choice = choose_field(design, state, lock);
    Programme p = programme(robot, plain, lock);
    double best = 0.0;
    for (int start = 0; start < 4; ++start) {
      std::vector<double> z(static_cast<std::size_t>(p.currents) + 1, 1.0);
      for (std::size_t c = 0; c + 1 < z.size(); ++c)
        z[c] = start == 0 && choice ? choice->currents.current_A(static_cast<Eigen::Index>(c))
                                    : random.between(-2, 2);
      best = std::max(best, greatest_from(p, robot, z));
    }
    const double ours = choice ? choice->currents.reserve : 0.0;
    had += choice.has_value();
    field_binds += choice && choice->currents.strength_mT > 0.9999 * design.field()->strength_max_mT;
    none += !choice;
    // Below 1 nothing is chosen.
    if (choice ? best > ours + 2e-6 : best > 1.0 + 2e-6)
      FAIL_CHECK("trial " << trial << ": " << ours << ", the optimiser has " << best);
  }
  CAPTURE(had, field_binds, none);
  CHECK(had > cases / 4);
  CHECK(field_binds > cases / 20);
  CHECK(none > cases / 20);
}
