// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/bench_model.h"

#include <algorithm>
#include <cassert>
#include <numbers>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/script/tendon_inverse.h"
#include "planner/segment/rotation.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

/// Blocks of the problem: rigidity (logarithm of its ratio to the scene's: it stays positive, and what it
/// shares with friction is straight), friction, slacks, shift, turn, then curvatures
/// (in units of one over the segment's length).
enum Block : int { kRigidityBlock, kFrictionBlock, kFirstSlack };

std::size_t index(int k) {
  return static_cast<std::size_t>(k);
}

/// Tensions for the part of a moment that one tendon alone can make: what is left where no tensions make all
/// of it.
Eigen::VectorXd nearest_tensions(const TendonHardware& tendons, const Eigen::Vector2d& moment_Nmm) {
  const auto n = static_cast<Eigen::Index>(tendons.angle_rad.size());
  Eigen::VectorXd along(n);
  for (Eigen::Index k = 0; k < n; ++k) {
    const double beta = tendons.angle_rad[static_cast<std::size_t>(k)];
    along(k) = moment_Nmm.dot(Eigen::Vector2d(std::cos(beta), std::sin(beta)));
  }
  Eigen::Index most = 0;
  const double part = along.maxCoeff(&most);
  Eigen::VectorXd T = Eigen::VectorXd::Constant(n, tendons.tension_min_N);
  T(most) += std::max(0.0, part) / tendons.radius_mm;
  return T;
}

}  // namespace

Eigen::Isometry3d BenchParameters::entry_offset() const {
  Eigen::Isometry3d X = Eigen::Isometry3d::Identity();
  X.translation() = shift_mm;
  X.linear() = rotation_by(turn_rad);
  return X;
}

std::vector<std::string> parameter_names(int tendons) {
  std::vector<std::string> names = {"flexural_rigidity_Nmm2", "friction_coefficient"};
  for (int k = 1; k <= tendons; ++k) names.push_back(fmt::format("slack_{}_mm", k));
  for (const char axis : {'x', 'y', 'z'}) names.push_back(fmt::format("base_{}_mm", axis));
  for (const char axis : {'x', 'y', 'z'}) names.push_back(fmt::format("base_turn_{}_deg", axis));
  return names;
}

BenchModel::BenchModel(const Design& design, const Eigen::Isometry3d& X_SE, const Measurements& measurements)
    : design_(design),
      X_SE_(X_SE),
      measured_(measurements),
      statics_(*design.tendons()),
      tendons_(measurements.tendons) {
  assert(design.tendons()->angle_rad.size() == index(tendons_) && design.lock_count() == measurements.locks);
  trace_locks();
}

/// Follows the locks through the rows, released ones first, then engaged ones from the base up.
void BenchModel::trace_locks() {
  FrozenBends bends;
  for (std::size_t j = 0; j < measured_.rows.size(); ++j) {
    release(bends, measured_.rows[j]);
    engage(bends, static_cast<int>(j));
    frozen_.push_back(bends);
  }
}

/// A released lock's bend becomes part of the next frozen one, or of the free region.
void BenchModel::release(FrozenBends& bends, const Measurement& row) const {
  for (std::size_t i = bends.size(); i-- > 0;) {
    if (row.engaged.test(index(bends[i].lock))) continue;
    if (i + 1 < bends.size())
      bends[i + 1].parts.insert(bends[i + 1].parts.end(), bends[i].parts.begin(), bends[i].parts.end());
    bends.erase(bends.begin() + static_cast<std::ptrdiff_t>(i));
  }
}

