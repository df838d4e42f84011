// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_proof.h"

#include <algorithm>
#include <string>

#include <nlohmann/json.hpp>

namespace withy_plain {
namespace {

// What rounding may put between a state of a walk and the cell that holds it: a frozen bend is taken apart
// and put together again at every step of a walk.
constexpr double kRounding_mm = 1e-9;
constexpr double kRounding_per_mm = 1e-12;
constexpr double kRounding_rad = 1e-8;

Eigen::Vector2d vector_of(const nlohmann::json& pair) {
  return {pair.at(0).get<double>(), pair.at(1).get<double>()};
}

bool between(const Eigen::Vector2d& x, const Eigen::Vector2d& low, const Eigen::Vector2d& high,
             double rounding) {
  return ((x - low).array() >= -rounding).all() && ((high - x).array() >= -rounding).all();
}

bool holds(const ProofCell& cell, const State& state) {
  return between(state.regions.back().u, cell.u_low, cell.u_high, kRounding_per_mm) &&
         state.insertion_mm >= cell.insertion_low_mm - kRounding_mm &&
         state.insertion_mm <= cell.insertion_high_mm + kRounding_mm;
}

}  // namespace

Proof::Proof(std::istream& lines, const Robot& robot) : robot_(robot) {
  for (std::string line; std::getline(lines, line); ++size_) {
    const auto json = nlohmann::json::parse(line);
    Leaf leaf;
    leaf.locked.assign(static_cast<std::size_t>(robot.locks()), false);
    for (const auto& lock : json.at("engaged")) leaf.locked.at(lock.get<std::size_t>() - 1) = true;
    for (const auto& range : json.at("theta_rad")) {
      leaf.theta_low.push_back(vector_of(range.at("low")));
      leaf.theta_high.push_back(vector_of(range.at("high")));
    }
    if (leaves_.empty() || !leaves_.back().same_leaf(leaf)) leaves_.push_back(leaf);
    const auto& d = json.at("insertion_mm");
    leaves_.back().cells.push_back({vector_of(json.at("curvature_low_per_mm")),
                                    vector_of(json.at("curvature_high_per_mm")), d.at(0).get<double>(),
                                    d.at(1).get<double>()});
  }
}

bool Proof::holds(const Leaf& leaf, const State& state, const std::vector<Eigen::Vector2d>& bends) const {
  if (leaf.locked != state.locked) return false;
  for (std::size_t r = 0; r < bends.size(); ++r) {
    if (!between(bends[r], leaf.theta_low[r], leaf.theta_high[r], kRounding_rad)) return false;
  }
  return true;
}

State Proof::random_state(std::mt19937& random) const {
  const auto any = [&](const auto& list) -> const auto& {
    return list[std::uniform_int_distribution<std::size_t>(0, list.size() - 1)(random)];
  };
  const Leaf& leaf = any(leaves_);
  const ProofCell& cell = any(leaf.cells);
  State state;
  state.locked = leaf.locked;
  state.insertion_mm = (cell.insertion_low_mm + cell.insertion_high_mm) / 2;
  double from = 0;
  for (int i = 0; i < robot_.locks(); ++i) {
    if (!leaf.locked[static_cast<std::size_t>(i)]) continue;
    const double to = robot_.layout.station_mm[static_cast<std::size_t>(i)];
    const std::size_t r = state.regions.size();
    const double f = flexible_length(robot_, state.insertion_mm, from, to);
    const Eigen::Vector2d bend = (leaf.theta_low[r] + leaf.theta_high[r]) / 2;
    state.regions.push_back({from, to, f > 0 ? Eigen::Vector2d(bend / f) : Eigen::Vector2d::Zero()});
    from = to;
  }
  state.regions.push_back({from, robot_.scene.length_mm, (cell.u_low + cell.u_high) / 2});
  return state;
}

std::optional<Proof::Place> Proof::place_of(const State& state, std::optional<Place> skipped) const {
  std::vector<Eigen::Vector2d> bends;
  for (std::size_t r = 0; r + 1 < state.regions.size(); ++r)
    bends.push_back(theta(robot_, state, state.regions[r]));
  const auto is_in = [&](const Place& at) {
    return at != skipped && withy_plain::holds(leaves_[at.leaf].cells[at.cell], state);
  };
  if (!leaves_.empty() && holds(leaves_[last_.leaf], state, bends) && is_in(last_)) return last_;
  for (Place at; at.leaf < leaves_.size(); ++at.leaf) {
    if (!holds(leaves_[at.leaf], state, bends)) continue;
    for (at.cell = 0; at.cell < leaves_[at.leaf].cells.size(); ++at.cell) {
      if (is_in(at)) return last_ = at;
    }
  }
  return std::nullopt;
}

}  // namespace withy_plain