/// A lock that engages takes its share of the region it stands in.
void BenchModel::engage(FrozenBends& bends, int row) const {
  const Measurement& m = measured_.rows[index(row)];
  for (int lock = 0; lock < design_.lock_count(); ++lock) {
    if (!m.engaged.test(index(lock))) continue;
    auto at = std::find_if(bends.begin(), bends.end(), [&](const FrozenBend& b) { return b.lock >= lock; });
    if (at != bends.end() && at->lock == lock) continue;
    const double from = at == bends.begin() ? 0.0 : design_.station_mm(std::prev(at)->lock);
    const double station = design_.station_mm(lock);
    const double own = exposed_flexible_length(design_, m.insertion_mm, from, station);
    FrozenBend bend{lock, {{row, own}}};
    if (at != bends.end()) {
      const double rest =
          exposed_flexible_length(design_, m.insertion_mm, station, design_.station_mm(at->lock));
      const double share = own + rest > 0.0 ? own / (own + rest) : 0.0;
      bend.parts = at->parts;
      for (auto& [source, coefficient] : bend.parts) coefficient *= share;
      for (auto& [source, coefficient] : at->parts) coefficient *= 1.0 - share;
    }
    bends.insert(at, std::move(bend));
  }
}

/// The rows whose curvatures shape this one: itself first.
std::vector<int> BenchModel::rows_of(int row) const {
  std::vector<int> rows = {row};
  for (const FrozenBend& bend : frozen_[index(row)])
    for (const auto& [source, coefficient] : bend.parts)
      if (std::find(rows.begin(), rows.end(), source) == rows.end()) rows.push_back(source);
  return rows;
}

/// `u`: curvatures of rows_of(row), in that order.
State BenchModel::state_of(int row, const std::vector<Eigen::Vector2d>& u) const {
  const std::vector<int> rows = rows_of(row);
  State state;
  state.insertion_mm = measured_.rows[index(row)].insertion_mm;
  state.engaged = measured_.rows[index(row)].engaged;
  state.u_free = u.front();
  for (const FrozenBend& bend : frozen_[index(row)]) {
    Eigen::Vector2d theta = Eigen::Vector2d::Zero();
    for (const auto& [source, coefficient] : bend.parts) {
      const auto at = std::find(rows.begin(), rows.end(), source) - rows.begin();
      theta += coefficient * u[static_cast<std::size_t>(at)];
    }
    state.theta_frozen.push_back(theta);
  }
  return state;
}

Eigen::VectorXd BenchModel::tensions(const BenchParameters& parameters, const State& state,
                                     const std::vector<Region>& regions) const {
  const Eigen::Vector2d moment = parameters.rigidity_Nmm2 * state.u_free;
  const auto T = statics_.tensions(moment);
  const double factor = capstan_factor(parameters.friction, wrapped_angle(regions));
  return factor * (T ? *T : nearest_tensions(*design_.tendons(), moment));
}

void BenchModel::residuals(int row, const BenchParameters& parameters, const std::vector<Eigen::Vector2d>& u,
                           const NoiseLevels& noise, double* out) const {
  const Measurement& m = measured_.rows[index(row)];
  const State state = state_of(row, u);
  const Shape shape(design_, state);
  Eigen::Map<Eigen::VectorXd> r(out, residual_count());
  r.head(tendons_) =
      (tendon_pulls(design_, shape.regions(), state.insertion_mm) + parameters.slack_mm - m.pull_mm) /
      noise[0];
  if (measured_.tensions)
    r.segment(tendons_, tendons_) = (tensions(parameters, state, shape.regions()) - m.tension_N) / noise[1];
  const Eigen::Vector3d tip_S = X_SE_ * parameters.entry_offset() * shape.tip_E().translation();
  r.tail<3>() = (tip_S - m.tip_S) / noise[2];
}

std::vector<Eigen::VectorXd> BenchModel::start() const {
  std::vector<Eigen::VectorXd> blocks(index(asked()), Eigen::VectorXd::Zero(1));
  blocks[kFrictionBlock](0) = design_.tendons()->friction_coefficient;
  const double unit = 1.0 / design_.length_mm();
  std::vector<Eigen::Vector2d> u_of_row;
  for (int row = 0; row < static_cast<int>(measured_.rows.size()); ++row) {
    u_of_row.emplace_back(Eigen::Vector2d::Zero());
    std::vector<Eigen::Vector2d> u;
    for (const int source : rows_of(row)) u.push_back(u_of_row[index(source)]);
    // Where a lock first shows engaged, the whole of what it was free to freeze has this row's curvature: the
    // bend is that of the row before the locking.
    State known = state_of(row, u);
    const bool freezes =
        std::any_of(frozen_[index(row)].begin(), frozen_[index(row)].end(), [&](const auto& b) {
          return std::any_of(b.parts.begin(), b.parts.end(),
                             [&](const auto& part) { return part.first == row; });
        });
    if (freezes && row > 0) {
      u.clear();
      for (const int source : rows_of(row - 1)) u.push_back(u_of_row[index(source)]);
      known = state_of(row - 1, u);
      known.insertion_mm = measured_.rows[index(row)].insertion_mm;
    } else if (freezes) {
      known = State{};
      known.insertion_mm = measured_.rows[index(row)].insertion_mm;
    }
    u_of_row.back() = free_bend_from_pulls(design_, known, measured_.rows[index(row)].pull_mm).u;
    blocks.emplace_back(u_of_row.back() / unit);
  }
  return blocks;
}

LeastSquaresProblem BenchModel::problem(const NoiseLevels& noise) const {
  LeastSquaresProblem problem;
  problem.start = start();
  for (int row = 0; row < static_cast<int>(measured_.rows.size()); ++row) {
    LeastSquaresTerm term;
    for (int k = 0; k < asked(); ++k) term.blocks.push_back(k);
    const std::vector<int> rows = rows_of(row);
    for (const int source : rows) term.blocks.push_back(asked() + source);
    term.residuals = residual_count();
    term.evaluate = [this, row, noise, count = rows.size()](const double* const* blocks, double* out) {
      std::vector<Eigen::VectorXd> values;
      for (int k = 0; k < asked(); ++k) values.emplace_back(Eigen::VectorXd::Constant(1, *blocks[k]));
      std::vector<Eigen::Vector2d> u;
      for (std::size_t k = 0; k < count; ++k)
        u.emplace_back(Eigen::Map<const Eigen::Vector2d>(blocks[index(asked()) + k]) / design_.length_mm());
      residuals(row, parameters(values), u, noise, out);
    };
    problem.terms.push_back(std::move(term));
  }
  return problem;
}

std::vector<Reading> BenchModel::readings() const {
  std::vector<Reading> out;
  for (std::size_t row = 0; row < measured_.rows.size(); ++row) {
    out.insert(out.end(), index(tendons_), Reading::pull);
    if (measured_.tensions) out.insert(out.end(), index(tendons_), Reading::tension);
    out.insert(out.end(), 3, Reading::tip);
  }
  return out;
}

BenchParameters BenchModel::parameters(const std::vector<Eigen::VectorXd>& blocks) const {
  BenchParameters p;
  p.rigidity_Nmm2 = printed(kRigidityBlock, blocks[kRigidityBlock](0));
  p.friction = blocks[kFrictionBlock](0);
  p.slack_mm.resize(tendons_);
  for (int k = 0; k < tendons_; ++k) p.slack_mm(k) = blocks[index(kFirstSlack + k)](0);
  for (int k = 0; k < 3; ++k) {
    p.shift_mm(k) = blocks[index(kFirstSlack + tendons_ + k)](0);
    p.turn_rad(k) = blocks[index(kFirstSlack + tendons_ + 3 + k)](0);
  }
  return p;
}

double BenchModel::printed(int parameter, double number) const {
  if (parameter == kRigidityBlock) return design_.segment().flexural_rigidity_Nmm2 * std::exp(number);
  return parameter >= asked() - 3 ? kDegreesPerRadian * number : number;
}

}  // namespace withy
